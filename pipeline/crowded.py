"""Which small files of a table are worth one? Chosen so that a row is rewritten a few times, not each time.

Of a partition in too many files the small ones are put together until the next is larger than all of them:
files double, so a row is written about as often as they can double, and what a day has gathered by evening is
not read and written again for the last minutes of it.
"""

from collections.abc import Sequence
from itertools import accumulate
from pathlib import Path
from typing import Final, NamedTuple

import pyarrow as pa
import pyarrow.dataset as ds
import pyarrow.parquet as pq
from deltalake import DeltaTable

# A file of so many rows stays as it is: putting it into a larger one would hold landing up for seconds.
ROWS_ENOUGH: Final = 2_000_000
_BATCH_ROWS: Final = 131_072
_IN_ORDER_OF: Final = ("at", "start", "started", "landed_at")

Place = tuple[tuple[str, str | None], ...]  # values of the columns a table is split by


class HeldFile(NamedTuple):
    """A file that a table names. path : below the table's folder; size [bytes]"""

    path: str
    rows: int
    size: int


def crowded_places(
    table: DeltaTable, split: Sequence[str], files_max: int
) -> list[tuple[Place, list[HeldFile]]]:
    """Partitions in more than `files_max` files, each with those of its files to put together."""
    held: dict[Place, list[HeldFile]] = {}
    for part in pa.table(table.get_add_actions(flatten=True)).to_pylist():
        place = tuple((column, _told(part[f"partition.{column}"])) for column in split)
        file = HeldFile(part["path"], int(part["num_records"] or 0), part["size_bytes"])
        held.setdefault(place, []).append(file)
    crowded = ((place, worth_one(files)) for place, files in held.items() if len(files) > files_max)
    return [(place, files) for place, files in crowded if files]


def worth_one(files: Sequence[HeldFile]) -> list[HeldFile]:
    """The smallest files up to the last that is no larger than all before it; none if all are."""
    small = sorted((file for file in files if file.rows < ROWS_ENOUGH), key=lambda file: file.rows)
    before = accumulate((file.rows for file in small), initial=0)
    fits = [n for n, (file, rows) in enumerate(zip(small, before, strict=False)) if n and file.rows <= rows]
    return small[: fits[-1] + 1] if fits else []


def write_merged(files: Sequence[Path], into: Path, schema: pa.Schema) -> None:
    """Write Parquet files as one, batch by batch, one after the other by their first time.

    schema : of the file to write; columns that an older file lacks are null
    """
    order = next((name for name in _IN_ORDER_OF if name in schema.names), None)
    ordered = sorted(files, key=lambda file: _first(file, order)) if order else files
    with pq.ParquetWriter(into, schema, compression="zstd") as writer:
        waiting: list[pa.RecordBatch] = []
        rows = ds.dataset([str(file) for file in ordered], schema=schema).to_batches(
            batch_size=_BATCH_ROWS, batch_readahead=1, fragment_readahead=1
        )
        for batch in rows:
            waiting.append(batch)
            if sum(each.num_rows for each in waiting) >= _BATCH_ROWS:
                writer.write_table(pa.Table.from_batches(waiting, schema))
                waiting = []
        if waiting:
            writer.write_table(pa.Table.from_batches(waiting, schema))


def _first(file: Path, column: str) -> float:
    """When a file begins by a column of times; files without one come first. Unix [s]."""
    told = pq.ParquetFile(file)
    if column not in told.schema_arrow.names or not told.metadata.num_row_groups:
        return float("-inf")
    number = told.schema_arrow.names.index(column)
    statistics = told.metadata.row_group(0).column(number).statistics
    if statistics is None or not statistics.has_min_max:
        return float("-inf")
    return float(statistics.min.timestamp())


def _told(value: object) -> str | None:
    return None if value is None else str(value)
