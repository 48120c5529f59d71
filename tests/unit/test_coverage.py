"""What does each unit rest on? Cases by hand, over a morning with one passing smear test at 06:10."""

from datetime import UTC, datetime
from uuid import UUID

import pytest

from edge.records import Changeover, MixerChange, ReleaseOverride, SnapTime, UnitFinished, UnitStarted
from edge.words import PumpState, Verdict
from pipeline.judge.coverage import unit_coverage
from pipeline.judge.evidence import PumpHistory, StateSpan, gather
from pipeline.judge.release import release_spans
from pipeline.judge.smears import SmearScore
from pipeline.settings import Limits, SiteSettings

# The snap time that a shop owes each mix is looked at in test_release.py.
SITE = SiteSettings(day_starts="04:00", limits=Limits(rules_off=("snap_awaited",)))
_count = iter(range(1, 1_000_000))


def t(clock: str) -> datetime:
    return datetime.fromisoformat(f"2026-10-14T{clock}").replace(tzinfo=UTC)


def head(clock: str) -> dict:
    return {"id": UUID(int=next(_count)), "site": "site", "pump": "pump-a", "at": t(clock), "by": "R. Okafor"}


def photo(clock: str, verdict: str) -> SmearScore:
    return SmearScore(at=t(clock), sha256=clock.replace(":", "").zfill(64), verdict=Verdict(verdict))


def unit(name: str, start: str, end: str | None):
    started = [UnitStarted(**head(start), unit=name)]
    return started if end is None else [*started, UnitFinished(**head(end), unit=name)]


def covered(*happened, until: str = "12:00"):
    smears = [thing for thing in happened if isinstance(thing, SmearScore)]
    records = [thing for thing in happened if not isinstance(thing, SmearScore)]
    work = StateSpan(start=t("04:00"), end=t("12:00"), type=PumpState.DISPENSING)
    known = PumpHistory(records=records, smears=[photo("06:10", "pass"), *smears], states=[work])
    evidence = gather(known, "pump-a", SITE, t(until))
    return unit_coverage(known, evidence, release_spans(evidence, SITE, t(until)), SITE, t(until))[0]


CHANGE = Changeover(**head("08:00"), part="curing_agent", new_lot="C-2", old_lot="C-1")


@pytest.mark.parametrize(
    ("name", "happened", "stands", "suspect"),
    [
        ("under release", unit("U", "07:00", "07:30"), True, False),
        ("before the day's test", unit("U", "05:00", "05:30"), False, False),
        ("begun before the day's test", unit("U", "06:00", "06:30"), False, False),
        ("after a changeover, untested", [CHANGE, *unit("U", "08:10", "08:30")], False, False),
        ("across a changeover", [CHANGE, *unit("U", "07:50", "08:10")], False, False),
        ("ends as the changeover begins", [CHANGE, *unit("U", "07:50", "08:00")], True, False),
        (
            "after a changeover, tested",
            [CHANGE, photo("08:20", "pass"), *unit("U", "08:30", "08:50")],
            True,
            False,
        ),
        ("the next test fails", [*unit("U", "07:00", "07:30"), photo("09:00", "fail")], True, True),
        (
            "the next test passes, a later one fails",
            [*unit("U", "07:00", "07:30"), photo("08:00", "pass"), photo("09:00", "fail")],
            True,
            False,
        ),
        (
            "a test passes while it is glazed, the next fails",
            [*unit("U", "07:00", "08:30"), photo("08:00", "pass"), photo("09:00", "fail")],
            True,
            True,
        ),
        (
            "a snap time fails after it",
            [*unit("U", "07:00", "07:30"), SnapTime(**head("08:00"), minutes=99)],
            True,
            True,
        ),
        (
            "under a person's release of a changeover",
            [
                *[CHANGE, *unit("U", "08:20", "08:40")],
                ReleaseOverride(**head("08:10"), state="release", reason="seen", until=t("09:00")),
            ],
            False,
            False,
        ),
        (
            "under a person's release of nothing",
            [
                *unit("U", "08:20", "08:40"),
                ReleaseOverride(**head("08:10"), state="release", reason="seen", until=t("09:00")),
            ],
            True,
            False,
        ),
        ("a finish without a start", [UnitFinished(**head("07:00"), unit="U")], False, False),
        ("not finished yet", unit("U", "11:00", None), True, False),
        ("not finished as a hold begins", [CHANGE, *unit("U", "07:00", None)], False, False),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_unit(name, happened, stands, suspect):
    (found,) = covered(*happened)
    assert (found.covered, found.suspect) == (stands, suspect), found.reasons
    assert bool(found.reasons) == (not stands or suspect)


def test_lots_mixer_and_snap_time_are_those_of_the_moment():
    mixer = MixerChange(**head("05:00"))
    snap = SnapTime(**head("06:40"), minutes=42, base_lot="B-1", curing_agent_lot="C-1")
    before, after = covered(
        *[mixer, snap, CHANGE, photo("08:20", "pass")],
        *[*unit("U1", "07:00", "07:30"), *unit("U2", "08:30", "09:00")],
    )
    assert (before.base_lot, before.curing_agent_lot) == ("B-1", "C-1")
    assert (after.base_lot, after.curing_agent_lot) == ("B-1", "C-2")
    assert before.mixer_at == after.mixer_at == t("05:00")
    assert (before.smear_at, after.smear_at) == (t("06:10"), t("08:20"))
    assert (before.snap_id, after.snap_id) == (str(snap.id), None)


def test_one_unit_glazed_twice_is_two_rows():
    found = covered(*unit("U", "07:00", "07:30"), *unit("U", "08:00", "08:30"))
    assert [(one.started, one.finished) for one in found] == [
        (t("07:00"), t("07:30")),
        (t("08:00"), t("08:30")),
    ]
