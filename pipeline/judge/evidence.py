"""What has happened at a pump, as the rules see it? Records, photographs and gauges become dated evidence.

Each piece of evidence takes effect at the moment it could be known. Pressures in pascal, times in UTC.
"""

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from itertools import pairwise
from typing import Final

from msgspec import Struct, structs

from edge.records import (
    Adjustment,
    AnyPlainRecord,
    BeadReading,
    Changeover,
    Correction,
    MixerChange,
    Purge,
    RatioCheck,
    ReleaseOverride,
    Service,
    SmearCall,
    SnapTime,
)
from edge.units import pa_to_psi
from edge.words import Fault, Gauge, PumpState, Verdict
from pipeline.derive.cure.bead import DUE_H, bead_surveys
from pipeline.derive.cure.ratio import weighed_ratio
from pipeline.derive.cure.snap import SnapResult, snap_results
from pipeline.judge.smears import SmearScore, judged_smears
from pipeline.settings import SiteSettings


class What(StrEnum):
    """What a piece of evidence says. Those that hold a pump, those that clear it, those that do both."""

    DAY_STARTED = "day_started"
    LONG_STOP = "long_stop"
    PURGE_MISSED = "purge_missed"
    CHANGEOVER = "changeover"
    MIXER_CHANGED = "mixer_changed"
    SMEAR_FAILED = "smear_failed"
    SMEAR_FAILED_TWICE = "smear_failed_twice"
    SNAP_OVERDUE = "snap_overdue"
    SNAP_OUT = "snap_out"
    RATIO_OUT = "ratio_out"
    BALANCE_OUT = "balance_out"
    GAUGE_FAILED = "gauge_failed"
    DATA_MISSING = "data_missing"
    LOT_EXPIRED = "lot_expired"
    SOFT_SPOT = "soft_spot"
    PERSON_HOLDS = "person_holds"
    SMEAR_PASSED = "smear_passed"
    PURGED = "purged"
    MIXER_WORK = "mixer_work"
    PUMP_WORK = "pump_work"
    BEAD_EVEN = "bead_even"
    SNAP_IN = "snap_in"
    RATIO_IN = "ratio_in"
    BALANCE_BACK = "balance_back"
    BALANCE_ADJUSTED = "balance_adjusted"
    GAUGE_BACK = "gauge_back"
    DATA_BACK = "data_back"
    LOT_CHANGED = "lot_changed"
    PERSON_RELEASES = "person_releases"
    OVERRIDE_ENDED = "override_ended"


class Evidence(Struct, frozen=True, kw_only=True):
    """at : when it could be known; key : which of several like things, '' for all; ref : id or digest."""

    at: datetime
    what: What
    text: str = ""
    key: str = ""
    ref: str = ""


class Span(Struct, frozen=True, kw_only=True):
    """A stretch of time; end is None while it lasts."""

    start: datetime
    end: datetime | None = None


class StateSpan(Span, frozen=True, kw_only=True):
    """A row of pump_states."""

    type: PumpState


class BalanceSpan(Span, frozen=True, kw_only=True):
    """A row of balance_events."""

    type: str
    peak_pa: float


class IdleSpan(Span, frozen=True, kw_only=True):
    """A row of idle_spans."""

    purged: bool
    purge_start: datetime | None = None
    purge_end: datetime | None = None


class FaultSpan(Span, frozen=True, kw_only=True):
    """A row of sensor_faults."""

    gauge: str
    type: Fault


class PumpHistory(Struct, frozen=True, kw_only=True):
    """All that is known of one pump. records : as corrected (corrections.py).

    withdrawn : records that no longer hold, with the correction that took their place
    snaps : what its snap times show, each by those before it; worked out from `records` where None
    """

    records: Sequence[AnyPlainRecord] = ()
    withdrawn: Sequence[tuple[AnyPlainRecord, Correction]] = ()
    snaps: Sequence[SnapResult] | None = None
    smears: Sequence[SmearScore] = ()
    states: Sequence[StateSpan] = ()
    balance: Sequence[BalanceSpan] = ()
    idle: Sequence[IdleSpan] = ()
    purges: Sequence[Span] = ()
    faults: Sequence[FaultSpan] = ()


# Faults that leave a gauge without a true reading for as long as they last.
_BLIND: Final = frozenset(
    {Fault.GAP, Fault.MISSING, Fault.STUCK, Fault.DRIFT, Fault.SATURATION, Fault.WIRE_BREAK}
)
# No shop's clock shows a time outside these.
EARLIEST: Final = datetime(1990, 1, 1, tzinfo=UTC)
LATEST: Final = datetime(2200, 1, 1, tzinfo=UTC)
_SEEN_PURGE: Final = "base purge, seen by the gauges"
_WATCHED: Final = frozenset({Gauge.BASE, Gauge.CATALYST_1, Gauge.CATALYST_2, "all"})


