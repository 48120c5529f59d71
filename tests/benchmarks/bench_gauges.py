"""How long does analysing gauges take, beside reading their file?

Run as `python -m tests.benchmarks.bench_gauges [DAYS] [HZ]`: writes a plain recording to a scratch file,
reads it with pyarrow alone and as `inspect` does, analyses it; prints times, their ratio and peak memory.
"""

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv

from edge.units import PA_PER_PSI
from pipeline.derive.gauges.analyse import analyse
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.settings import GaugeSettings
from pipeline.gaugefile import read_recording
from tests.shop.plain_pump import Plain, play, work

HOUR = [("stalled", 200.0), ("purging", 25.0), ("stalled", 700.0)]


def write_days(path: Path, days: int, hz: float) -> int:
    """A gauge file in psi of so many days. Returns its rows."""
    rows = 0
    with path.open("wb") as file:
        for day in range(days):
            script = [part for hour in range(24) for part in [*work(2600, 24 * day + hour), *HOUR]]
            recording, _ = play(script, Plain(hz=hz, seed=day))
            keep = round(86_400 * hz)
            at_us = recording.at_us[:keep] + day * 86_400_000_000
            columns = {"ts": pa.array(at_us, pa.timestamp("us", tz="UTC"))}
            for gauge, values in recording.gauges.items():
                columns[f"{gauge}_psi"] = pa.array(np.round(values[:keep] / PA_PER_PSI, 1))
            options = pa.csv.WriteOptions(include_header=day == 0, quoting_style="none")
            pa.csv.write_csv(pa.table(columns), file, options)
            rows += len(at_us)
    return rows


def timed(what: str, action: Callable[[], object]) -> tuple[float, object]:
    began = time.perf_counter()
    result = action()
    seconds = time.perf_counter() - began
    print(f"{what:44s} {seconds:7.2f} s")
    return seconds, result


def main(days: int = 1, hz: float = 20.0) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "gauges.csv"
        rows = write_days(path, days, hz)
        print(f"{days} day(s) at {hz:g} Hz: {rows} rows, {path.stat().st_size / 1e6:.0f} MB")
        bare, _ = timed("pyarrow reads the CSV", lambda: pa.csv.read_csv(path))
        timed("inspect reads the file", lambda: read_recording(path))
        recording = read_recording(path)
        assert isinstance(recording, Recording)
        analysed, _ = timed("analysed", lambda: analyse(recording, GaugeSettings()))
    print(f"analysing over reading with pyarrow alone: {analysed / bare:.2f}")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main(*(kind(text) for kind, text in zip((int, float), sys.argv[1:], strict=False)))
