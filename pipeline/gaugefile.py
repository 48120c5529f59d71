"""How is a whole gauge file read at once? Into arrays, by the header rules of the edge.

A cell that is no number is a missing sample here, for the analysis to report. A line that the logger did not
finish at the file's very end is left out. Anything else that breaks the format is refused as by the edge.
"""

import csv
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv

from edge.errors import InputError
from edge.gaugefile import (
    HEADER_BYTES_MAX,
    TIME_COLUMN,
    TIME_MAX_US,
    Header,
    first_line,
    open_bytes,
    parse_header,
    parse_number,
    parse_time,
    read_gauge_file,
)
from edge.units import FROM_FILE
from pipeline.derive.gauges.recording import FloatArray, IntArray, Recording, joined_rows

_TIME = pa.timestamp("us", tz="UTC")
_LINE_BYTES_MAX = 1 << 20
_CHUNK = 1 << 20
# Some two hours at 20 Hz: the text of a piece, its table and its arrays are in memory together, and larger
# pieces than this take a quarter longer, as they leave the processor's cache.
PIECE_BYTES = 8 * _CHUNK


def read_recording(path: Path) -> Recording:
    """The recording in a gauge file (CSV, also gzipped).

    Raises InputError if the header is not as the format says or the file can't be read as CSV.
    """
    return joined_rows(list(read_pieces(path)))


def read_pieces(
    path: Path, piece_bytes: int = PIECE_BYTES, told: Callable[[int], None] = lambda _read: None
) -> Iterator[Recording]:
    """The same in pieces of some size, one at least: memory stays bounded, whatever the file's length.

    told : called with the bytes of the file read so far, before each piece
    Raises InputError as read_recording does, at the piece in which the fault is.
    """
    header = _read_header(path)
    names = _names(header)
    row = 0
    for piece, last in _pieces(path, piece_bytes, told):
        rows = _recording(_read_piece(path, header, names, piece, last=last), path, header, row)
        row += len(rows.at_us)
        yield rows


class GrowingFile:
    """A gauge file that a logger is still writing to."""

    def __init__(self, path: Path) -> None:
        """Raises InputError if the header is not as the format says, or the file is gzipped."""
        if path.suffix == ".gz":
            raise InputError("is gzipped", where=str(path), do="follow the file that the logger writes")
        self._path, self._header = path, _read_header(path)
        self._names = _names(self._header)
        self._rows = 0
        with path.open("rb") as raw:
            raw.readline(HEADER_BYTES_MAX)
            self._read = raw.tell()

    def more(self) -> Recording | None:
        """Rows whose lines were finished since the last call, some at a time; None if there are none."""
        try:
            with self._path.open("rb") as raw:
                raw.seek(self._read)
                piece = raw.read(PIECE_BYTES)
        except OSError as error:
            raise InputError(
                f"can't be read ({error})", where=str(self._path), do="look at the disk"
            ) from None
        piece = piece[: piece.rfind(b"\n") + 1]
        if not piece:
            return None
        self._read += len(piece)
        table = _read_piece(self._path, self._header, self._names, piece, last=False)
        rows = _recording(table, self._path, self._header, self._rows)
        self._rows += len(rows.at_us)
        return rows


def _names(header: Header) -> list[str]:
    names = [""] * header.width
    names[header.ts] = TIME_COLUMN
    for column in header.columns:
        names[column.at] = column.gauge
    return names


def _pieces(path: Path, size: int, told: Callable[[int], None]) -> Iterator[tuple[bytes, bool]]:
    """The file after its header, cut at line ends; with each piece whether it is the last."""
    with open_bytes(path) as raw:
        try:
            raw.readline(HEADER_BYTES_MAX)
            piece = raw.read(size) + raw.readline(_LINE_BYTES_MAX)
            while True:
                following = raw.read(size) + raw.readline(_LINE_BYTES_MAX) if piece else b""
                told(getattr(raw, "fileobj", raw).tell())  # of a gzipped file, the packed bytes
                yield piece, not following
                if not following:
                    return
                piece = following
        except (OSError, EOFError) as error:
            raise InputError(f"can't be read ({error})", where=str(path), do="copy the file again") from None


def _read_piece(path: Path, header: Header, names: list[str], piece: bytes, *, last: bool) -> pa.Table:
    numbers: dict[str, pa.DataType] = dict.fromkeys((c.gauge for c in header.columns), pa.float64())
    text = dict.fromkeys(names, pa.string())
    # A cell somewhere is no number or no time: slower, and one by one.
    for types in ({TIME_COLUMN: _TIME, **numbers}, {**text, TIME_COLUMN: _TIME}, text):
        try:
            return _read_table(path, names, types, piece, last=last)
        except pa.ArrowInvalid:
            continue
    return _refuse(path)


