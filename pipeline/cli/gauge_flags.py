"""Where do the flags of single samples go? A table for who takes the pressures elsewhere, CSV or Parquet."""

from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final
from uuid import uuid4

import numpy as np
import pyarrow as pa
import pyarrow.compute
import pyarrow.csv
import pyarrow.parquet

from edge.errors import CallError
from edge.files import make_durable
from pipeline.derive.gauges.flags import TESTS, SampleFlags, sample_flags
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.results import GaugeAnalysis
from pipeline.derive.gauges.settings import GaugeSettings

KINDS: Final = {".csv", ".parquet"}
_WORDS: Final = pa.dictionary(pa.int8(), pa.string())
SCHEMA: Final = pa.schema(
    [
        pa.field("ts", pa.timestamp("us", tz="UTC"), nullable=False),
        pa.field("gauge", _WORDS, nullable=False),
        pa.field("flag", pa.uint8(), nullable=False),
        pa.field("test", _WORDS),
    ]
)
_TEST_WORDS: Final = pa.array([test.value for test in TESTS])


def check_flags(out: Path, gauges: Path) -> None:
    """Raises CallError if the flags of a gauge file can't be written under this name."""
    if out.suffix.lower() not in KINDS:
        raise CallError(
            f"{out.name!r} is neither .csv nor .parquet", where="--flags", do="name it .csv or .parquet"
        )
    if out.resolve() == gauges.resolve():
        raise CallError("is the recording itself", where="--flags", do="give the flags a name of their own")
    if not out.absolute().parent.is_dir():
        raise CallError(f"there is no folder {str(out.parent)!r}", where="--flags", do="make it first")


def write_flags(
    out: Path, pieces: Iterable[Recording], analysis: GaugeAnalysis, settings: GaugeSettings
) -> int:
    """A row a sample and pressure gauge, in the order of the recording's rows. Returns how many.

    pieces : the recording again, as it was analysed
    The file is there whole or not at all.
    """
    part = out.with_name(f".{out.name}.{uuid4().hex}.part")
    parquet = out.suffix.lower() == ".parquet"
    written = 0
    before_us: int | None = None
    try:
        with _writer(part, parquet=parquet) as writer:
            for rows in pieces:
                if not len(rows.at_us):
                    continue
                flagged = sample_flags(rows, analysis.sensor_faults, settings.no_data_min_s, before_us)
                before_us = int(rows.at_us[-1])
                if flagged:
                    table = _table(rows, flagged)
                    writer.write_table(table if parquet else _as_text(table))
                    written += len(table)
        make_durable([part])
        part.replace(out)
    finally:
        part.unlink(missing_ok=True)
    make_durable([out.absolute().parent])
    return written


def _writer(path: Path, *, parquet: bool) -> Any:
    if parquet:
        return pyarrow.parquet.ParquetWriter(path, SCHEMA, compression="zstd")
    schema = SCHEMA.set(0, pa.field("ts", pa.string(), nullable=False))
    # No word here holds a comma: plain cells are what gauge files have.
    plain = pyarrow.csv.WriteOptions(quoting_style="none", quoting_header="none")
    return pyarrow.csv.CSVWriter(path, schema, write_options=plain)


def _as_text(table: pa.Table) -> pa.Table:
    """Times as ISO 8601, as gauge files have them."""
    return table.set_column(0, "ts", pyarrow.compute.strftime(table["ts"], "%Y-%m-%dT%H:%M:%SZ"))


def _table(rows: Recording, flagged: dict[Any, SampleFlags]) -> pa.Table:
    """Row by row, and within a row gauge by gauge."""
    many = len(flagged)
    tests = np.stack([one.tests for one in flagged.values()], axis=1).ravel()
    gauges = np.tile(np.arange(many, dtype=np.int8), len(rows.at_us))
    return pa.table(
        [
            pa.array(np.repeat(rows.at_us, many), SCHEMA.field("ts").type),
            pa.DictionaryArray.from_arrays(pa.array(gauges), pa.array([gauge.value for gauge in flagged])),
            pa.array(np.stack([one.flags for one in flagged.values()], axis=1).ravel()),
            pa.DictionaryArray.from_arrays(pa.array(tests.astype(np.int8) - 1, mask=tests == 0), _TEST_WORDS),
        ],
        schema=SCHEMA,
    )
