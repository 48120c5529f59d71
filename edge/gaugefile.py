"""What does a logger's gauge file say? Rows of a CSV export, its header checked, every value in SI.

The header is `ts` and `<gauge>_<unit>`; `ts` is ISO 8601 with `Z` or an offset; an empty cell is a missing
sample. Rows are given in the file's own order: a duplicate or a clock set back is for the analysis to find.
"""

import csv
import gzip
import zlib
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from io import TextIOWrapper
from math import isfinite
from pathlib import Path
from typing import BinaryIO, Final, NamedTuple, cast

from edge.errors import InputError
from edge.units import FROM_FILE
from edge.words import GAUGE_UNIT, Gauge

TIME_COLUMN: Final = "ts"
# Beyond this a time is a clock gone wrong, and dates no longer fit everywhere: 2200-01-01.
TIME_MAX_US: Final = 7_258_118_400_000_000
GZIP_MAGIC: Final = b"\x1f\x8b"
HEADER_BYTES_MAX: Final = 64 * 1024
# A spreadsheet or another archive, and Parquet.
BINARY_MAGIC: Final = (b"PK\x03\x04", b"PAR1")
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)
_GAUGES: Final = ", ".join(Gauge)


class Column(NamedTuple):
    """One gauge's column. at : its place in a row, from 0; unit : the file's, a key of FROM_FILE."""

    at: int
    gauge: Gauge
    unit: str


class Header(NamedTuple):
    """Which column is which. ts : place of the time in a row, from 0; width : cells in a row."""

    ts: int
    columns: tuple[Column, ...]
    width: int


class Row(NamedTuple):
    """One row. at_us : microseconds since 1970 in UTC; values in SI (Pa, Cel, %RH), None where missing."""

    at_us: int
    values: dict[Gauge, float | None]


def parse_header(cells: Sequence[str], file: str) -> Header:
    """Which column is which.

    cells : the first line's; file : its name, for the sentence when something is wrong
    Raises InputError if `ts` is missing, a gauge or unit is unknown, or a column comes twice.
    """
    where = f"{file}, line 1"
    names = [cell.strip() for cell in cells]
    if len(names) == 1 and (";" in names[0] or "\t" in names[0]):
        raise InputError("cells are not parted by commas", where=where, do="export it as CSV with commas")
    if TIME_COLUMN not in names:
        raise InputError(
            f"no column '{TIME_COLUMN}' in header {_shown(','.join(names))}",
            where=where,
            do=f"name the column of times '{TIME_COLUMN}'",
        )
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"column {_shown(name)} comes twice", where=where, do="keep one of them")
    columns = tuple(_parse_column(name, at, where) for at, name in enumerate(names) if name != TIME_COLUMN)
    if not columns:
        raise InputError("no gauge in the header", where=where, do="add columns such as base_psi")
    seen: dict[Gauge, int] = {}
    for column in columns:
        if column.gauge in seen:
            raise InputError(
                f"gauge {column.gauge} comes twice, in columns {seen[column.gauge] + 1} and {column.at + 1}",
                where=where,
                do="keep one of them",
            )
        seen[column.gauge] = column.at
    return Header(names.index(TIME_COLUMN), columns, len(names))


def _parse_column(name: str, at: int, where: str) -> Column:
    where = f"{where}, column {at + 1}"
    gauge, _, unit = name.rpartition("_")
    if name in set(Gauge):
        raise InputError(f"no unit in column {_shown(name)}", where=where, do=f"name it {_example(name)}")
    if gauge not in set(Gauge):
        raise InputError(
            f"unknown gauge in column {_shown(name)}",
            where=where,
            do=f"name it <gauge>_<unit>, the gauge one of {_GAUGES}, or take the column out",
        )
    if unit not in FROM_FILE:
        raise InputError(
            f"unknown unit {_shown(unit)} in column {_shown(name)}",
            where=where,
            do=f"use one of {', '.join(_units_of(Gauge(gauge)))}",
        )
    if unit not in _units_of(Gauge(gauge)):
        raise InputError(
            f"gauge {gauge} can't be in {unit}",
            where=where,
            do=f"use one of {', '.join(_units_of(Gauge(gauge)))}",
        )
    return Column(at, Gauge(gauge), unit)


def _units_of(gauge: Gauge) -> list[str]:
    return [unit for unit, (si, _) in FROM_FILE.items() if si == GAUGE_UNIT[gauge]]


def _example(gauge: str) -> str:
    return " or ".join(f"{gauge}_{unit}" for unit in _units_of(Gauge(gauge))[:2])


def _shown(text: str) -> str:
    """A cell as a sentence can carry it: short, on one line."""
    return repr(text if len(text) <= 60 else text[:57] + "...")


