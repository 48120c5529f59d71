"""What does a message say? Checked against its topic and typed, or refused in one sentence."""

from typing import NamedTuple

from edge.errors import InputError
from edge.pictures import WANTED, is_picture
from edge.records import AnyRecord, Correction, decode_record
from edge.senml import GaugeColumns, gauge_columns
from edge.wire import Address, Channel, PhotoHead, unframe_photo


class Photo(NamedTuple):
    """A photograph with what is known of it."""

    head: PhotoHead
    data: bytes


Content = list[GaugeColumns] | Photo | AnyRecord


def decode(address: Address, payload: bytes, now: float) -> Content:
    """What a message says.

    now : Unix [s] of its arrival, what relative times count from
    Raises InputError if it is not as its channel asks, or speaks of another site than its topic.
    """
    if address.channel is Channel.GAUGES:
        columns = gauge_columns(payload, address.site, now)
        if not columns:
            raise InputError("holds no reading", where="SenML pack", do="send packs with readings only")
        return columns
    if address.channel is Channel.PHOTO:
        head, data = unframe_photo(payload)
        if not is_picture(data):
            raise InputError(
                f"the {len(data)} bytes {data[:8]!r}... are no picture",
                where=f"photo {head.name or head.sha256[:12]!r}",
                do=f"send {WANTED}",
            )
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
    return record
