"""How is a whole gauge file read at once? Into arrays, by the header rules of the edge.

A cell that is no number is a missing sample here, for the analysis to report. A line that the logger did not
finish at the file's very end is left out. Anything else that breaks the format is refused as by the edge.
"""

import csv
from collections import deque
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv

from edge.errors import InputError
from edge.gaugefile import (
    TIME_COLUMN,
    TIME_MAX_US,
    Header,
    open_bytes,
    parse_header,
    parse_number,
    parse_time,
    read_gauge_file,
)
from edge.units import FROM_FILE
from pipeline.derive.gauges.recording import FloatArray, IntArray, Recording

_TIME = pa.timestamp("us", tz="UTC")
_HEADER_BYTES_MAX = 64 * 1024
_CHUNK = 1 << 20


def read_recording(path: Path) -> Recording:
    """The recording in a gauge file (CSV, also gzipped).

    Raises InputError if the header is not as the format says or the file can't be read as CSV.
    """
    header = _read_header(path)
    names = [""] * header.width
    names[header.ts] = TIME_COLUMN
    for column in header.columns:
        names[column.at] = column.gauge
    numbers: dict[str, pa.DataType] = dict.fromkeys((c.gauge for c in header.columns), pa.float64())
    try:
        table = _read_table(path, names, {TIME_COLUMN: _TIME, **numbers})
    except pa.ArrowInvalid:
        # A cell somewhere is no number or no time: slower, and one by one.
        table = _read_table_as_text(path, names)
    at_us = _times(table.column(header.ts), path, header)
    gauges = {}
    for column in header.columns:
        values = _numbers(table.column(column.at))
        offset = FROM_FILE[column.unit][1](0.0)
        gauges[column.gauge] = values * (FROM_FILE[column.unit][1](1.0) - offset) + offset
    return Recording(at_us, gauges)


def _read_header(path: Path) -> Header:
    with open_bytes(path) as raw:
        try:
            first = raw.readline(_HEADER_BYTES_MAX)
        except (OSError, EOFError) as error:
            raise InputError(f"can't be read ({error})", where=str(path), do="copy the file again") from None
    if not first.strip():
        raise InputError("is empty", where=str(path), do="give a file with a header and rows")
    try:
        text = first.decode("utf-8-sig")
        cells = next(csv.reader([text.rstrip("\r\n")], strict=True))
    except (UnicodeDecodeError, csv.Error, StopIteration):
        raise InputError("is not UTF-8 CSV text", where=f"{path}, line 1", do="export it as CSV") from None
    return parse_header(cells, str(path))


def _read_table(path: Path, names: list[str], types: dict[str, pa.DataType]) -> pa.Table:
    torn: list[str] = []

    def set_aside(row: Any) -> str:
        torn.append(row.text)
        return "skip"

    with open_bytes(path) as raw:
        try:
            table = pa.csv.read_csv(
                raw,
                pa.csv.ReadOptions(column_names=names, skip_rows=1, block_size=8 * _CHUNK),
                pa.csv.ParseOptions(invalid_row_handler=set_aside),
                pa.csv.ConvertOptions(column_types=types, strings_can_be_null=False),
            )
        except pa.ArrowInvalid as error:
            if "Empty CSV" not in str(error):
                raise
            table = pa.table({name: pa.array([], types[name]) for name in names})
        except (OSError, EOFError) as error:
            raise InputError(f"can't be read ({error})", where=str(path), do="copy the file again") from None
    if torn and not (len(torn) == 1 and _ends_with(path, torn[0])):
        _refuse(path)
    return table


def _ends_with(path: Path, line: str) -> bool:
    """Whether `line` is the file's last and has no line end: the logger was stopped as it wrote."""
    with open_bytes(path) as raw:
        tail = b"".join(deque(iter(lambda: raw.read(_CHUNK), b""), maxlen=2))
    return tail.endswith(b"\n" + line.encode())


def _read_table_as_text(path: Path, names: list[str]) -> pa.Table:
    text = dict.fromkeys(names, pa.string())
    try:
        return _read_table(path, names, {**text, TIME_COLUMN: _TIME})
    except pa.ArrowInvalid:
        try:
            return _read_table(path, names, text)
        except pa.ArrowInvalid:
            return _refuse(path)


def _refuse(path: Path) -> Any:
    """Raise the edge's own sentence for a file that can't be read: it knows line and column."""
    for _ in read_gauge_file(path, only_numbers=False):
        pass
    raise InputError("is not CSV as the format says", where=str(path), do="export it again")


def _times(column: pa.ChunkedArray, path: Path, header: Header) -> IntArray:
    if pa.types.is_string(column.type):
        where = f"column {header.ts + 1}"
        cells = column.to_pylist()
        return np.array(
            [parse_time(cell or "", f"{path}, row {row + 1}, {where}") for row, cell in enumerate(cells)],
            dtype=np.int64,
        )
    if column.null_count:
        row = column.is_null().to_pylist().index(True)
        raise InputError(
            "time is empty",
            where=f"{path}, row {row + 1}, column {header.ts + 1}",
            do="mend or remove the row",
        )
    times: IntArray = column.cast(pa.timestamp("us")).cast(pa.int64()).to_numpy()
    wrong = np.flatnonzero((times < 0) | (times >= TIME_MAX_US))
    if len(wrong):
        raise InputError(
            "time is not between 1970 and 2200",
            where=f"{path}, row {wrong[0] + 1}, column {header.ts + 1}",
            do="set the logger's clock",
        )
    return times


def _numbers(column: pa.ChunkedArray) -> FloatArray:
    if pa.types.is_string(column.type):
        values = np.array([parse_number(cell or "") for cell in column.to_pylist()], dtype=np.float64)
    else:
        values = column.to_numpy()
    return np.where(np.isfinite(values), values, np.nan)
