"""How is a query's answer printed? As a table to look at, or as CSV, JSON or Parquet to go on with."""

import csv
import io
import json
from datetime import date, datetime
from typing import Any, BinaryIO, Final

import pyarrow as pa
import pyarrow.parquet as pq
from rich.console import Console
from rich.table import Table

from edge.errors import CallError

FORMATS: Final = ("table", "csv", "json", "parquet")
ROWS_SHOWN: Final = 200


def write_answer(answer: pa.Table, form: str, out: BinaryIO, to_terminal: bool) -> None:
    """Write the rows of an answer to a binary stream. Raises CallError for an unknown format.

    to_terminal : whether a person looks at `out`; Parquet is not for a person
    """
    try:
        _write_as(answer, form, out, to_terminal)
    except (OverflowError, ValueError, pa.ArrowException) as error:
        # DuckDB knows of times and types that Python or Parquet has no value for.
        said = next(iter(str(error).splitlines()), type(error).__name__).rstrip(".")
        raise CallError(
            f"the answer can't be written as {form} ({said})", where="SQL", do="cast that column to VARCHAR"
        ) from None


def _write_as(answer: pa.Table, form: str, out: BinaryIO, to_terminal: bool) -> None:
    match form:
        case "table":
            out.write(_table(answer).encode())
        case "csv":
            out.write(_csv(answer).encode())
        case "json":
            out.write(_json(answer).encode())
        case "parquet" if to_terminal:
            raise CallError("Parquet is not for a terminal", where="--format", do="send it to a file with >")
        case "parquet":
            sink = pa.BufferOutputStream()
            pq.write_table(answer, sink, compression="zstd")
            out.write(sink.getvalue())
        case _:
            raise CallError(f"no format {form!r}", where="--format", do=f"take one of {', '.join(FORMATS)}")


def _table(answer: pa.Table) -> str:
    table = Table(box=None, pad_edge=False)
    for field in answer.schema:
        number = pa.types.is_integer(field.type) or pa.types.is_floating(field.type)
        table.add_column(field.name, justify="right" if number else "left", overflow="fold")
    for row in answer.slice(0, ROWS_SHOWN).to_pylist(maps_as_pydicts="lossy"):
        table.add_row(*(_shown(value) for value in row.values()))
    sheet = io.StringIO()
    # Wide answers scroll; folding every cell to a sliver helps nobody.
    console = Console(file=sheet, width=max(80, 24 * answer.num_columns), no_color=True, markup=False)
    console.print(table)
    text = "\n".join(line.rstrip() for line in sheet.getvalue().splitlines()) + "\n"
    if answer.num_rows > ROWS_SHOWN:
        text += f"… {answer.num_rows - ROWS_SHOWN} rows more; --format csv gives all.\n"
    return text


def _csv(answer: pa.Table) -> str:
    sheet = io.StringIO(newline="")
    writer = csv.writer(sheet, lineterminator="\n")
    writer.writerow(answer.column_names)
    for batch in answer.to_batches():
        for row in zip(*(column.to_pylist() for column in batch.columns), strict=True):
            writer.writerow([json.dumps(v) if isinstance(v, list) else _plain(v) for v in row])
    return sheet.getvalue()


def _json(answer: pa.Table) -> str:
    """An array, a row a line."""
    names = answer.column_names
    lines = [
        json.dumps(dict(zip(names, map(_plain, row), strict=True)), ensure_ascii=False, default=str)
        for batch in answer.to_batches()
        for row in zip(*(column.to_pylist() for column in batch.columns), strict=True)
    ]
    return "[" + ",\n ".join(lines) + "]\n"


def _shown(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d %H:%M:%S}Z" if value.tzinfo else value.isoformat(sep=" ")
    if isinstance(value, list):
        return "; ".join(map(_shown, value))
    return str(value)


def _plain(value: Any) -> Any:
    """A value as JSON and CSV carry it: times ISO 8601 in UTC, what is no number as null."""
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and (value != value or value in (float("inf"), float("-inf"))):
        return None
    return value
