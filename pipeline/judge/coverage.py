"""What does each unit rest on? The tests before it, and what has come to light since.

covered : glazed wholly under release by the rules, with a passing smear test before it. A person's override
is no evidence and covers nothing that the rules would have held. suspect : a test that failed later reaches
back to the last one that passed, and the units between can no longer stand on it.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from msgspec import Struct

from edge.records import (
    AnyPlainRecord,
    Changeover,
    MixerChange,
    Part,
    SnapTime,
    UnitFinished,
    UnitStarted,
)
from pipeline.judge.evidence import Evidence, What
from pipeline.judge.release import ReleaseSpan
from pipeline.judge.rules import RELEASED_BY_PERSON


class UnitCoverage(Struct, frozen=True, kw_only=True):
    """A row of unit_coverage. finished is None while the unit is being glazed."""

    unit: str
    started: datetime
    finished: datetime | None
    covered: bool
    suspect: bool
    smear_sha256: str | None = None
    smear_at: datetime | None = None
    snap_id: str | None = None
    mixer_at: datetime | None = None
    base_lot: str | None = None
    curing_agent_lot: str | None = None
    reasons: tuple[str, ...] = ()


# Test that fails -> the same test passed, how far back it reaches.
_REACHES_BACK: Final = (
    ((What.SMEAR_FAILED, What.SMEAR_FAILED_TWICE), What.SMEAR_PASSED),
    ((What.SNAP_OUT,), What.SNAP_IN),
    ((What.RATIO_OUT,), What.RATIO_IN),
)
_TESTS: Final = tuple(what for fails, passes in _REACHES_BACK for what in (*fails, passes))
_PARTS: Final[tuple[Part, Part]] = ("base", "curing_agent")
_TICK: Final = timedelta(microseconds=1)


class _Glazing(Struct, frozen=True):
    unit: str
    started: datetime
    finished: datetime | None
    start_known: bool = True


class _Series(Struct, frozen=True):
    """Things in order of time, and the times alone to look them up by."""

    times: list[datetime]
    things: list[Any]

    def last(self, at: datetime) -> Any:
        """The last at or before `at`, else None."""
        place = bisect_right(self.times, at)
        return self.things[place - 1] if place else None

    def first(self, at: datetime) -> Any:
        """The first at or after `at`, else None."""
        place = bisect_left(self.times, at)
        return self.things[place] if place < len(self.things) else None


def unit_coverage(
    records: Sequence[AnyPlainRecord],
    evidence: Iterable[Evidence],
    spans: Sequence[ReleaseSpan],
    until: datetime,
) -> list[UnitCoverage]:
    """One entry a unit glazed, in order of its start.

    records : as corrected, of one pump; evidence, spans : of the same pump (evidence.py, release.py)
    """
    ordered = sorted(records, key=lambda record: (record.at, record.id))
    evidence = [piece for piece in evidence if piece.at <= until]
    tests = {what: _series((e.at, e) for e in evidence if e.what == what) for what in _TESTS}
    snaps = _series((r.at, r) for r in ordered if isinstance(r, SnapTime))
    mixers = _series((r.at, r) for r in ordered if isinstance(r, MixerChange))
    renewed = _series((r.at, r) for r in ordered if isinstance(r, MixerChange | Changeover))
    lots: dict[Part, tuple[_Series, _Series]] = {part: _lots(ordered, part) for part in _PARTS}
    held = _series((span.start, span) for span in spans)
    covered = []
    for glazing in _glazings(ordered):
        start, end = glazing.started, glazing.finished or max(until, glazing.started)
        smear = tests[What.SMEAR_PASSED].last(start)
        against = _held(held, start, end)
        if smear is None:
            against.append("No smear test had passed before it.")
        if not glazing.start_known:
            against.append("No record says when it was started.")
        later = _failed_since(tests, start, end)
        since = smear.at if smear else start
        snap, next_renewed = snaps.first(since), renewed.first(since + _TICK)
        if snap is not None and next_renewed is not None and next_renewed.at < snap.at:
            snap = None  # it speaks of a later mix
        mixer = mixers.last(start)
        base_lot, curing_agent_lot = (_lot(*lots[part], start) for part in _PARTS)
        covered.append(
            UnitCoverage(
                unit=glazing.unit,
                started=start,
                finished=glazing.finished,
                covered=not against,
                suspect=bool(later),
                smear_sha256=smear.ref if smear else None,
                smear_at=smear.at if smear else None,
                snap_id=str(snap.id) if snap else None,
                mixer_at=mixer.at if mixer else None,
                base_lot=base_lot,
                curing_agent_lot=curing_agent_lot,
                reasons=tuple(dict.fromkeys([*against, *later])),
            )
        )
    return covered


def _held(spans: _Series, start: datetime, end: datetime) -> list[str]:
    """Why the pump was not released by the rules all the while; one sentence a rule."""
    said: dict[str, str] = {}
    place = bisect_right(spans.times, start) - 1
    if place < 0:
        said["unknown"] = "Nothing is known of the pump when it was started."
    for span in spans.things[max(place, 0) :]:
        # A unit begun and finished at one recorded moment still lies in the span of that moment.
        if span.start > start and span.start >= end:
            break
        if span.rules != (RELEASED_BY_PERSON,):
            for rule, reason in zip(span.rules, span.reasons, strict=True):
                said.setdefault(rule, reason)
    return list(said.values())


def _failed_since(tests: dict[What, _Series], start: datetime, end: datetime) -> list[str]:
    """Tests that failed after the unit was begun, with none of their kind passed since it was done."""
    found = []
    for fails, passes in _REACHES_BACK:
        failed = [first for what in fails if (first := tests[what].first(start)) is not None]
        passed = tests[passes].first(end)
        found += [f"After it: {f.text}." for f in failed if passed is None or f.at <= passed.at]
    return found


def _lots(records: Sequence[AnyPlainRecord], part: Part) -> tuple[_Series, _Series]:
    """What records say of a part's lot: what was on from then, and what was on until then."""
    since: list[tuple[datetime, str]] = []
    before: list[tuple[datetime, str | None]] = []
    for record in records:
        if isinstance(record, SnapTime):
            lot = record.base_lot if part == "base" else record.curing_agent_lot
            if lot is not None:
                since.append((record.at, lot))
                before.append((record.at, lot))
        elif isinstance(record, Changeover) and record.part == part:
            since.append((record.at, record.new_lot))
            before.append((record.at, record.old_lot))
    return _series(since), _series(before)


def _lot(since: _Series, before: _Series, at: datetime) -> str | None:
    """The lot on the pump at a moment: what was last said of it, else what came off or was found next."""
    lot: str | None = since.last(at) or before.first(at)
    return lot


def _series(pairs: Iterable[tuple[datetime, Any]]) -> _Series:
    ordered = sorted(pairs, key=lambda pair: pair[0])
    return _Series([at for at, _ in ordered], [thing for _, thing in ordered])


def _glazings(records: Sequence[AnyPlainRecord]) -> list[_Glazing]:
    """Starts paired with the next finish of the same unit; either may be missing."""
    found: list[_Glazing] = []
    begun: dict[str, datetime] = {}
    for record in records:
        at = record.at.astimezone(UTC)
        if isinstance(record, UnitStarted):
            if record.unit in begun:
                found.append(_Glazing(record.unit, begun[record.unit], at))
            begun[record.unit] = at
        elif isinstance(record, UnitFinished):
            started = begun.pop(record.unit, None)
            found.append(_Glazing(record.unit, started or at, at, started is not None))
    found += [_Glazing(unit, started, None) for unit, started in begun.items()]
    return sorted(found, key=lambda glazing: (glazing.started, glazing.unit))
