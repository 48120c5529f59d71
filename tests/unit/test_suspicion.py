"""Which units fall into doubt, since when, and what takes them out of it? Each row worked out by hand.

Common practice, no published source: a failing test reaches back to the last of its kind that passed.
"""

from datetime import timedelta

import pytest
from msgspec import structs

from edge.records import Correction, MixerChange, SnapTime, UnitCleared, UnitFinished, UnitStarted
from pipeline.corrections import effective, withdrawn
from pipeline.judge.coverage import unit_coverage
from pipeline.judge.evidence import gather
from pipeline.judge.release import release_spans
from tests.unit.test_release import SITE, call, head, history, out, photo, ratio, snap, t
from tests.unit.test_release_more import EVEN_BEAD, bead


def unit(name, start, end):
    return [UnitStarted(**head(start), unit=name), UnitFinished(**head(end), unit=name)]


def clear(clock, name, days=0):
    at = {**head(clock, "The lead"), "at": t(clock) + timedelta(days=days)}
    return UnitCleared(**at, unit=name, reason="cut open, even", evidence="record 17")


# Four units of the day, the snap time and the ratio of its morning.
UNITS = [
    *unit("U1", "07:00", "07:30"),
    *unit("U2", "09:00", "09:30"),
    *unit("U3", "11:00", "11:30"),
    *unit("U4", "13:00", "13:30"),
]
BY_EYE = structs.replace(SITE, limits=structs.replace(SITE.limits, smear_pass_by_eye_alone=True))
PASS = photo("06:10")
SNAP, SNAP_2 = snap("08:00", 45), snap("12:00", 44)
WITHDRAWN = Correction(**head("15:00"), supersedes=SNAP_2.id, reason="wrong cup")
MEANT_OUT = Correction(
    **head("15:00"),
    supersedes=SNAP_2.id,
    reason="99, not 44",
    corrected=SnapTime(**head("12:00"), minutes=99),
)
TYPO = Correction(
    **head("15:00"),
    supersedes=SNAP_2.id,
    reason="43, not 44",
    corrected=SnapTime(**head("12:00"), minutes=43),
)


def judged(*happened, site=SITE, until="20:00", days=0):
    records = [thing for thing in happened if hasattr(thing, "by")]
    known = structs.replace(
        history(*(thing for thing in happened if thing not in records)),
        records=effective(records),
        withdrawn=withdrawn(records),
    )
    end = t(until) + timedelta(days=days)
    pieces = gather(known, "pump-a", site, end)
    return unit_coverage(known, pieces, release_spans(pieces, site, end), site, end)


def doubted(*happened, **how):
    return {row.unit for row in judged(*happened, **how)[0] if row.suspect}


