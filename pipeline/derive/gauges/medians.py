"""What is usual among a few values? Medians of short arrays.

NumPy's own look for masks and axes first, which takes ten times as long as finding the middle of a stroke;
an analysis asks some ten thousand times a day.
"""

from typing import Final

import numpy as np

from pipeline.derive.gauges.recording import FloatArray

# As many are sorted sooner in a list.
_FEW: Final = 24


def median(values: FloatArray) -> float:
    """Median, NaN if any value is. values : (N,), one at least"""
    return np.nan if np.isnan(values).any() else _median(values)


def _median(values: FloatArray) -> float:
    middle, odd = divmod(len(values), 2)
    if len(values) <= _FEW:
        listed = sorted(values.tolist())
        return float(listed[middle] if odd else (listed[middle - 1] + listed[middle]) / 2)
    ordered = np.partition(values, middle)
    return float(ordered[middle] if odd else (ordered[:middle].max() + ordered[middle]) / 2)


def known_median(values: FloatArray) -> float:
    """Median of those that are no NaN, NaN if all are. values : (N,)"""
    known = values[values == values]
    return _median(known) if len(known) else np.nan
