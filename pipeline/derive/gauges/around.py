"""What is the highest, the lowest, the usual value around each one? Over long arrays, in few passes.

The widest part of an analysis: passes over whole arrays in NumPy's vector loops take a tenth of the time of
the filters of scipy.ndimage, whose import alone takes longer than a short recording's analysis.
"""

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.derive.gauges.recording import FloatArray

Values = npt.NDArray[Any]


def highest_around(values: Values, width: int) -> Values:
    """Highest of the `width` values around each, fewer at the ends.

    values : (N,), numbers or True and False, no NaN; of an even width one more lies before than after
    """
    return _extreme(values, width, np.maximum, -np.inf)


def lowest_around(values: Values, width: int) -> Values:
    """Lowest of the `width` values around each, as highest_around."""
    return _extreme(values, width, np.minimum, np.inf)


def _extreme(values: Values, width: int, take: Callable[..., Values], never: float) -> Values:
    if width <= 1 or not len(values):
        return values
    if values.dtype == np.bool_:
        end: Any = never > 0
    else:
        end = never
    before = width // 2
    found = np.full(len(values) + width - 1, end, dtype=values.dtype)
    found[before : before + len(values)] = values
    # Of spans twice as long each time; what is left of the width, by two spans that overlap.
    span = 1
    while span < width:
        further = min(span, width - span)
        found = take(found[:-further], found[further:])
        span += further
    return found


def median_around(values: FloatArray, width: int) -> FloatArray:
    """Median of the `width` values around each, the first and the last repeated beyond the ends.

    values : (N,), few, no NaN; width : odd
    """
    if not len(values):
        return values
    beside = np.pad(values, width // 2, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(beside, width)
    middle: FloatArray = np.partition(windows, width // 2, axis=1)[:, width // 2]
    return middle
