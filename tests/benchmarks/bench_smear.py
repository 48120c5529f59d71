"""How long from a 12 MP photograph's file to its verdict, against decoding that JPEG at full size?

Run as `python -m tests.benchmarks.bench_smear`; one core, medians. Target: at most 3 times.
"""

import io
import statistics
import time

import cv2
import numpy as np
from PIL import Image

from pipeline.photos import score_bytes
from tests.shop.fields import photograph, sine


def photo_12mp(page: str | None) -> bytes:
    """A 4000 x 3000 photograph with the grain of a phone's sensor."""
    rgb = photograph(sine(0.2, 8.0), page=page, px_per_mm=12.0, turn_deg=3.0, noise=0.02)
    data = io.BytesIO()
    Image.fromarray(cv2.resize(rgb, (4000, 3000))).save(data, "JPEG", quality=92)
    return data.getvalue()


def median_s(work, times: int = 9) -> float:
    """Median duration [s], after one run that warms up."""
    work()
    spent = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        spent.append(time.perf_counter() - start)
    return statistics.median(spent)


def main() -> None:
    cv2.setNumThreads(1)
    for page in ("a4", None):
        data = photo_12mp(page)
        decode = median_s(lambda d=data: cv2.imdecode(np.frombuffer(d, np.uint8), cv2.IMREAD_COLOR))
        verdict = median_s(lambda d=data: score_bytes(d))
        print(
            f"{'sheet' if page else 'plain paper':12} {len(data) / 1e6:.1f} MB"
            f"  full decode {decode * 1e3:.0f} ms  file to verdict {verdict * 1e3:.0f} ms"
            f"  ratio {verdict / decode:.1f}"
        )


if __name__ == "__main__":
    main()