@pytest.mark.parametrize(
    ("name", "happened", "suspect"),
    [
        ("nothing failed", [PASS, SNAP], set()),
        ("a smear fails at 10:00", [PASS, photo("10:00", "fail")], {"U1", "U2"}),
        ("one passed at 08:30", [PASS, photo("08:30"), photo("10:00", "fail")], {"U2"}),
        ("fails by eye at 14:00", [PASS, photo("10:00"), call("14:00", "fail")], {"U3", "U4"}),
        ("fails twice", [PASS, photo("10:00", "fail"), photo("12:00", "fail")], {"U1", "U2", "U3"}),
        ("snap time out at 12:00", [PASS, SNAP, snap("12:00", 75)], {"U2", "U3"}),
        ("snap time out, the first ever", [PASS, snap("12:00", 75)], {"U1", "U2", "U3"}),
        ("ratio out at 10:30", [PASS, ratio("08:00", 400, 40), ratio("10:30", 440, 40)], {"U2"}),
        (
            "a smear between does not mend a ratio",
            [PASS, photo("10:00"), ratio("12:00", 440, 40)],
            {"U1", "U2", "U3"},
        ),
        ("a mixer change puts nothing in doubt", [PASS, MixerChange(**head("10:00"))], set()),
        ("a passing snap time withdrawn", [PASS, SNAP, SNAP_2, WITHDRAWN], {"U2", "U3", "U4"}),
        ("withdrawn, another follows", [PASS, SNAP, SNAP_2, snap("12:30", 44), WITHDRAWN], {"U2", "U3"}),
        ("corrected to out of limits", [PASS, SNAP, SNAP_2, MEANT_OUT], {"U2", "U3", "U4"}),
        ("corrected, still in limits", [PASS, SNAP, SNAP_2, TYPO], set()),
        (
            "a failing snap time withdrawn",
            [
                PASS,
                SNAP,
                off := snap("12:00", 75),
                Correction(**head("15:00"), supersedes=off.id, reason="typo"),
            ],
            set(),
        ),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_suspect(name, happened, suspect):
    assert doubted(*UNITS, *happened) == suspect


def test_a_pass_by_eye_that_is_withdrawn_counts_where_it_counted():
    passed = call("08:30", "pass")
    taken_back = Correction(**head("15:00"), supersedes=passed.id, reason="looked at the wrong sheet")
    assert doubted(*UNITS, PASS, passed, taken_back, site=BY_EYE) == {"U1", "U2", "U3", "U4"}
    assert doubted(*UNITS, PASS, passed, taken_back) == set()


def survey(day, name, soft=False, age_h=24.0):
    marks = [bead("10:00", str(n), 40, age_h=age_h, name=name, days=day) for n in range(1, 4)]
    return [*marks, bead("10:05", "4", 33 if soft else 40, age_h=age_h, name=name, days=day)]


def test_a_bead_soft_a_day_later_reaches_from_the_last_sound_bead_to_the_next():
    """Beads made at 10:00 yesterday, today, tomorrow; read 24 h later. Today's is soft."""
    sound, soft, after = survey(0, "B-0"), survey(1, "B-1", soft=True), survey(2, "B-2")
    tomorrow = [
        UnitStarted(**{**head("12:00"), "at": t("12:00") + timedelta(days=1)}, unit="V"),
        UnitFinished(**{**head("12:30"), "at": t("12:30") + timedelta(days=1)}, unit="V"),
    ]
    things = [*UNITS, *tomorrow, PASS, *sound, *soft]
    assert doubted(*things, days=1) == {"U1", "U2", "U3", "U4"}
    assert doubted(*UNITS, PASS, *sound, *soft, *after, days=2) == {"U1", "U2", "U3", "U4"}
    # Even at 72 h, the same bead had only cured slowly.
    assert doubted(*things, *survey(3, "B-1", age_h=72.0), days=3) == set()
    # Another bead of that name a week later has nothing to say of it.
    assert doubted(*things, *survey(10, "B-1", age_h=72.0), days=10) == {"U1", "U2", "U3", "U4"}
    assert doubted(*UNITS, PASS, *EVEN_BEAD) == set()


def test_a_person_clears_a_unit_of_what_was_known_and_of_nothing_found_later():
    failed = photo("10:00", "fail")
    assert doubted(*UNITS, PASS, failed, clear("10:30", "U1")) == {"U2"}
    assert doubted(*UNITS, PASS, failed, clear("09:50", "U1")) == {"U1", "U2"}
    assert doubted(*UNITS, PASS, failed, clear("10:30", "U1"), snap("12:00", 75)) == {"U1", "U2", "U3"}
    rows, reasons = judged(*UNITS, PASS, failed, clear("10:30", "U1"))
    (first,) = (row for row in rows if row.unit == "U1")
    assert first.cleared == "The lead: cut open, even, on record 17"
    assert {(one.unit, one.cleared is None) for one in reasons} == {("U1", False), ("U2", True)}
    assert all(one.since == t("06:10") and one.clear_by for one in reasons)


def test_a_clearing_makes_no_unit_covered():
    rows, _ = judged(*unit("U0", "05:30", "05:50"), PASS, clear("09:00", "U0"))
    assert (rows[0].covered, rows[0].suspect) == (False, False)
    assert rows[0].cleared == "The lead: cut open, even, on record 17"


def test_what_a_unit_stands_on_before_and_after_it():
    after = photo("10:00")
    rows, _ = judged(
        *UNITS, PASS, photo("08:00", "retake"), ratio("06:30", 400, 40), after, out("09:10", "09:20")
    )
    first, second = rows[:2]
    assert (first.next_smear_at, first.next_smear_passed) == (t("10:00"), True)
    assert (first.ratio_at, first.balance_pa) == (t("06:30"), None)
    assert second.balance_pa == pytest.approx(380 * 6894.757, rel=1e-4)
    assert len(first.photos) == 3 and first.photos[0] == PASS.sha256
    assert first.move_at == t("07:30") + timedelta(hours=24)