def gather(history: PumpHistory, pump: str, settings: SiteSettings, until: datetime) -> list[Evidence]:
    """Everything the rules look at, up to and with `until`, in no particular order."""
    history = _datable(history)
    records = sorted(history.records, key=lambda record: (record.at, record.id))
    if history.snaps is None:
        history = structs.replace(history, snaps=snap_results(records, settings.cure_of(pump)))
    snaps = {snap.id: snap for snap in history.snaps or ()}
    found = [
        *_from_records(records, snaps, pump, settings),
        *_from_overrides(records, settings),
        *_from_smears(history, settings),
        *_from_beads(records, pump, settings),
        *_from_stops(history, settings, until),
        *_from_gauges(history, settings, until),
    ]
    days = _day_starts(_moments(history), until, settings)
    found += _from_awaited(history, settings, days)
    if days and settings.limits.gauges_required:
        found += _from_silence(history.states, days[0].at, settings, until)
    return [piece for piece in [*found, *days] if piece.at <= until]


def _datable(history: PumpHistory) -> PumpHistory:
    """Without what bears a date of no shop's time: a clock that far off says nothing of when it was."""
    return structs.replace(
        history,
        records=[record for record in history.records if EARLIEST <= record.at < LATEST],
        smears=[smear for smear in history.smears if EARLIEST <= smear.at < LATEST],
    )


def _moments(history: PumpHistory) -> Iterable[datetime]:
    """When anything is heard of the pump."""
    for thing in (*history.records, *history.smears):
        yield thing.at
    for span in (*history.states, *history.balance, *history.idle, *history.purges, *history.faults):
        yield span.start
        if span.end is not None:
            yield span.end


def _from_records(
    records: Iterable[AnyPlainRecord], snaps: Mapping[str, SnapResult], pump: str, settings: SiteSettings
) -> Iterable[Evidence]:
    """What each record says of itself. records : in order of time."""
    limits = settings.cure_of(pump)
    expiry: dict[str, Evidence] = {}
    for record in records:

        def piece(what: What, text: str, record: AnyPlainRecord = record, key: str = "") -> Evidence:
            return Evidence(
                at=record.at.astimezone(UTC),
                what=what,
                text=f"{text}{_cite(record)}",
                key=key,
                ref=str(record.id),
            )

        match record:
            case Changeover():
                part = "base drum" if record.part == "base" else "curing-agent pail"
                old = expiry.pop(record.part, None)
                if old is not None and old.at < record.at:
                    yield old
                yield piece(What.CHANGEOVER, f"{part} replaced, lot {record.new_lot}", key=record.part)
                yield piece(What.LOT_CHANGED, f"lot {record.new_lot} put on", key=record.part)
                if record.expires is not None:
                    expiry[record.part] = Evidence(
                        at=max(record.at, record.expires).astimezone(UTC),
                        what=What.LOT_EXPIRED,
                        text=f"lot {record.new_lot} expired on {_local(record.expires, settings):%d %b %Y}",
                        key=record.part,
                        ref=str(record.id),
                    )
            case MixerChange():
                yield piece(What.MIXER_CHANGED, "static mixer replaced")
                yield piece(What.MIXER_WORK, "static mixer replaced")
                yield piece(What.PUMP_WORK, "static mixer replaced")
            case Service():
                yield piece(What.MIXER_WORK, record.did)
                yield piece(What.PUMP_WORK, record.did)
            case Purge() if record.ran_white:
                yield piece(What.PURGED, "base purge, ran white")
            case Adjustment():
                if record.of == "balance":
                    yield piece(What.BALANCE_ADJUSTED, record.did)
                yield piece(What.PUMP_WORK, record.did)
            case SnapTime():
                snap = snaps[str(record.id)]
                text = f"snap time {record.minutes:g} min, wanted {snap.least:g} to {snap.most:g} min"
                if snap.adjusted is not None:
                    text += f" at {limits.snap_reference_degc:g} degC ({snap.adjusted:.0f} min there)"
                # One that was not made as it should be is no evidence, neither in nor out.
                if snap.passed is not None:
                    yield piece(What.SNAP_IN if snap.passed else What.SNAP_OUT, text)
            case RatioCheck():
                weighed = weighed_ratio(record.catches, limits)
                text = (
                    f"weighed ratio {weighed.deviation_pct:+.1f} % off {limits.ratio_by_mass:g} : 1, "
                    f"wanted within {limits.ratio_tolerance_pct:g} %"
                )
                # Too few catches to be sure clear nothing, and hold nothing.
                if weighed.verdict != "unsure":
                    yield piece(What.RATIO_IN if weighed.verdict == "in" else What.RATIO_OUT, text)
            case _:
                pass
    yield from expiry.values()


