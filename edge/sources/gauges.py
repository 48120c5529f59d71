"""What did the gauges read? Rows of a logger's file, done or still growing, packed for the wire."""

import os
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from io import SEEK_END
from pathlib import Path
from typing import BinaryIO, Final

from edge.errors import InputError
from edge.gaugefile import Header, Row, parse_header, parse_row
from edge.senml import pack_rows
from edge.sources import Event
from edge.wire import Channel
from edge.words import Gauge

# A pack must stay well under what a broker and the landing take in one message.
PACK_ROWS_MAX: Final = 6_000
_LOOK_S: Final = 0.1


def pack_events(rows: Iterable[Row | None], site: str, pump: str, pack_s: float) -> Iterator[Event]:
    """Packs of the rows that lie in the same `pack_s` seconds, each at the time of its last row.

    rows : None where there is nothing new for now; a pack that has waited for twice its seconds goes out then
    A gauge without a reading is left out of its row, a row without any reading altogether. A pack also ends
    where time goes backwards, since a pack's rows are in order of time.
    """
    pack_us = max(1, round(pack_s * 1e6))
    kept: list[tuple[int, dict[Gauge, float]]] = []
    begun = time.monotonic()
    for row in rows:
        if row is None:
            if kept and time.monotonic() - begun > 2 * pack_s:
                yield Event(kept[-1][0], Channel.GAUGES, pack_rows(site, pump, kept))
                kept = []
            continue
        values = {gauge: value for gauge, value in row.values.items() if value is not None}
        if not values:
            continue
        if kept and (
            row.at_us // pack_us != kept[0][0] // pack_us
            or row.at_us < kept[-1][0]
            or len(kept) == PACK_ROWS_MAX
        ):
            yield Event(kept[-1][0], Channel.GAUGES, pack_rows(site, pump, kept))
            kept = []
        if not kept:
            begun = time.monotonic()
        kept.append((row.at_us, values))
    if kept:
        yield Event(kept[-1][0], Channel.GAUGES, pack_rows(site, pump, kept))


def follow_rows(path: Path, ended: Callable[[], bool], *, from_start: bool = False) -> Iterator[Row | None]:
    """Rows as a logger appends them to its file; None whenever there is nothing new for now.

    ended : asked while waiting; the rows end when it says so
    from_start : begin with the rows that are there already
    A file that the logger begins anew is read from its start. A line that can't be read is passed over: one
    glitch must not end a day's capture. Raises InputError if the file is not there or its header is wrong.
    """
    while not ended():
        try:
            file = path.open("rb")
        except OSError as error:
            raise InputError(
                f"can't be read ({error.strerror})", where=str(path), do="start the logger first"
            ) from None
        with file:
            yield from _follow(file, path, ended, from_start)
        from_start = True


def _follow(file: BinaryIO, path: Path, ended: Callable[[], bool], from_start: bool) -> Iterator[Row | None]:
    """Rows of one file, until it is no longer the one at `path`."""
    header: Header | None = None
    part = b""
    while not ended():
        part += file.readline()
        line = _whole_line(part)
        if line is None:
            yield None
            if _is_replaced(file, path):
                return
            time.sleep(_LOOK_S)
            continue
        part = b""
        if header is None:
            header = parse_header(line.split(","), str(path))
            if not from_start:
                file.seek(-1, SEEK_END)
                file.readline()  # a line that is just being written goes with those before
        elif line:
            with suppress(InputError):
                yield parse_row(line.split(","), header, str(path))


def _is_replaced(file: BinaryIO, path: Path) -> bool:
    """Whether the logger has begun a new file, or this one anew."""
    try:
        there = path.stat()
    except FileNotFoundError:
        return False  # in the middle of it: look again
    return there.st_ino != os.fstat(file.fileno()).st_ino or there.st_size < file.tell()


def _whole_line(line: bytes) -> str | None:
    return line.decode("utf-8", "replace").lstrip("\ufeff").rstrip("\r\n") if line.endswith(b"\n") else None
