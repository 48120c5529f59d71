"""May the pump make units? Beads, snap times owed, rules turned off, and every short sequence of events.

The words of each row were written before the rules were run on it; common practice, no published source.
"""

import re
from datetime import timedelta
from itertools import product
from typing import get_args

import pytest

from edge.records import (
    Adjustment,
    BeadReading,
    Catch,
    Changeover,
    MixerChange,
    Purge,
    RatioCheck,
    Service,
    SnapTime,
)
from edge.words import ReleaseState
from pipeline.judge.evidence import Evidence, What, gather
from pipeline.judge.release import fold, release_spans
from pipeline.judge.rules import RULES
from pipeline.settings import Limits, RuleName, SiteSettings
from tests.unit import test_release as table
from tests.unit.test_release import (
    END,
    EXPIRED,
    GOOD,
    SITE,
    head,
    history,
    idle,
    override,
    pail,
    photo,
    ratio,
    rules_at,
    snap,
    t,
)


def bead(clock: str, mark: str, shore_a: float, age_h: float = 24.0, name: str = "B-7", days: int = 0):
    at = {**head(clock), "at": t(clock) + timedelta(days=days)}
    return BeadReading(**at, bead=name, mark=mark, age_h=age_h, shore_a=(shore_a,) * 3)


EVEN_BEAD = [bead("08:00", mark, 40) for mark in ("1", "2", "3")]
SOFT_BEAD = [*EVEN_BEAD, bead("08:10", "4", 35)]

SITUATIONS = [
    (
        "a snap time taken wrongly clears nothing",
        "09:40",
        [GOOD, snap("08:00", 75), SnapTime(**head("09:00"), minutes=45, lift_mm=60)],
        {"snap_out_of_limits"},
    ),
    (
        "a snap time taken wrongly holds nothing",
        "09:40",
        [GOOD, SnapTime(**head("09:00"), minutes=99, timed=False)],
        set(),
    ),
    (
        "one catch is too few to clear a ratio",
        "09:40",
        [
            GOOD,
            ratio("08:00", 440, 40),
            RatioCheck(**head("09:00"), catches=(Catch(base_g=400, curing_agent_g=40),)),
        ],
        {"ratio_out"},
    ),
    (
        "a bead read against the rules does not end a soft spot",
        "09:40",
        [
            GOOD,
            *SOFT_BEAD,
            *(BeadReading(**head("09:00"), bead="B-7", mark=m, age_h=72, shore_a=(44,)) for m in "1234"),
        ],
        {"soft_spot"},
    ),
    ("a bead even at 24 h", "09:00", [GOOD, *EVEN_BEAD], set()),
    ("a mark 5 Shore A below its bead's norm", "09:00", [GOOD, *SOFT_BEAD], {"soft_spot"}),
    ("a mark 4 Shore A below", "09:00", [GOOD, *EVEN_BEAD, bead("08:10", "4", 36)], set()),
    ("a harder mark is no soft spot", "09:00", [GOOD, *EVEN_BEAD, bead("08:10", "4", 49)], set()),
    ("two marks tell no norm", "09:00", [GOOD, bead("08:00", "1", 40), bead("08:10", "2", 20)], set()),
    (
        "a bead read too young tells nothing",
        "09:00",
        [GOOD, *(bead("08:00", mark, value, age_h=6) for mark, value in (("1", 20), ("2", 20), ("3", 9)))],
        set(),
    ),
    ("soft spot, then a passing smear alone", "10:00", [GOOD, *SOFT_BEAD, photo("09:00")], {"soft_spot"}),
    (
        "soft spot, work on the pump, passed",
        "10:00",
        [GOOD, *SOFT_BEAD, Adjustment(**head("08:40"), of="ratio", did="cam"), photo("09:00")],
        set(),
    ),
    (
        "soft spot, work before it was found",
        "10:00",
        [GOOD, Service(**head("07:40"), did="check valve"), *SOFT_BEAD, photo("09:00")],
        {"soft_spot"},
    ),
    (
        "another bead is even",
        "10:00",
        [GOOD, *SOFT_BEAD, *(bead("09:00", mark, 41, age_h=72, name="B-8") for mark in ("1", "2", "3"))],
        {"soft_spot"},
    ),
    (
        "a mixer change clears nothing of a snap time out",
        "09:40",
        [GOOD, snap("08:00", 75), MixerChange(**head("08:30")), photo("09:00")],
        {"snap_out_of_limits"},
    ),
    (
        "the other part's changeover does not mend an expired lot",
        "14:00",
        [GOOD, pail("08:00", EXPIRED), Changeover(**head("12:30"), part="base", new_lot="B"), photo("12:40")],
        {"lot_expired"},
    ),
    (
        "a hold by a person stands beside a rule's",
        "09:30",
        [GOOD, pail("08:00"), override("09:00", "hold", "10:00")],
        {"changeover", "held_by_person"},
    ),
    (
        "purged before it was missed does not count",
        "12:20",
        [GOOD, Purge(**head("11:20")), idle("11:30", "12:10"), photo("12:16")],
        {"unpurged_stop"},
    ),
]

