"""What was recorded on the wire? Lines of {"topic", "payload"}, and {"at", "photo"} for photographs."""

import gzip
import zlib
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Final

import msgspec
from msgspec import Struct

from edge.errors import InputError
from edge.gaugefile import open_bytes
from edge.records import Moment, decode_record
from edge.senml import decode_pack, resolve
from edge.sources import Event
from edge.sources.photos import photo_event
from edge.wire import Channel, parse_topic

LINE_BYTES_MAX: Final = 8 * 1024 * 1024


class _Line(Struct):
    """One line, either kind; payload is kept as it stands."""

    topic: str | None = None
    payload: msgspec.Raw = msgspec.Raw()
    at: Moment | None = None
    photo: str | None = None
    pump: str = ""
    by: str = ""
    sheet: str | None = None


_decoder: Final = msgspec.json.Decoder(_Line)


def read_stream(path: Path, site: str, photos: Path | None = None) -> Iterator[Event]:
    """Events of a recorded stream, in the file's order. The topics' edge, stream and seq are left aside.

    photos : folder of the photographs it names; the file's own if left out
    Raises InputError naming the line that is not as it should be, or of another site.
    """
    for where, line in _lines(path):
        try:
            told = _decoder.decode(line)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
            raise InputError(
                f"not a line of a recorded stream: {error}",
                where=where,
                do='write {"topic", "payload"} or {"at", "photo", "pump", "by"}',
            ) from None
        if told.photo is not None and told.at is not None:
            file = (photos or path.parent) / told.photo
            yield photo_event(file, pump=told.pump, by=told.by, taken_at=told.at, sheet=told.sheet)
        elif told.topic is not None:
            yield _event(told.topic, bytes(told.payload), site, where)
        else:
            raise InputError(
                "names neither a topic nor a photo with its time",
                where=where,
                do='write {"topic", "payload"} or {"at", "photo", "pump", "by"}',
            )


def _event(topic: str, payload: bytes, site: str, where: str) -> Event:
    address = parse_topic(topic)
    if address.site != site:
        raise InputError(f"is of site {address.site}, not {site}", where=where, do="give that --site")
    if address.channel is Channel.RECORD:
        return Event(_us(decode_record(payload, where).at), Channel.RECORD, payload)
    if address.channel is Channel.GAUGES:
        try:
            readings = resolve(decode_pack(payload), now=0.0)
        except InputError as error:
            raise InputError(error.what, where=where, do=error.do) from None
        if not readings:
            raise InputError("is a pack without a reading", where=where, do="take the line out")
        return Event(round(readings[-1].time * 1e6), Channel.GAUGES, payload)
    raise InputError(
        "can't carry a photo as JSON", where=where, do='write {"at", "photo", "pump", "by"} instead'
    )


def _us(at: datetime) -> int:
    return round(at.timestamp() * 1e6)


def _lines(path: Path) -> Iterator[tuple[str, bytes]]:
    number = 0
    with open_bytes(path) as file:
        try:
            while line := file.readline(LINE_BYTES_MAX + 1):
                number += 1
                where = f"{path}, line {number}"
                if len(line) > LINE_BYTES_MAX:
                    raise InputError(
                        f"is longer than {LINE_BYTES_MAX} bytes", where=where, do="write one message a line"
                    )
                if line.strip():
                    yield where, line
        except (EOFError, zlib.error, gzip.BadGzipFile, OSError):
            raise InputError(
                "can't be read to its end", where=f"{path}, after line {number}", do="copy the file again"
            ) from None