def _from_overrides(records: Iterable[AnyPlainRecord], settings: SiteSettings) -> Iterable[Evidence]:
    """A later override ends an earlier release; only a release ends a hold before its time."""
    overrides = [record for record in records if isinstance(record, ReleaseOverride)]
    longest = timedelta(hours=settings.limits.override_max_h)
    for number, record in enumerate(overrides):
        ends = min(record.until, record.at + longest)
        for later in overrides[number + 1 :]:
            if later.at > record.at and (record.state == "release" or later.state == "release"):
                ends = min(ends, later.at)
                break
        if ends <= record.at:
            continue
        what = What.PERSON_RELEASES if record.state == "release" else What.PERSON_HOLDS
        until = f"{_local(ends, settings):%d %b %H:%M}"
        text = f"by {record.by} until {until}: {record.reason}"
        key = str(record.id)
        over = f"end of what {record.by} decided"
        yield Evidence(at=record.at.astimezone(UTC), what=what, text=text, key=key, ref=key)
        yield Evidence(at=ends.astimezone(UTC), what=What.OVERRIDE_ENDED, text=over, key=key, ref=key)


def _from_beads(records: Sequence[AnyPlainRecord], pump: str, settings: SiteSettings) -> Iterable[Evidence]:
    """A survey that failed, by the marks that failed it; a bead that is even at its last age."""
    read_at = {str(record.id): record.at for record in records if isinstance(record, BeadReading)}
    for survey in bead_surveys(records, settings.cure_of(pump)):
        known = max(read_at[mark.id] for mark in survey.marks)
        ref = survey.marks[0].id
        text = f"bead {survey.bead} at {survey.age_h:g} h"
        if survey.passed is False:
            what, text = What.SOFT_SPOT, f"{text}, {survey.why}"
            if survey.norm is not None:
                text += f" (lowest {survey.lowest:g}, norm {survey.norm:g} Shore A)"
        elif survey.passed and survey.due_h == DUE_H[-1]:
            what, text = What.BEAD_EVEN, f"{text}, even"
        else:
            continue
        yield Evidence(
            at=known.astimezone(UTC), what=what, text=text, key=f"{survey.bead} {survey.made}", ref=ref
        )


def _from_awaited(
    history: PumpHistory, settings: SiteSettings, days: Sequence[Evidence]
) -> Iterable[Evidence]:
    """A mix whose first passing smear is not followed by a snap time when that is due.

    Each day, changeover and new mixer makes another mix. Passes count here though another verdict on the same
    sample fails it, so that a failing verdict never puts off what was due.
    """
    limits = settings.limits
    renewed = [day.at for day in days]
    renewed += [record.at for record in history.records if isinstance(record, Changeover | MixerChange)]
    passes = [smear.at for smear in history.smears if smear.verdict == Verdict.PASS]
    if limits.smear_pass_by_eye_alone:
        passes += [r.at for r in history.records if isinstance(r, SmearCall) and r.call == "pass"]
    passes.sort()
    snaps = sorted(record.at for record in history.records if isinstance(record, SnapTime))
    for start, end in pairwise([*sorted(set(renewed)), LATEST]):
        first = _next(passes, start)
        if first is None or first >= end:
            continue
        due = first + timedelta(minutes=limits.snap_due_min)
        snap = _next(snaps, first)
        if due < end and (snap is None or snap >= due):
            text = f"smear passed at {_clock(first, settings)}, no snap time by {_clock(due, settings)}"
            yield Evidence(at=due.astimezone(UTC), what=What.SNAP_OVERDUE, text=text)


def _next(moments: Sequence[datetime], at: datetime) -> datetime | None:
    """The first of the moments, which are in order, at or after `at`."""
    place = bisect_left(moments, at)
    return moments[place] if place < len(moments) else None


def _from_smears(history: PumpHistory, settings: SiteSettings) -> Iterable[Evidence]:
    calls = [record for record in history.records if isinstance(record, SmearCall)]
    for smear in judged_smears(history.smears, calls, settings.limits):
        if smear.passed:
            what = What.SMEAR_PASSED
        else:
            what = What.SMEAR_FAILED_TWICE if smear.again else What.SMEAR_FAILED
        yield Evidence(at=smear.at.astimezone(UTC), what=what, text=smear.text, ref=smear.ref)


