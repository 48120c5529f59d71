"""How long does analysing gauges take, beside reading their file, and what does following a pump cost?

Run as `python -m tests.benchmarks.bench_gauges [DAYS] [HZ]`: writes a plain recording to a scratch file,
reads it with pyarrow alone on one thread, reads and analyses it in pieces as `inspect` does; then follows a
pump for the last minutes of a day, pack by pack, with an answer each second. Prints CPU times and memory.
"""

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.csv

from edge.units import PA_PER_PSI
from pipeline.derive.gauges.analyse import Analyser
from pipeline.derive.gauges.live import Live
from pipeline.derive.gauges.settings import GaugeSettings
from pipeline.gaugefile import read_pieces
from tests.shop.plain_pump import Plain, play, work

Out = TypeVar("Out")
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


def cpu(what: str, action: Callable[[], Out]) -> tuple[float, Out]:
    began = time.process_time()
    result = action()
    seconds = time.process_time() - began
    print(f"{what:44s} {seconds:7.2f} s CPU")
    return seconds, result


def read_bare(path: Path) -> int:
    return int(pa.csv.read_csv(path, pa.csv.ReadOptions(use_threads=False)).num_rows)


def in_pieces(path: Path) -> float:
    """CPU seconds of the analysis alone, while the file is read in pieces."""
    analyser, seconds = Analyser(GaugeSettings()), 0.0
    for piece in read_pieces(path):
        began = time.process_time()
        analyser.feed(piece)
        seconds += time.process_time() - began
    began = time.process_time()
    analyser.findings()
    return seconds + time.process_time() - began


def follow(path: Path, hz: float) -> None:
    """The last eight minutes of a first day, for by then there is most to look at."""
    rows = next(read_pieces(path, 1 << 30))
    day = rows.part(0, min(len(rows.at_us), round(86_400 * hz)))
    pack, last = round(hz), len(day.at_us)
    first = max(0, last - round(480 * hz))
    live = Live(GaugeSettings())
    live.feed(day.part(0, first))
    seconds = (last - first) // pack
    began = time.process_time()
    for second in range(seconds):
        live.feed(day.part(first + second * pack, first + (second + 1) * pack))
        live.now()
    share = (time.process_time() - began) / seconds
    print(f"following the last {seconds} s of a day, an answer a second: {share:.2%} of a core")


def main(days: int = 1, hz: float = 20.0) -> None:
    pa.set_cpu_count(1)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "gauges.csv"
        rows = write_days(path, days, hz)
        print(f"{days} day(s) at {hz:g} Hz: {rows} rows, {path.stat().st_size / 1e6:.0f} MB")
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        whole, analysed = cpu("read in pieces and analysed", lambda: in_pieces(path))
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        bare, _ = cpu("pyarrow reads the CSV, one thread", lambda: read_bare(path))
        print(f"{'of it the analysis':44s} {analysed:7.2f} s CPU")
        print(f"analysis over pyarrow alone {analysed / bare:.2f}, all over pyarrow alone {whole / bare:.2f}")
        print(f"peak memory {peak / 1024:.0f} MB, {before / 1024:.0f} MB of it before the file was opened")
        follow(path, hz)


if __name__ == "__main__":
    main(*(kind(text) for kind, text in zip((int, float), sys.argv[1:], strict=False)))
