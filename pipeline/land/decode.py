"""What does a message say? Checked against its topic and typed, or refused in one sentence."""

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Final, NamedTuple

from edge.errors import InputError
from edge.pictures import WANTED, is_picture
from edge.records import AnyRecord, CaptureGap, ClockState, ContactLoss, Correction, decode_record
from edge.senml import GaugeColumns, gauge_columns
from edge.wire import Address, Channel, PhotoHead, unframe_photo


class Photo(NamedTuple):
    """A photograph with what is known of it."""

    head: PhotoHead
    data: bytes


Content = list[GaugeColumns] | Photo | AnyRecord

# Before it no clock that was ever set stood; Unix [s], 2000-01-01.
_EARLIEST: Final = 946_684_800.0
# How far ahead a time may lie. Clocks that are off by less are told of, not refused: readings under a time
# zone's mistake are still evidence, while a wild date would stretch what is judged over years to come.
_AHEAD_S: Final = 366 * 86_400.0


def decode(address: Address, payload: bytes, now: float) -> Content:
    """What a message says.

    now : Unix [s] of its arrival, what relative times count from
    Raises InputError if it is not as its channel asks, or speaks of another site than its topic.
    """
    if address.channel is Channel.GAUGES:
        columns = gauge_columns(payload, address.site, now)
        if not columns:
            raise InputError("holds no reading", where="SenML pack", do="send packs with readings only")
        ends = [at_us / 1e6 for one in columns for at_us in (one.at_us[0], one.at_us[-1])]
        _require_plausible(ends, now, "SenML pack")
        return columns
    if address.channel is Channel.PHOTO:
        head, data = unframe_photo(payload)
        if not is_picture(data):
            raise InputError(
                f"the {len(data)} bytes {data[:8]!r}... are no picture",
                where=f"photo {head.name or head.sha256[:12]!r}",
                do=f"send {WANTED}",
            )
        _require_plausible([head.taken_at.timestamp()], now, f"photo {head.sha256[:12]!r}")
        return Photo(head, data)
    record = decode_record(payload)
    inner = record.corrected if isinstance(record, Correction) else None
    for each in (record, inner):
        if each is not None and each.site != address.site:
            raise InputError(
                f"is of site {each.site}, its topic of {address.site}",
                where=f"record {each.id}",
                do="set the edge's site",
            )
    if isinstance(record, ContactLoss | CaptureGap | ClockState) and record.edge != address.edge:
        raise InputError(
            f"is of edge {record.edge}, its topic of {address.edge}",
            where=f"record {record.id}",
            do="let each edge tell of itself",
        )
    _require_plausible([record.at.timestamp()], now, f"record {record.id}")
    return record


def _require_plausible(times: Iterable[float], now: float, where: str) -> None:
    """times, now : Unix [s]"""
    for time in times:
        if not _EARLIEST <= time <= now + _AHEAD_S:
            said = f"{datetime.fromtimestamp(time, UTC):%Y-%m-%d %H:%M:%S}Z"
            what = "before any clock was set" if time < _EARLIEST else "more than a year ahead"
            raise InputError(f"has the time {said}, {what}", where=where, do="set the device's clock")
