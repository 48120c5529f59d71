"""Has a measure moved a little, for good? The tabular cumulative sum, two one-sided sums.

Single points within their limits add up: a shift of one sigma is seen after some ten points, where an
individuals chart takes some forty.
Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

# In sigmas, the textbook's pair: a false alarm in 465 points, a shift of one sigma seen in 10.4.
SLACK: Final = 0.5
DECISION: Final = 5.0


def cusum(values: Sequence[float] | FloatArray, target: float, slack: float) -> tuple[FloatArray, FloatArray]:
    """How far values have summed up above and below a target, less a slack each; never under 0.

    values : (N,), any unit, in order; target, slack : the same unit. Returns (N,), (N,): above, below
    """
    apart = np.asarray(values, float) - target
    above, below = np.empty(len(apart)), np.empty(len(apart))
    high = low = 0.0
    for place, by in enumerate(apart.tolist()):
        high, low = max(0.0, high + by - slack), max(0.0, low - by - slack)
        above[place], below[place] = high, low
    return above, below


def has_shifted(z: FloatArray) -> BoolArray:
    """(N,) at which points either sum is over the decision. z : (N,), distances from the centre in sigmas"""
    above, below = cusum(z, 0.0, SLACK)
    shifted: BoolArray = (above > DECISION) | (below > DECISION)
    return shifted
