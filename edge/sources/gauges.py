"""What did the gauges read? Rows of a logger's file, done or still growing, packed for the wire."""

import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Final

from edge.errors import InputError
from edge.gaugefile import Row, parse_header, parse_row
from edge.senml import pack_rows
from edge.sources import Event
from edge.wire import Channel
from edge.words import Gauge

# A pack must stay well under what a broker and the landing take in one message.
PACK_ROWS_MAX: Final = 6_000
_LOOK_S: Final = 0.1


def pack_events(rows: Iterable[Row], site: str, pump: str, pack_s: float) -> Iterator[Event]:
    """Packs of the rows that lie in the same `pack_s` seconds, each at the time of its last row.

    A gauge without a reading is left out of its row, a row without any reading altogether. A pack also ends
    where time goes backwards, since a pack's rows are in order of time.
    """
    pack_us = max(1, round(pack_s * 1e6))
    kept: list[tuple[int, dict[Gauge, float]]] = []
    for row in rows:
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
        kept.append((row.at_us, values))
    if kept:
        yield Event(kept[-1][0], Channel.GAUGES, pack_rows(site, pump, kept))


def follow_rows(path: Path, ended: Callable[[], bool], *, from_start: bool = False) -> Iterator[Row | None]:
    """Rows as a logger appends them to its file; None whenever there is nothing new for now.

    ended : asked while waiting; the rows end when it says so
    from_start : begin with the rows that are there already
    A line that can't be read is passed over: one glitch must not end a day's capture. Raises InputError if
    the file can't be opened, its header is wrong, or it was cut short.
    """
    try:
        file = path.open("rb")
    except OSError as error:
        raise InputError(f"can't be read ({error.strerror})", where=str(path), do="check the name") from None
    with file:
        first = _whole_line(file.readline())
        if first is None:
            raise InputError("has no header yet", where=str(path), do="start the logger first")
        header = parse_header(first.split(","), str(path))
        if not from_start:
            file.seek(0, 2)
            file.seek(max(0, file.tell() - 1))
            file.readline()  # the rest of a line that was being written
        part = b""
        while not ended():
            part += file.readline()
            line = _whole_line(part)
            if line is None:
                if path.stat().st_size < file.tell():
                    raise InputError("was cut short or begun anew", where=str(path), do="start again")
                yield None
                time.sleep(_LOOK_S)
                continue
            part = b""
            if line:
                try:
                    yield parse_row(line.split(","), header, str(path))
                except InputError:
                    continue


def _whole_line(line: bytes) -> str | None:
    return line.decode("utf-8", "replace").lstrip("\ufeff").rstrip("\r\n") if line.endswith(b"\n") else None
