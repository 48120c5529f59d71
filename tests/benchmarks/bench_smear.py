"""How long from a 12 MP photograph's file to its verdict, against decoding that JPEG at full size?

Run as `OMP_NUM_THREADS=1 python -m tests.benchmarks.bench_smear`; medians of one core's processor time, so
that a machine's other work does not count. Target: at most 3 times. Then what a batch gains from all cores.
"""

import io
import os
import statistics
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np
from PIL import Image

from pipeline.batch import score_files
from pipeline.derive.smear.results import SmearScore
from pipeline.photos import score_bytes
from tests.shop.fields import photograph, sine


def photo_12mp(page: str | None) -> bytes:
    """A 4000 x 3000 photograph with the grain of a phone's sensor."""
    rgb = photograph(sine(0.2, 8.0), page=page, px_per_mm=12.0, turn_deg=3.0, noise=0.02)
    data = io.BytesIO()
    Image.fromarray(cv2.resize(rgb, (4000, 3000))).save(data, "JPEG", quality=92)
    return data.getvalue()


def median_s(work, times: int = 9) -> float:
    """Median processor time [s], after one run that warms up."""
    work()
    spent = []
    for _ in range(times):
        start = time.process_time()
        work()
        spent.append(time.process_time() - start)
    return statistics.median(spent)


def batch_s(files: list[Path], *, workers: bool) -> float:
    """Wall-clock time of a batch [s], the workers' start included."""
    start = time.perf_counter()
    assert all(isinstance(result, SmearScore) for _, result in score_files(files, workers=workers))
    return time.perf_counter() - start


def main() -> None:
    cv2.setNumThreads(1)
    with TemporaryDirectory() as folder:
        file = Path(folder) / "photo.jpg"
        for page in ("a4", None):
            data = photo_12mp(page)
            decode = median_s(lambda d=data: cv2.imdecode(np.frombuffer(d, np.uint8), cv2.IMREAD_COLOR))
            verdict = median_s(lambda d=data: score_bytes(d))
            print(
                f"{'sheet' if page else 'plain paper':12} {len(data) / 1e6:.1f} MB"
                f"  full decode {decode * 1e3:.0f} ms  file to verdict {verdict * 1e3:.0f} ms"
                f"  ratio {verdict / decode:.1f}"
            )
            file.write_bytes(data)
        files = [file] * 40
        alone, together = batch_s(files, workers=False), batch_s(files, workers=True)
        cores = len(os.sched_getaffinity(0))
        print(f"batch of {len(files)}  one process {alone:.1f} s  {cores} cores {together:.1f} s")


if __name__ == "__main__":
    main()