# With the snap time that every mix owes 90 min after its first pass.
OWED = [
    ("not due yet", "07:39", [GOOD], set()),
    ("overdue", "07:41", [GOOD], {"snap_awaited"}),
    ("taken in time", "08:00", [GOOD, snap("07:00", 45)], set()),
    ("taken before the smear", "08:00", [snap("06:05", 45), GOOD], {"snap_awaited"}),
    ("taken late", "09:00", [GOOD, snap("08:30", 45)], set()),
    ("taken late, out of limits", "09:00", [GOOD, snap("08:30", 99)], {"snap_awaited", "snap_out_of_limits"}),
    ("a second pass puts nothing off", "08:00", [GOOD, photo("07:30")], {"snap_awaited"}),
    (
        "a failed smear puts nothing off",
        "08:00",
        [GOOD, photo("07:30", "fail"), photo("07:36")],
        {"snap_awaited"},
    ),
    ("no pass, nothing owed", "09:00", [photo("06:10", "fail")], {"start_of_day", "smear_failed"}),
    (
        "a new lot owes its own",
        "10:11",
        [GOOD, snap("07:00", 45), pail("08:30"), photo("08:40")],
        {"snap_awaited"},
    ),
    (
        "a new lot's was taken",
        "10:11",
        [GOOD, snap("07:00", 45), pail("08:30"), photo("08:40"), snap("09:30", 44)],
        set(),
    ),
]


def named(rows):
    return pytest.mark.parametrize(
        ("clock", "happened", "rules"), [row[1:] for row in rows], ids=[row[0] for row in rows]
    )


@named(SITUATIONS)
def test_situation(clock, happened, rules):
    assert rules_at(clock, *happened) == rules


@named(OWED)
def test_snap_time_owed(clock, happened, rules):
    assert rules_at(clock, *happened, site=SiteSettings(day_starts="04:00")) == rules


def test_every_rule_has_its_situation_and_there_are_sixty():
    rows = [*table.SITUATIONS, *SITUATIONS, *OWED]
    assert len(rows) >= 60
    shown = set().union(*(rules for *_, rules in rows))
    assert shown - {"released_by_person"} == {rule.name for rule in RULES}


@pytest.mark.parametrize(("read", "stands"), [((), True), (("1", "2"), True), (("1", "2", "3", "4"), False)])
def test_a_soft_spot_is_over_when_the_same_bead_is_even_at_72_h(read, stands):
    later = [bead("08:00", mark, 44, age_h=72, days=2) for mark in read]
    end = t("09:00") + timedelta(days=2)
    spans = release_spans(gather(history(GOOD, *SOFT_BEAD, *later), "pump-a", SITE, end), SITE, end)
    assert ("soft_spot" in spans[-1].rules) == stands


