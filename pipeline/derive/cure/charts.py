"""Is a measure still what it was? Individuals, moving-range and EWMA charts against a named baseline.

Limits come from the baseline's points alone, so that what comes later never moves the line it is held
against.
Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals, moving range) and 6.3.2.4
(EWMA).
"""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from pipeline.derive.cure.cusum import has_shifted
from pipeline.derive.cure.rules import signals

FloatArray = npt.NDArray[np.float64]

# d2 and D4 for ranges of two, with the handbook's digits, so that a chart can be followed by hand.
D2: Final = 1.128
D4: Final = 3.267
# The handbook's example; weights from 0.2 to 0.3 are usual.
EWMA_WEIGHT: Final = 0.3
# Common practice: limits from fewer points than this are not drawn.
BASELINE_POINTS: Final = 20


class Limits(Struct, frozen=True, kw_only=True):
    """Of an individuals chart and its moving ranges. sigma : mean moving range over d2."""

    centre: float
    lower: float
    upper: float
    sigma: float
    range_mean: float
    range_upper: float
    points: int


class ChartPoint(Struct, frozen=True, kw_only=True):
    """One point, and what it is held against; None where no baseline stands yet."""

    value: float
    moving_range: float | None
    ewma: float | None
    ewma_lower: float | None
    ewma_upper: float | None
    signals: tuple[str, ...] = ()


def individuals_limits(baseline: Sequence[float] | FloatArray) -> Limits:
    """Limits from the points of a baseline, in order of time.

    baseline : (N,), N at least 2, any unit. Raises ValueError for fewer.
    """
    values = np.asarray(baseline, float)
    if len(values) < 2:
        raise ValueError(f"a moving range needs two points, not {len(values)}")
    centre, range_mean = float(values.mean()), float(np.abs(np.diff(values)).mean())
    sigma = range_mean / D2
    return Limits(
        centre=centre,
        lower=centre - 3 * sigma,
        upper=centre + 3 * sigma,
        sigma=sigma,
        range_mean=range_mean,
        range_upper=D4 * range_mean,
        points=len(values),
    )


def ewma(values: Sequence[float] | FloatArray, start: float, weight: float = EWMA_WEIGHT) -> FloatArray:
    """Exponentially weighted moving average, (N,), the first point weighed against `start`."""
    smoothed, last = np.empty(len(values)), start
    for place, value in enumerate(values):
        last = weight * value + (1 - weight) * last
        smoothed[place] = last
    return smoothed


def ewma_half_width(sigma: float, point: int | None, weight: float = EWMA_WEIGHT) -> float:
    """How far the EWMA's limits lie from the centre at a point counted from 1; None: in the long run."""
    settled = 1.0 if point is None else 1.0 - (1.0 - weight) ** (2 * point)
    return 3 * sigma * math.sqrt(weight / (2 - weight) * settled)


def chart(
    values: Sequence[float] | FloatArray, limits: Limits | None, *, cusum: bool = False
) -> list[ChartPoint]:
    """Every point held against the limits, with the run rules it breaks.

    cusum : whether a cumulative sum over its decision is a signal too, for what drifts slowly
    A moving range beyond its limit, and an EWMA beyond its own, are signals too. A baseline without any
    spread (a scale that shows whole points) gives no sigma to measure by: no signals.
    """
    values = np.asarray(values, float)
    ranges = np.abs(np.diff(values, prepend=np.nan))
    if limits is None or limits.sigma <= 0:
        return [
            ChartPoint(value=float(v), moving_range=_number(r), ewma=None, ewma_lower=None, ewma_upper=None)
            for v, r in zip(values, ranges, strict=True)
        ]
    smoothed = ewma(values, limits.centre)
    z = (values - limits.centre) / limits.sigma
    shifted = has_shifted(z) if cusum else np.zeros(len(z), bool)
    found = []
    for place, broken in enumerate(signals(z)):
        half = ewma_half_width(limits.sigma, place + 1)
        more = []
        if ranges[place] > limits.range_upper:
            more.append("moving_range")
        if abs(smoothed[place] - limits.centre) > half:
            more.append("ewma")
        if shifted[place]:
            more.append("cusum")
        found.append(
            ChartPoint(
                value=float(values[place]),
                moving_range=_number(ranges[place]),
                ewma=float(smoothed[place]),
                ewma_lower=limits.centre - half,
                ewma_upper=limits.centre + half,
                signals=(*broken, *more),
            )
        )
    return found


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