def parse_time(cell: str, where: str) -> int:
    """Microseconds since 1970 in UTC of an ISO 8601 time.

    Raises InputError if it is no time, or has no offset: local time without one is told twice each autumn.
    """
    try:
        # RFC 3339 allows a small z.
        moment = datetime.fromisoformat(cell.strip().replace("z", "Z"))
    except ValueError:
        raise InputError(
            f"{_shown(cell)} is not a time", where=where, do="write times as 2026-10-14T06:00:00.1Z"
        ) from None
    if moment.tzinfo is None:
        raise InputError(
            f"time {_shown(cell)} has no offset", where=where, do="add Z for UTC, or an offset such as -05:00"
        )
    at_us = (moment - _EPOCH) // _MICROSECOND
    if not 0 <= at_us < TIME_MAX_US:
        raise InputError(
            f"time {_shown(cell)} is not between 1970 and 2200", where=where, do="set the logger's clock"
        )
    return at_us


def open_bytes(path: Path) -> BinaryIO:
    """The file's bytes, unpacked if it is gzipped (told by its first bytes).

    Raises InputError if it can't be opened, is no plain file, or is named .gz and is none.
    """
    try:
        # A pipe would wait for its writer for ever, and what is read twice must be there twice.
        if path.exists() and not (path.is_file() or path.is_dir()):
            raise InputError("is a pipe or a device", where=str(path), do="write it to a file first")
        packed = path.open("rb")
    except OSError as error:
        raise InputError(
            f"can't be read ({error.strerror})", where=str(path), do="check the name and the permissions"
        ) from None
    try:
        magic = packed.read(2)
        packed.seek(0)
    except OSError as error:
        packed.close()
        raise InputError(f"can't be read ({error.strerror})", where=str(path), do="check the file") from None
    if magic == GZIP_MAGIC:
        return cast(BinaryIO, gzip.GzipFile(fileobj=packed))
    if path.suffix == ".gz":
        packed.close()
        raise InputError("is not gzip", where=str(path), do="gzip it, or take .gz off its name")
    return packed


def read_gauge_file(path: Path, *, only_numbers: bool = True) -> Iterator[Row]:
    """Rows of a gauge file, in the file's order.

    only_numbers : refuse a cell that is no number; else it is a missing sample
    A last line that the logger did not finish is left out.
    Raises InputError, naming line and column, on the first thing that is not as the format says.
    """
    file = str(path)
    line = 1
    last = "\n"

    def remembered(lines: Iterable[str]) -> Iterator[str]:
        nonlocal last
        for read in lines:
            last = read
            yield read

    with open_bytes(path) as raw, TextIOWrapper(raw, encoding="utf-8-sig", newline="") as text:
        reader = csv.reader(remembered(text), strict=True)
        try:
            first_line(raw.readline(HEADER_BYTES_MAX), file)
            raw.seek(0)
            header = parse_header(next(reader), file)
            for cells in reader:
                line = reader.line_num
                if len(cells) < header.width and not last.endswith(("\n", "\r")):
                    return
                if cells:
                    yield parse_row(cells, header, f"{file}, line {line}", only_numbers)
        except UnicodeDecodeError:
            raise InputError(
                "is not UTF-8 text", where=f"{file}, after line {line}", do="export it as UTF-8 CSV"
            ) from None
        except csv.Error as error:
            raise InputError(
                f"is not CSV ({error})", where=f"{file}, line {reader.line_num}", do="mend or export it again"
            ) from None
        except (EOFError, zlib.error, gzip.BadGzipFile):
            raise InputError(
                "gzip data is broken or ends early",
                where=f"{file}, after line {line}",
                do="copy the file again",
            ) from None


def parse_row(cells: list[str], header: Header, where: str, only_numbers: bool = True) -> Row:
    """The row in a line's cells. Raises InputError if they are not as the header says."""
    if len(cells) != header.width:
        raise InputError(
            f"{len(cells)} cells where the header has {header.width}",
            where=where,
            do="mend or remove the line",
        )
    at_us = parse_time(cells[header.ts], f"{where}, column {header.ts + 1}")
    values: dict[Gauge, float | None] = {}
    for column in header.columns:
        cell = cells[column.at].strip()
        value = parse_number(cell)
        values[column.gauge] = None if value is None else FROM_FILE[column.unit][1](value)
        if value is None and cell and only_numbers:
            raise InputError(
                f"{_shown(cell)} is not a number",
                where=f"{where}, column {column.at + 1}",
                do="leave the cell empty where there is no reading",
            )
    return Row(at_us, values)


def first_line(text: bytes, file: str) -> str:
    """The header's line as text. text : the file's first bytes, up to a line end; file : its name

    Raises InputError if there is none, or the file is another kind than CSV.
    """
    where = f"{file}, line 1"
    if not text:
        raise InputError("is empty", where=file, do="give a file with a header and rows")
    if not text.strip():
        raise InputError("is blank where the header should be", where=where, do="take the line out")
    try:
        if b"\0" in text or text.startswith(BINARY_MAGIC):
            raise ValueError
        return text.decode("utf-8-sig")
    except ValueError:
        raise InputError(
            "is not UTF-8 text", where=where, do="export it as CSV in UTF-8, not as a spreadsheet or archive"
        ) from None


def parse_number(cell: str) -> float | None:
    """A finite number, else None: what a logger writes for a dead channel (NaN, inf, ERR) is no reading."""
    try:
        value = float(cell)
    except ValueError:
        return None
    return value if isfinite(value) else None