def test_a_bead_of_the_same_name_made_later_clears_no_soft_spot():
    later = [bead("08:00", mark, 44, age_h=72, days=7) for mark in ("1", "2", "3", "4")]
    end = t("09:00") + timedelta(days=7)
    spans = release_spans(gather(history(GOOD, *SOFT_BEAD, *later), "pump-a", SITE, end), SITE, end)
    assert "soft_spot" in spans[-1].rules


def test_a_rule_that_the_site_turns_off_holds_nothing_and_the_others_go_on():
    site = SiteSettings(day_starts="04:00", limits=Limits(rules_off=("changeover", "snap_awaited")))
    assert rules_at("09:00", GOOD, pail("08:00"), site=site) == set()
    assert rules_at("09:00", GOOD, pail("08:00"), photo("08:20", "fail"), site=site) == {"smear_failed"}


def test_every_rule_and_each_of_its_limits_can_be_named_in_the_settings():
    assert {rule.name for rule in RULES} == set(get_args(RuleName))
    known = SiteSettings()
    tables = {"limits": known.limits, "pumps": known.pump("pump-a"), "smear": known.smear, "": known}
    for rule in RULES:
        assert rule.raised_when and rule.origin
        for limit in rule.limits:
            place, _, field = limit.replace("pumps.NAME", "pumps").rpartition(".")
            assert field == "*" or hasattr(tables[place], field), limit


# Some rules once more, as regular expressions over letters, one a piece of evidence in order of time. Written
# without a look at the fold: a rule stands while what came since it was raised last lacks its steps.
LETTERS = {
    What.SMEAR_PASSED: "p",
    What.SMEAR_FAILED_TWICE: "F",
    What.MIXER_WORK: "w",
    What.PURGE_MISSED: "M",
    What.PURGED: "g",
    What.SOFT_SPOT: "S",
    What.PUMP_WORK: "k",
    What.BEAD_EVEN: "e",
    What.BALANCE_OUT: "B",
    What.BALANCE_BACK: "b",
    What.BALANCE_ADJUSTED: "a",
    What.PERSON_RELEASES: "R",
}
PATTERNS = {
    "smear_failed_twice": ("F", "w.*p"),
    "unpurged_stop": ("M", "g.*p"),
    "soft_spot": ("S", "(k.*p)|e"),
    "out_of_balance": ("B", "(b.*a.*p)|(a.*b.*p)"),
}


def standing_by_pattern(letters: str) -> tuple[set[str], bool]:
    """Rules that stand after the letters, and whether the pump is on hold."""
    stands, on_hold = set(), False
    for rule, (raised, clears) in PATTERNS.items():
        last = letters.rfind(raised)
        if last >= 0 and not re.search(clears, letters[last + 1 :]):
            stands.add(rule)
            on_hold |= last > letters.rfind("R")
    return stands, on_hold


@pytest.mark.parametrize("length", [1, 2, 3, 4])
def test_every_short_sequence_reads_as_the_rules_say(length):
    """All 12 + 144 + 1,728 + 20,736 of them; the fold also begun again in the middle."""
    moments = [t("06:00") + timedelta(minutes=number) for number in range(length)]
    for whats in product(LETTERS, repeat=length):
        pieces = [Evidence(at=at, what=what) for at, what in zip(moments, whats, strict=True)]
        whole = fold(pieces, SITE, END)
        span = whole.spans[-1]
        stands, on_hold = standing_by_pattern("".join(LETTERS[what] for what in whats))
        assert set(span.rules) - {"released_by_person"} == stands, whats
        assert (span.state == ReleaseState.HOLD) == on_hold, whats
        half = fold(pieces[: length // 2], SITE, END)
        assert fold(pieces[length // 2 :], SITE, END, half.last).last == whole.last, whats
