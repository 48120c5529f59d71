"""What does the logger write? Rows of gauges and their export as a gauge file, the same bytes each time."""

import gzip
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from edge.units import PA_PER_PSI, PASCALS

DECIMALS = {"psi": 1, "bar": 3, "kPa": 1, "MPa": 4, "Pa": 0}


@dataclass
class Recording:
    """at_us : (N,) Unix time [us], as the logger stamped it; psi : (N,) by gauge, NaN where missing."""

    at_us: NDArray[np.int64]
    psi: dict[str, NDArray[np.float64]]

    def between(self, first_us: int, last_us: int) -> "Recording":
        """The rows from first_us up to, not with, last_us."""
        rows = (self.at_us >= first_us) & (self.at_us < last_us)
        return Recording(self.at_us[rows], {gauge: values[rows] for gauge, values in self.psi.items()})


def gauge_csv(recording: Recording, unit: Literal["psi", "bar", "kPa", "MPa", "Pa"] = "psi") -> bytes:
    """A logger's export.

    Header `ts,<gauge>_<unit>`; times in ISO 8601, UTC, to the millisecond; a cell is empty where missing.
    """
    stamps = np.datetime_as_string(
        recording.at_us.astype("datetime64[us]").astype("datetime64[ms]"), unit="ms"
    )
    columns = [
        _cells(values * (PA_PER_PSI / PASCALS[unit]), DECIMALS[unit]) for values in recording.psi.values()
    ]
    header = "ts," + ",".join(f"{gauge}_{unit}" for gauge in recording.psi)
    rows = (f"{stamp}Z,{','.join(cells)}" for stamp, *cells in zip(stamps, *columns, strict=True))
    return "\n".join((header, *rows, "")).encode()


def _cells(values: NDArray[np.float64], decimals: int) -> list[str]:
    texts = [f"{value:.{decimals}f}" for value in np.nan_to_num(values).tolist()]
    if decimals and np.all(np.nan_to_num(values) == np.round(np.nan_to_num(values))):
        texts = [str(round(value)) for value in np.nan_to_num(values).tolist()]
    return [text if known else "" for text, known in zip(texts, np.isfinite(values).tolist(), strict=True)]


def write_gauge_file(path: Path, recording: Recording, unit: str = "psi") -> None:
    """Write it as CSV; gzipped, without a time of its own, where the name ends in .gz."""
    data = gauge_csv(recording, unit)  # type: ignore[arg-type]
    if path.suffix != ".gz":
        path.write_bytes(data)
        return
    with path.open("wb") as raw, gzip.GzipFile("", "wb", 9, raw, mtime=0) as file:
        file.write(data)
