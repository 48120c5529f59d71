"""What was recorded on the wire? Lines of {"topic", "payload"}, and {"at", "photo"} for photographs."""

import gzip
import zlib
from collections.abc import Iterator
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

_DO: Final = 'write {"topic", "payload"} or {"at", "photo", "pump", "by"}'
LINE_BYTES_MAX: Final = 8 * 1024 * 1024


class _Line(Struct):
    """One line, of any kind; payload is kept as it stands."""

    kind: str | None = None
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
    for where, line in stream_lines(path):
        yield parse_line(line, where, site, photos or path.parent)


def parse_line(line: bytes, where: str, site: str, photos: Path) -> Event:
    """The event in one line; a line may also be a record by itself.

    where : what an error names; photos : folder of the photographs
    Raises InputError if it is none, or of another site.
    """
    try:
        told = _decoder.decode(line)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InputError(f"not a line of a recorded stream: {error}", where=where, do=_DO) from None
    if told.kind is not None:
        return _record(line.strip(), site, where)
    if told.photo is not None and told.at is not None:
        file = photos / told.photo
        return photo_event(file, pump=told.pump, by=told.by, taken_at=told.at, sheet=told.sheet)
    if told.topic is None:
        raise InputError("names neither a topic nor a photo with its time", where=where, do=_DO)
    try:
        address = parse_topic(told.topic)
        if address.site != site:
            raise InputError(f"is of site {address.site}, not {site}", where=where, do="give that --site")
        if address.channel is Channel.RECORD:
            return _record(bytes(told.payload), site, where)
        if address.channel is Channel.GAUGES:
            return _gauges(bytes(told.payload))
    except InputError as error:
        raise InputError(error.what, where=where, do=error.do) from None
    raise InputError("can't carry a photo as JSON", where=where, do=_DO)


def _record(payload: bytes, site: str, where: str) -> Event:
    record = decode_record(payload, where)
    if record.site != site:
        raise InputError(f"is of site {record.site}, not {site}", where=where, do="give that --site")
    return Event(round(record.at.timestamp() * 1e6), Channel.RECORD, payload)


def _gauges(payload: bytes) -> Event:
    readings = resolve(decode_pack(payload), now=0.0)
    if not readings:
        raise InputError("is a pack without a reading", where="SenML pack", do="take the line out")
    return Event(round(readings[-1].time * 1e6), Channel.GAUGES, payload)


def stream_lines(path: Path) -> Iterator[tuple[str, bytes]]:
    """Lines of a recorded stream that are not empty, each with where it stands. Raises InputError."""
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
