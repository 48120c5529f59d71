"""What does each unit rest on? The tests before it, and what has come to light since.

covered : glazed wholly under release by the rules, with a passing smear test before it. A person's override
is no evidence and covers nothing that the rules would have held. suspect : what came to light since puts it
in doubt (suspicion.py), and nobody has cleared it.
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
    UnitCleared,
    UnitFinished,
    UnitStarted,
)
from pipeline.judge.evidence import BalanceSpan, Evidence, PumpHistory, What
from pipeline.judge.release import ReleaseSpan
from pipeline.judge.rules import RELEASED_BY_PERSON
from pipeline.judge.suspicion import Suspect, said, suspects, suspicions
from pipeline.settings import SiteSettings


class UnitCoverage(Struct, frozen=True, kw_only=True):
    """A row of unit_coverage. finished is None while the unit is being glazed.

    next_smear_* : the first verdict after it; ratio_at : the last ratio in tolerance before it
    balance_pa : [Pa], the worst balance event while it was made, None if there was none
    photos : of the smear samples from the one it rests on to the next verdict; move_at : by the site's rule
    cleared : by whom and why, of a unit that is not covered or was suspect
    """

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
    next_smear_at: datetime | None = None
    next_smear_passed: bool | None = None
    ratio_at: datetime | None = None
    balance_pa: float | None = None
    photos: tuple[str, ...] = ()
    move_at: datetime | None = None
    cleared: str | None = None


_SMEARS: Final = (What.SMEAR_PASSED, What.SMEAR_FAILED, What.SMEAR_FAILED_TWICE)
_PARTS: Final[tuple[Part, Part]] = ("base", "curing_agent")
_DAY: Final = timedelta(days=1)  # no balance event lasts longer
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

    def between(self, first: datetime, last: datetime) -> list[Any]:
        """Those from the first moment to the last, both included."""
        return self.things[bisect_left(self.times, first) : bisect_right(self.times, last)]


def unit_coverage(
    known: PumpHistory,
    evidence: Iterable[Evidence],
    spans: Sequence[ReleaseSpan],
    settings: SiteSettings,
    until: datetime,
) -> tuple[list[UnitCoverage], list[Suspect]]:
    """One entry a unit glazed, in order of its start; and every reason for which one is suspect.

    known, evidence, spans : of one pump (evidence.py, release.py)
    """
    ordered = sorted(known.records, key=lambda record: (record.at, record.id))
    evidence = [piece for piece in evidence if piece.at <= until]
    smears = _series((e.at, e) for e in evidence if e.what == What.SMEAR_PASSED)
    verdicts = _series((e.at, e) for e in evidence if e.what in _SMEARS)
    ratios = _series((e.at, e) for e in evidence if e.what == What.RATIO_IN)
    snaps = _series((r.at, r) for r in ordered if isinstance(r, SnapTime))
    mixers = _series((r.at, r) for r in ordered if isinstance(r, MixerChange))
    renewed = _series((r.at, r) for r in ordered if isinstance(r, MixerChange | Changeover))
    photos = _series((s.at, s.sha256) for s in known.smears)
    lots: dict[Part, tuple[_Series, _Series]] = {part: _lots(ordered, part) for part in _PARTS}
    balance = _series((event.start, event) for event in known.balance)
    held = _series((span.start, span) for span in spans)
    glazings = _glazings(ordered)
    doubts = suspects(
        [(g.unit, g.started, g.finished) for g in glazings], suspicions(known, evidence, settings), ordered
    )
    doubted: dict[tuple[str, datetime], list[Suspect]] = {}
    for doubt in doubts:
        doubted.setdefault((doubt.unit, doubt.started), []).append(doubt)
    clearings = [record for record in ordered if isinstance(record, UnitCleared)]
    covered = []
    for glazing in glazings:
        start, end = glazing.started, glazing.finished or max(until, glazing.started)
        smear = smears.last(start)
        against = _held(held, start, end)
        if smear is None:
            against.append("No smear test had passed before it.")
        if not glazing.start_known:
            against.append("No record says when it was started.")
        mine = doubted.get((glazing.unit, start), [])
        later = [doubt.reason for doubt in mine if doubt.cleared is None]
        since = smear.at if smear else start
        snap, next_renewed = snaps.first(since), renewed.first(since + _TICK)
        if snap is not None and next_renewed is not None and next_renewed.at < snap.at:
            snap = None  # it speaks of a later mix
        mixer, ratio, after = mixers.last(start), ratios.last(start), verdicts.first(end)
        base_lot, curing_agent_lot = (_lot(*lots[part], start) for part in _PARTS)
        clearing = next((c for c in clearings if c.unit == glazing.unit and c.at >= end), None)
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
                next_smear_at=after.at if after else None,
                next_smear_passed=after.what == What.SMEAR_PASSED if after else None,
                ratio_at=ratio.at if ratio else None,
                balance_pa=_worst_balance(balance.between(start - _DAY, end), start, end),
                photos=tuple(photos.between(since, after.at if after else end)),
                move_at=glazing.finished and glazing.finished + timedelta(hours=settings.limits.move_after_h),
                cleared=said(clearing) if clearing and (against or mine) and not later else None,
            )
        )
    return covered, doubts


def _worst_balance(events: Iterable[BalanceSpan], start: datetime, end: datetime) -> float | None:
    """The largest peak [Pa] of the balance events that overlap a stretch."""
    peaks = [abs(e.peak_pa) for e in events if e.start < end and (e.end is None or e.end > start)]
    return max(peaks, default=None)


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
