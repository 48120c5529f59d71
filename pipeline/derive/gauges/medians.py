"""What is usual among a few values? Medians of short arrays.

NumPy's own look for masks and axes first, which takes ten times as long as finding the middle of a stroke;
an analysis asks some ten thousand times a day.
"""

import numpy as np

from pipeline.derive.gauges.recording import FloatArray


def median(values: FloatArray) -> float:
    """Median, NaN if any value is. values : (N,), one at least"""
    middle, odd = divmod(len(values), 2)
    ordered = np.partition(values, (max(0, middle - 1), middle, len(values) - 1))  # NaN comes last
    if ordered[-1] != ordered[-1]:
        return np.nan
    return float(ordered[middle]) if odd else float(ordered[middle - 1] + ordered[middle]) / 2


def known_median(values: FloatArray) -> float:
    """Median of those that are no NaN, NaN if all are. values : (N,)"""
    known = values[values == values]
    return median(known) if len(known) else np.nan
