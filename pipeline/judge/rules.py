"""What holds a pump, and what clears it? Every rule in one table.

A rule is raised by evidence and cleared in steps: all of a step, in any order, then the next. Evidence that
raises a rule again sets it back to its first step. Limits stand in the site's settings (settings.py).
"""

from typing import Final

from msgspec import Struct

from pipeline.judge.evidence import What
from pipeline.settings import SiteSettings

Step = frozenset[What]


class Rule(Struct, frozen=True, kw_only=True):
    """name : as in release_spans; says : the hold's sentence; origin : where the rule comes from.

    raised_when : in words; limits : the settings that it hangs on; ended_by : ends it outright, whatever step
    """

    name: str
    raised_by: What
    raised_when: str
    needs: tuple[Step, ...]
    says: str
    origin: str
    limits: tuple[str, ...] = ()
    ended_by: frozenset[What] = frozenset()


def _step(*whats: What) -> Step:
    return frozenset(whats)


_PRACTICE: Final = "common practice, no published source"
_OURS: Final = "beadbook: what can't be seen can't be released"
_SMEAR: Final = _step(What.SMEAR_PASSED)

RULES: Final = (
    Rule(
        name="start_of_day",
        raised_by=What.DAY_STARTED,
        raised_when="a production day begins",
        limits=("day_starts",),
        needs=(_SMEAR,),
        says="no smear test has passed today: {text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="extended_stop",
        raised_by=What.LONG_STOP,
        raised_when="nothing was dispensed for longer than the limit",
        limits=("limits.extended_stop_min",),
        needs=(_SMEAR,),
        says="extended stop: {text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="unpurged_stop",
        raised_by=What.PURGE_MISSED,
        raised_when="the pump stood past the time at which a base purge was due, and none was begun",
        limits=("limits.idle_min",),
        # What cured in the mixer must be out before a sample can tell of the mix.
        needs=(_step(What.PURGED), _SMEAR),
        says="stop without base purge: {text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="changeover",
        raised_by=What.CHANGEOVER,
        raised_when="a changeover of base drum or curing-agent pail is recorded",
        # A passing smear clears it. The snap time of the new material comes an hour later and stays a
        # reminder until it is overdue, since no shop can stand that long after each pail (snap_awaited).
        needs=(_SMEAR,),
        says="changeover: {text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="mixer_change",
        raised_by=What.MIXER_CHANGED,
        raised_when="a mixer change is recorded",
        needs=(_SMEAR,),
        says="mixer change: {text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="smear_failed",
        raised_by=What.SMEAR_FAILED,
        raised_when="a smear test fails, by camera or by eye",
        limits=(
            "limits.same_sample_min",
            "smear.*",
        ),
        needs=(_SMEAR,),
        says="{text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="smear_failed_twice",
        raised_by=What.SMEAR_FAILED_TWICE,
        raised_when="another sample fails with no pass between",
        limits=("limits.same_sample_min",),
        needs=(_step(What.MIXER_WORK), _SMEAR),
        says="second failed smear test in a row: {text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="snap_awaited",
        raised_by=What.SNAP_OVERDUE,
        raised_when="the first passing smear of a day, a new lot or a new mixer has no snap time after it",
        limits=("limits.snap_due_min",),
        needs=(_step(What.SNAP_IN),),
        says="snap time overdue: {text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="snap_out_of_limits",
        raised_by=What.SNAP_OUT,
        raised_when="a snap time lies outside its range",
        limits=(
            "pumps.NAME.snap_min_min",
            "pumps.NAME.snap_max_min",
        ),
        needs=(_step(What.SNAP_IN),),
        says="{text}",
        origin="the sealant's data sheet, in the site's settings",
    ),
    Rule(
        name="ratio_out",
        raised_by=What.RATIO_OUT,
        raised_when="a weighed ratio lies outside its tolerance",
        limits=(
            "pumps.NAME.ratio_by_mass",
            "pumps.NAME.ratio_tolerance_pct",
        ),
        needs=(_step(What.RATIO_IN),),
        says="{text}",
        origin="the sealant's data sheet, in the site's settings",
    ),
    Rule(
        name="out_of_balance",
        raised_by=What.BALANCE_OUT,
        raised_when="the catalyst gauges run apart while dispensing, as a mean over strokes",
        limits=("limits.balance_out_psi",),
        needs=(_step(What.BALANCE_BACK, What.BALANCE_ADJUSTED), _SMEAR),
        says="out of balance: {text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="gauge_failed",
        raised_by=What.GAUGE_FAILED,
        raised_when="a pressure gauge is blind for longer than the limit while there is pressure",
        limits=("limits.gauge_failed_s",),
        needs=(_step(What.GAUGE_BACK),),
        says="gauge can't be trusted: {text}",
        origin=_OURS,
    ),
    Rule(
        name="no_data",
        raised_by=What.DATA_MISSING,
        raised_when="no state of the pump is known for longer than the limit",
        limits=(
            "limits.gauge_failed_s",
            "limits.gauges_required",
        ),
        needs=(_step(What.DATA_BACK),),
        says="{text}",
        origin=_OURS,
    ),
    Rule(
        name="lot_expired",
        raised_by=What.LOT_EXPIRED,
        raised_when="the lot on the pump passes its date, or is put on past it",
        needs=(_step(What.LOT_CHANGED),),
        says="{text}",
        origin="the date on the drum or pail",
    ),
    Rule(
        name="soft_spot",
        raised_by=What.SOFT_SPOT,
        raised_when="a mark of a cured bead is softer than the bead's norm by the limit or more",
        limits=("pumps.NAME.soft_spot_shore_a",),
        # What made it must be sought and mended; a bead that evens out by 72 h only cured slowly.
        needs=(_step(What.PUMP_WORK), _SMEAR),
        ended_by=frozenset({What.BEAD_EVEN}),
        says="soft spot: {text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="held_by_person",
        raised_by=What.PERSON_HOLDS,
        raised_when="a person holds the pump, by name, with a reason, for a time",
        limits=("limits.override_max_h",),
        needs=(_step(What.OVERRIDE_ENDED),),
        says="held {text}",
        origin="a responsible person's decision",
    ),
)

# Not a rule that holds: the name under which a person's release stands in release_spans.
RELEASED_BY_PERSON: Final = "released_by_person"

# How a step still open is said.
NEEDS_WORDS: Final[dict[What, str]] = {
    What.SMEAR_PASSED: "a passing smear test",
    What.PURGED: "a base purge",
    What.MIXER_WORK: "work on the mixer (mixer change or service)",
    What.PUMP_WORK: "work on the pump (adjustment, service or mixer change)",
    What.BEAD_EVEN: "the same bead even at 72 h",
    What.SNAP_IN: "a snap time within limits",
    What.RATIO_IN: "a ratio check within tolerance",
    What.BALANCE_BACK: "the gauges back in balance",
    What.BALANCE_ADJUSTED: "an adjustment of the balance",
    What.GAUGE_BACK: "the gauge reading again",
    What.DATA_BACK: "gauge data again",
    What.LOT_CHANGED: "a changeover to a lot in date",
    What.OVERRIDE_ENDED: "that person's time to end, or a release by a person",
}


def in_force(settings: SiteSettings) -> tuple[Rule, ...]:
    """The rules that hold at this site: all but those its settings turn off by name."""
    return tuple(rule for rule in RULES if rule.name not in settings.limits.rules_off)