def _recording(table: pa.Table, path: Path, header: Header, before: int) -> Recording:
    """before : rows in the pieces before"""
    gauges = {}
    for column in header.columns:
        values = _numbers(table.column(column.at), f"{path}, column {column.at + 1}")
        offset = FROM_FILE[column.unit][1](0.0)
        with np.errstate(over="ignore"):  # what is too large for a number is for the analysis to leave out
            gauges[column.gauge] = values * (FROM_FILE[column.unit][1](1.0) - offset) + offset
    return Recording(_times(table.column(header.ts), path, header, before), gauges)


def _read_header(path: Path) -> Header:
    with open_bytes(path) as raw:
        try:
            first = raw.readline(HEADER_BYTES_MAX)
        except (OSError, EOFError) as error:
            raise InputError(f"can't be read ({error})", where=str(path), do="copy the file again") from None
    text = first_line(first, str(path))
    try:
        cells = next(csv.reader([text.rstrip("\r\n")], strict=True))
    except (csv.Error, StopIteration):
        raise InputError("is not CSV", where=f"{path}, line 1", do="export it as CSV") from None
    return parse_header(cells, str(path))


def _read_table(
    path: Path, names: list[str], types: dict[str, pa.DataType], piece: bytes, *, last: bool
) -> pa.Table:
    torn: list[str] = []

    def set_aside(row: Any) -> str:
        torn.append(row.text)
        return "skip"

    try:
        table = pa.csv.read_csv(
            pa.BufferReader(piece),
            # On this thread alone: one of Arrow's could let go of the piece while the interpreter ends, and
            # the process aborts.
            pa.csv.ReadOptions(column_names=names, block_size=2 * _CHUNK, use_threads=False),
            pa.csv.ParseOptions(invalid_row_handler=set_aside),
            pa.csv.ConvertOptions(column_types=types, strings_can_be_null=False),
        )
    except pa.ArrowInvalid as error:
        if "Empty CSV" not in str(error):
            raise
        table = pa.table({name: pa.array([], types[name]) for name in names})
    # Without a line end, the file's last line is one that the logger was stopped in.
    cut_off = last and piece.endswith(b"\n" + torn[0].encode()) if torn else True
    if not cut_off or len(torn) > 1:
        _refuse(path)
    return table


def _refuse(path: Path) -> Any:
    """Raise the edge's own sentence for a file that can't be read: it knows line and column."""
    for _ in read_gauge_file(path, only_numbers=False):
        pass
    raise InputError("is not CSV as the format says", where=str(path), do="export it again")


def _times(column: pa.ChunkedArray, path: Path, header: Header, before: int) -> IntArray:
    """before : rows in the pieces before"""
    if pa.types.is_string(column.type):
        where = f"column {header.ts + 1}"
        cells = column.to_pylist()
        return np.array(
            [
                parse_time(cell or "", f"{path}, row {before + row + 1}, {where}")
                for row, cell in enumerate(cells)
            ],
            dtype=np.int64,
        )
    if column.null_count:
        row = column.is_null().to_pylist().index(True)
        raise InputError(
            "time is empty",
            where=f"{path}, row {before + row + 1}, column {header.ts + 1}",
            do="mend or remove the row",
        )
    times: IntArray = column.cast(pa.timestamp("us")).cast(pa.int64()).to_numpy()
    wrong = np.flatnonzero((times < 0) | (times >= TIME_MAX_US))
    if len(wrong):
        raise InputError(
            "time is not between 1970 and 2200",
            where=f"{path}, row {before + wrong[0] + 1}, column {header.ts + 1}",
            do="set the logger's clock",
        )
    return times


def _numbers(column: pa.ChunkedArray, where: str) -> FloatArray:
    if pa.types.is_string(column.type):
        cells = [cell or "" for cell in column.to_pylist()]
        values = np.array([parse_number(cell) for cell in cells], dtype=np.float64)
        # A comma in a number is a country's way of writing one, and not a gauge that says nothing.
        for row in np.flatnonzero(np.isnan(values)).tolist():
            if "," in cells[row] and parse_number(cells[row].replace(",", "")) is not None:
                raise InputError(
                    f"{cells[row]!r} has a comma in it",
                    where=where,
                    do="export numbers with a decimal point alone",
                )
    else:
        values = column.to_numpy()
    return np.where(np.isfinite(values), values, np.nan)
