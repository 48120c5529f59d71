"""What is the highest, the lowest, the usual value around each one, and what lies between? In few passes.

The widest part of an analysis: passes over whole arrays in NumPy's vector loops take a tenth of the time of
the filters of scipy.ndimage, whose import alone takes longer than a short recording's analysis.
"""

from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray

Values = npt.NDArray[Any]
# So many at a time stay in the processor's cache.
_BLOCK: Final = 16_384


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
    end: Any = never > 0 if values.dtype == np.bool_ else never
    before, count = width // 2, len(values)
    extreme = np.empty_like(values)
    for first in range(0, count, _BLOCK):
        last = min(first + _BLOCK, count)
        low, high = first - before, last + width - 1 - before
        found = values[max(0, low) : high]
        if low < 0 or high > count:
            ends = [np.full(max(0, beyond), end, dtype=values.dtype) for beyond in (-low, high - count)]
            found = np.concatenate((ends[0], found, ends[1]))
        # Of spans twice as long each time; what is left of the width, by two spans that overlap.
        span = 1
        while span < width:
            further = min(span, width - span)
            found = take(found[:-further], found[further:])
            span += further
        extreme[first:last] = found
    return extreme


def in_blocks(work: Callable[..., Sequence[Values]], *arrays: Values) -> list[Values]:
    """What `work` gives for the arrays, a part of them at a time: each value by those at its own place alone.

    work : takes as many arrays as there are, and gives arrays of their length; arrays : each (N,)
    """
    count = len(arrays[0])
    found = work(*(array[:_BLOCK] for array in arrays))
    whole = [np.empty(count, dtype=part.dtype) for part in found]
    for first in range(0, count, _BLOCK):
        here = slice(first, first + _BLOCK)
        for array, part in zip(whole, work(*(array[here] for array in arrays)), strict=True):
            array[here] = part
    return whole


def steps_where(judge: Callable[[FloatArray], BoolArray], values: FloatArray, apart: int = 1) -> BoolArray:
    """(N - apart,) what `judge` says of how far each value lies from the next so many on. values : (N,)"""
    (judged,) = in_blocks(lambda here, after: [judge(np.abs(after - here))], values[:-apart], values[apart:])
    return judged


def straight_between(x: Values, knots: IntArray, values: FloatArray) -> FloatArray:
    """Straight lines between known places, level beyond the first and the last; as np.interp, but faster.

    x : (N,), rising; knots : (K,) places in x, rising, one at least; values : (K,). Returns (N,)
    """
    at = x[knots].astype(np.float64)
    slopes = np.append(np.diff(values) / np.diff(at), 0.0)
    line = np.full(len(x), float(values[0]))
    for begin in range(int(knots[0]), len(x), _BLOCK):
        end = min(begin + _BLOCK, len(x))
        # The lines that lie in this block, the first from before it on.
        lines = slice(int(knots.searchsorted(begin, side="right")) - 1, int(knots.searchsorted(end)))
        lengths = np.diff(np.append(np.maximum(knots[lines], begin), end))
        along = x[begin:end] - np.repeat(at[lines], lengths)
        line[begin:end] = along * np.repeat(slopes[lines], lengths) + np.repeat(values[lines], lengths)
    return line


def median_around(values: FloatArray, width: int) -> FloatArray:
    """Median of the `width` values around each, the first and the last repeated beyond the ends.

    values : (N,), few, no NaN; width : odd
    """
    if not len(values):
        return values
    beside = np.pad(values, width // 2, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(beside, width)
    middle: FloatArray = np.sort(windows, axis=1)[:, width // 2]
    return middle
