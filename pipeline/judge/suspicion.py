"""Which units can no longer stand on their tests? Those made since the last good evidence.

A test that fails reaches back to the last of its kind that passed: nobody knows since when it was so. A pass
that is withdrawn leaves a hole that reaches from the pass before it to the next one. A bead that is soft a
day later reaches from the last sound bead made before it to the next. A person clears a unit by name, with
reason and evidence; what is found after that needs clearing anew. Common practice, no published source.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final, Literal

from msgspec import Struct

from edge.records import AnyPlainRecord, BeadReading, Correction, RatioCheck, SmearCall, SnapTime, UnitCleared
from pipeline.derive.cure.bead import bead_surveys
from pipeline.derive.cure.ratio import weighed_ratio
from pipeline.derive.cure.snap import snap_results
from pipeline.judge.evidence import Evidence, PumpHistory, What
from pipeline.settings import SiteSettings

Test = Literal["smear", "snap time", "ratio", "bead"]


class Suspicion(Struct, frozen=True, kw_only=True):
    """A stretch of time whose units are in doubt. since : last good evidence, None if there never was any.

    until : the moment that the failing test speaks of; found : when it was known; ref : its record or photo
    """

    test: Test
    since: datetime | None
    until: datetime
    found: datetime
    text: str
    ref: str


class Suspect(Struct, frozen=True, kw_only=True):
    """A row of suspect_units: one unit and one reason. cleared : by whom and why, None while it is open."""

    unit: str
    started: datetime
    finished: datetime | None
    test: str
    since: datetime | None
    found: datetime
    reason: str
    ref: str
    clear_by: str
    cleared: str | None


_KINDS: Final[dict[Test, tuple[tuple[What, ...], What]]] = {
    "smear": ((What.SMEAR_FAILED, What.SMEAR_FAILED_TWICE), What.SMEAR_PASSED),
    "snap time": ((What.SNAP_OUT,), What.SNAP_IN),
    "ratio": ((What.RATIO_OUT,), What.RATIO_IN),
}
# What would tell that a unit is sound all the same; a person then records `unit_cleared`.
CLEAR_BY: Final[dict[str, str]] = {
    "smear": "cut into the unit's joint and look for streaks, or take Shore A along it when cured",
    "snap time": "Shore A along the unit's joint at full cure, and the day's adhesion coupons",
    "ratio": "Shore A along the unit's joint at full cure, and the day's adhesion coupons",
    "bead": "Shore A along the unit's joint, or the same bead even at 72 h",
}


def suspicions(known: PumpHistory, evidence: Iterable[Evidence], settings: SiteSettings) -> list[Suspicion]:
    """All that puts units in doubt, in order of when it was found.

    evidence : of the same pump (evidence.py), up to the moment asked for
    """
    pieces = sorted(evidence, key=lambda piece: (piece.at, piece.ref))
    passed = {test: [p.at for p in pieces if p.what == good] for test, (_, good) in _KINDS.items()}
    found: list[Suspicion] = []
    for test, (fails, _) in _KINDS.items():
        for piece in pieces:
            if piece.what in fails:
                since = _before(passed[test], piece.at)
                found.append(
                    Suspicion(
                        test=test, since=since, until=piece.at, found=piece.at, text=piece.text, ref=piece.ref
                    )
                )
    found += _from_withdrawn(known, passed, settings)
    found += _from_beads(known.records, settings)
    return sorted(found, key=lambda one: (one.found, one.test, one.ref))


def suspects(
    units: Iterable[tuple[str, datetime, datetime | None]],
    doubts: Sequence[Suspicion],
    records: Iterable[AnyPlainRecord],
) -> list[Suspect]:
    """Every unit and reason, in order of the units.

    units : number, start and end of each, None while it is being made; records : as corrected
    """
    clearings: dict[str, list[UnitCleared]] = {}
    for record in sorted(records, key=lambda record: (record.at, record.id)):
        if isinstance(record, UnitCleared):
            clearings.setdefault(record.unit, []).append(record)
    found = []
    for unit, started, finished in units:
        for doubt in doubts:
            if started > doubt.until or (doubt.since is not None and finished and finished <= doubt.since):
                continue
            done = [c for c in clearings.get(unit, ()) if c.at >= max(doubt.found, finished or doubt.found)]
            found.append(
                Suspect(
                    unit=unit,
                    started=started,
                    finished=finished,
                    test=doubt.test,
                    since=doubt.since,
                    found=doubt.found,
                    reason=f"After it: {doubt.text}.",
                    ref=doubt.ref,
                    clear_by=CLEAR_BY[doubt.test],
                    cleared=said(done[0]) if done else None,
                )
            )
    return found


def said(cleared: UnitCleared) -> str:
    """A clearing in words."""
    return f"{cleared.by}: {cleared.reason}, on {cleared.evidence}"


def _from_withdrawn(
    known: PumpHistory, passed: dict[Test, list[datetime]], settings: SiteSettings
) -> Iterator[Suspicion]:
    for record, correction in known.withdrawn:
        test = _passing(record, settings)
        if test is None or (correction.corrected and _passing(correction.corrected, settings) == test):
            continue
        after = passed[test][bisect_right(passed[test], record.at) :]
        yield Suspicion(
            test=test,
            since=_before(passed[test], record.at),
            until=(min(after[0], correction.at) if after else correction.at).astimezone(UTC),
            found=correction.at.astimezone(UTC),
            text=_withdrawal(test, record, correction),
            ref=str(correction.id),
        )


def _passing(record: AnyPlainRecord, settings: SiteSettings) -> Test | None:
    """The test that a record, taken alone, shows as passed."""
    limits = settings.cure_of(record.pump)
    match record:
        case SmearCall(call="pass") if settings.limits.smear_pass_by_eye_alone:
            return "smear"
        case SnapTime() if snap_results([record], limits)[0].passed:
            return "snap time"
        case RatioCheck() if weighed_ratio(record.catches, limits).verdict == "in":
            return "ratio"
    return None


def _withdrawal(test: Test, record: AnyPlainRecord, correction: Correction) -> str:
    verb = "corrected" if correction.corrected else "withdrawn"
    return f"the {test} of {record.at:%d %b %H:%M}Z was {verb} by {correction.by}: {correction.reason}"


def _from_beads(records: Sequence[AnyPlainRecord], settings: SiteSettings) -> Iterator[Suspicion]:
    readings = {str(r.id): r for r in records if isinstance(r, BeadReading)}
    if not readings:
        return
    pump = next(iter(readings.values())).pump
    surveys = [
        (survey, last.at.astimezone(UTC), (last.at - timedelta(hours=last.age_h)).astimezone(UTC))
        for survey in bead_surveys(records, settings.cure_of(pump))
        for last in [max((readings[mark.id] for mark in survey.marks), key=lambda r: r.at)]
    ]
    sound = sorted(made for survey, _, made in surveys if survey.passed)
    for survey, found, made in surveys:
        bead = survey.bead, survey.made
        mended = any((s.bead, s.made) == bead and s.passed and s.age_h > survey.age_h for s, _, _ in surveys)
        if survey.passed is not False or mended:
            continue
        place = bisect_right(sound, made)
        yield Suspicion(
            test="bead",
            since=_before(sound, made),
            until=min(sound[place], found) if place < len(sound) else found,
            found=found,
            text=f"bead {survey.bead} at {survey.age_h:g} h, {survey.why}",
            ref=survey.marks[0].id,
        )


def _before(moments: Sequence[datetime], at: datetime) -> datetime | None:
    """The last of the moments before `at`, which are in order."""
    place = bisect_left(moments, at)
    return moments[place - 1] if place else None
