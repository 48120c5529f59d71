"""What holds a pump, and what clears it? Every rule in one table.

A rule is raised by evidence and cleared in steps: all of a step, in any order, then the next. Evidence that
raises a rule again sets it back to its first step. Limits stand in the site's settings (settings.py).
"""

from typing import Final

from msgspec import Struct

from pipeline.judge.evidence import What

Step = frozenset[What]


class Rule(Struct, frozen=True, kw_only=True):
    """name : as in release_spans; says : the hold's sentence; origin : where the rule comes from."""

    name: str
    raised_by: What
    needs: tuple[Step, ...]
    says: str
    origin: str


def _step(*whats: What) -> Step:
    return frozenset(whats)


_PRACTICE: Final = "common practice, no published source"
_OURS: Final = "beadbook: what can't be seen can't be released"
_SMEAR: Final = _step(What.SMEAR_PASSED)

RULES: Final = (
    Rule(
        name="start_of_day",
        raised_by=What.DAY_STARTED,
        needs=(_SMEAR,),
        says="no smear test has passed today: {text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="extended_stop",
        raised_by=What.LONG_STOP,
        needs=(_SMEAR,),
        says="extended stop: {text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="unpurged_stop",
        raised_by=What.PURGE_MISSED,
        # What cured in the mixer must be out before a sample can tell of the mix.
        needs=(_step(What.PURGED), _SMEAR),
        says="stop without base purge: {text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="changeover",
        raised_by=What.CHANGEOVER,
        # A passing smear clears it. The snap time of the new material comes an hour later and stays a
        # reminder, since no shop can stand that long after each pail; out of limits it holds by its own rule.
        needs=(_SMEAR,),
        says="changeover: {text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="mixer_change",
        raised_by=What.MIXER_CHANGED,
        needs=(_SMEAR,),
        says="mixer change: {text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="smear_failed",
        raised_by=What.SMEAR_FAILED,
        needs=(_SMEAR,),
        says="{text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="smear_failed_twice",
        raised_by=What.SMEAR_FAILED_TWICE,
        needs=(_step(What.MIXER_WORK), _SMEAR),
        says="second failed smear test in a row: {text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="snap_out_of_limits",
        raised_by=What.SNAP_OUT,
        needs=(_step(What.SNAP_IN),),
        says="{text}",
        origin="the sealant's data sheet, in the site's settings",
    ),
    Rule(
        name="ratio_out",
        raised_by=What.RATIO_OUT,
        needs=(_step(What.RATIO_IN),),
        says="{text}",
        origin="the sealant's data sheet, in the site's settings",
    ),
    Rule(
        name="out_of_balance",
        raised_by=What.BALANCE_OUT,
        needs=(_step(What.BALANCE_BACK, What.BALANCE_ADJUSTED), _SMEAR),
        says="out of balance: {text}",
        origin=_PRACTICE,
    ),
    Rule(
        name="gauge_failed",
        raised_by=What.GAUGE_FAILED,
        needs=(_step(What.GAUGE_BACK),),
        says="gauge can't be trusted: {text}",
        origin=_OURS,
    ),
    Rule(
        name="no_data",
        raised_by=What.DATA_MISSING,
        needs=(_step(What.DATA_BACK),),
        says="{text}",
        origin=_OURS,
    ),
    Rule(
        name="lot_expired",
        raised_by=What.LOT_EXPIRED,
        needs=(_step(What.LOT_CHANGED),),
        says="{text}",
        origin="the date on the drum or pail",
    ),
    Rule(
        name="held_by_person",
        raised_by=What.PERSON_HOLDS,
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
    What.SNAP_IN: "a snap time within limits",
    What.RATIO_IN: "a ratio check within tolerance",
    What.BALANCE_BACK: "the gauges back in balance",
    What.BALANCE_ADJUSTED: "an adjustment of the balance",
    What.GAUGE_BACK: "the gauge reading again",
    What.DATA_BACK: "gauge data again",
    What.LOT_CHANGED: "a changeover to a lot in date",
    What.OVERRIDE_ENDED: "that person's time to end, or a release by a person",
}
