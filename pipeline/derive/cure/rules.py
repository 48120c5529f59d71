"""Which points of a control chart are a signal? The published run rules, each by its name.

z : (N,), each point's distance from the centre line in standard deviations, in order of time. A rule flags
the last point of its pattern. 'Beyond' is strict. Sources: Western Electric, *Statistical Quality Control
Handbook* 1956; L. S. Nelson, *J. Quality Technology* 16 (1984) 237-239.
"""

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


def beyond(z: FloatArray, sigmas: float = 3.0) -> BoolArray:
    """One point beyond so many sigmas, on either side."""
    flags: BoolArray = np.abs(z) > sigmas
    return flags


def most_beyond(z: FloatArray, sigmas: float, least: int, of: int) -> BoolArray:
    """At least `least` of the last `of` points beyond so many sigmas on one side, the last among them."""
    flags = np.zeros(len(z), bool)
    for side in (z, -z):
        out = side > sigmas
        flags |= out & (_among_last(out, of) >= least)
    return flags


def on_one_side(z: FloatArray, points: int) -> BoolArray:
    """So many points in a row on one side of the centre line."""
    return _in_a_row(z > 0, points) | _in_a_row(z < 0, points)


def trending(z: FloatArray, points: int = 6) -> BoolArray:
    """So many points in a row, each above the one before it, or each below."""
    step = np.diff(z, prepend=np.nan)
    return _in_a_row(step > 0, points - 1) | _in_a_row(step < 0, points - 1)


def alternating(z: FloatArray, points: int = 14) -> BoolArray:
    """So many points in a row that go up and down in turn."""
    step = np.diff(z, prepend=np.nan)
    turned = np.zeros(len(z), bool)
    turned[2:] = step[2:] * step[1:-1] < 0
    return _in_a_row(turned, points - 2)


def within(z: FloatArray, points: int = 15) -> BoolArray:
    """So many points in a row within one sigma, on either side."""
    return _in_a_row(np.abs(z) < 1, points)


def outside(z: FloatArray, points: int = 8) -> BoolArray:
    """So many points in a row beyond one sigma, on either side."""
    return _in_a_row(np.abs(z) > 1, points)


# The rules of the handbook, as they are run on every chart here: name -> what it says, how it is told.
WESTERN_ELECTRIC: Final[dict[str, tuple[str, Callable[[FloatArray], BoolArray]]]] = {
    "beyond_3_sigma": ("one point beyond 3 sigma", beyond),
    "2_of_3_beyond_2_sigma": (
        "two of three points beyond 2 sigma on one side",
        lambda z: most_beyond(z, 2.0, 2, 3),
    ),
    "4_of_5_beyond_1_sigma": (
        "four of five points beyond 1 sigma on one side",
        lambda z: most_beyond(z, 1.0, 4, 5),
    ),
    "8_on_one_side": ("eight points in a row on one side", lambda z: on_one_side(z, 8)),
}


def signals(z: FloatArray) -> Sequence[tuple[str, ...]]:
    """Names of the Western Electric rules that each point breaks; NaN breaks none and ends no run."""
    known = np.isfinite(z)
    told: list[list[str]] = [[] for _ in z]
    places = np.flatnonzero(known)
    for name, (_, rule) in WESTERN_ELECTRIC.items():
        for place in places[rule(z[known])]:
            told[place].append(name)
    return [tuple(names) for names in told]


def _among_last(flags: BoolArray, of: int) -> npt.NDArray[np.int64]:
    """How many of the last `of` are true, at each place."""
    total = np.concatenate([[0], np.cumsum(flags)])
    ends = np.arange(1, len(flags) + 1)
    counted: npt.NDArray[np.int64] = total[ends] - total[np.maximum(ends - of, 0)]
    return counted


def _in_a_row(flags: BoolArray, points: int) -> BoolArray:
    return _among_last(flags, points) >= points