def _from_stops(history: PumpHistory, settings: SiteSettings, until: datetime) -> Iterable[Evidence]:
    due_after = timedelta(minutes=settings.limits.idle_min)
    for idle in history.idle:
        due = idle.start + due_after
        purged_in_time = idle.purge_start is not None and idle.purge_start <= due
        if due <= (idle.end or until) and not purged_in_time:
            text = f"stood from {_clock(idle.start, settings)}, no base purge by {_clock(due, settings)}"
            yield Evidence(at=due, what=What.PURGE_MISSED, text=text)
        if idle.purge_end is not None:
            yield Evidence(at=idle.purge_end, what=What.PURGED, text=_SEEN_PURGE)
    for purge in history.purges:
        if purge.end is not None:
            yield Evidence(at=purge.end, what=What.PURGED, text=_SEEN_PURGE)
    long_after = timedelta(minutes=settings.limits.extended_stop_min)
    flow = sorted(
        (span.start, span.end or until) for span in history.states if span.type == PumpState.DISPENSING
    )
    reach = flow[0][0] if flow else until
    for start, end in [*flow, (until, until)]:
        if start - reach > long_after:
            text = f"nothing dispensed since {_clock(reach, settings)}"
            yield Evidence(at=reach + long_after, what=What.LONG_STOP, text=text)
        reach = max(reach, end)


def _from_gauges(history: PumpHistory, settings: SiteSettings, until: datetime) -> Iterable[Evidence]:
    for event in history.balance:
        if event.type == "out_of_balance":
            key = event.start.isoformat()
            text = f"catalyst gauges up to {pa_to_psi(abs(event.peak_pa)):.0f} psi apart while dispensing"
            yield Evidence(at=event.start, what=What.BALANCE_OUT, text=text, key=key)
            if event.end is not None:
                yield Evidence(at=event.end, what=What.BALANCE_BACK, text="back in balance", key=key)
    off = [span for span in history.states if span.type == PumpState.OFF]
    least = timedelta(seconds=settings.limits.gauge_failed_s)
    for fault in history.faults:
        if fault.type not in _BLIND or fault.gauge not in _WATCHED:
            continue
        end = fault.end or until
        if end - fault.start < least:
            continue
        if any(span.start <= fault.start and (span.end or until) >= end for span in off):
            continue
        key = f"{fault.gauge} {fault.type} {fault.start.isoformat()}"
        which = "all gauges" if fault.gauge == "all" else f"gauge {fault.gauge}"
        text = f"{which}: {fault.type.replace('_', ' ')}"
        yield Evidence(at=fault.start, what=What.GAUGE_FAILED, text=text, key=key)
        if fault.end is not None:
            yield Evidence(at=fault.end, what=What.GAUGE_BACK, text=f"{which} reads again", key=key)


def _from_silence(
    states: Sequence[StateSpan], began: datetime, settings: SiteSettings, until: datetime
) -> Iterable[Evidence]:
    """Where no state is known, or the state is no_data, for longer than a gauge may be silent."""
    least = timedelta(seconds=settings.limits.gauge_failed_s)
    known = sorted((s.start, s.end or until) for s in states if s.type != PumpState.NO_DATA)
    reach = began
    for start, end in [*known, (until, until)]:
        if start - reach > least:
            key = reach.isoformat()
            text = f"no gauge data since {_clock(reach, settings)}"
            yield Evidence(at=reach, what=What.DATA_MISSING, text=text, key=key)
            if start < until:
                yield Evidence(at=start, what=What.DATA_BACK, text="gauge data again", key=key)
        reach = max(reach, end)


def _day_starts(moments: Iterable[datetime], until: datetime, settings: SiteSettings) -> list[Evidence]:
    """The start of each production day of which anything is known, and of the day after it.

    Further days on which nothing happens only go on as that one began: on hold.
    """
    known = list(moments)
    if not known:
        return []
    first = settings.production_day(min(known))
    dates = {at.astimezone(UTC).date() for at in known}
    # A UTC date overlaps the production day before it, and the one after it.
    days = sorted({date + timedelta(days=shift) for date in dates for shift in (-1, 0, 1, 2)})
    starts = [settings.day_start(day) for day in days if day >= first]
    return [
        Evidence(at=at, what=What.DAY_STARTED, text=f"day began at {_clock(at, settings)}")
        for at in starts
        if at <= until
    ]


def _local(at: datetime, settings: SiteSettings) -> datetime:
    return at.astimezone(settings.zone)


def _clock(at: datetime, settings: SiteSettings) -> str:
    return f"{_local(at, settings):%H:%M}"


def _cite(record: AnyPlainRecord) -> str:
    # A UUIDv7 begins with its time, so its end tells neighbours apart.
    return f" ({record.by}, record …{str(record.id)[-8:]})"
