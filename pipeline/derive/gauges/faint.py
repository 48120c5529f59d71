"""How faint may dips be and still be a part's reversals? As faint as they come evenly, and only with flow.

A fixed limit to what stands out of the noise loses half of the dips that a coarse or noisy gauge shows.
Noise dips at any time, standing too; a piston turns after so much flow. So the limit is lowered as far as
the strokes get more even by it.
"""

from collections.abc import Callable
from typing import Final

import numpy as np

from pipeline.derive.gauges.around import median_around
from pipeline.derive.gauges.dips import APART_S, DEPTH_MIN, NOISE_TIMES, find_dips, relative_depth
from pipeline.derive.gauges.frames import Frames, Signal, smoothed
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray

# Standard deviations of the noise that are tried.
FAINTER: Final = (6.0, 5.0, 4.5, 4.0, 3.5, 3.0)
# Dips that stand out by so many times what they must have no fainter ones among them.
CLEAR: Final = 2.0
# An even stroke takes the flowing time of so many around it but for this share; the least gain that is one.
STROKES_AROUND: Final = 7
EVEN_SHARE: Final = 0.2
GAIN_MIN: Final = 0.03
# Of the dips in flow so many may be the noise's, by how often it dips while nothing flows.
NOISE_SHARE: Final = 0.05
# Less flow says nothing of how even strokes are; less standing nothing of how often noise dips.
STROKES_MIN: Final = 12
STANDS_MIN_S: Final = 60.0


def with_faint(
    frames: Frames,
    signals: list[Signal],
    flow: BoolArray,
    dips: IntArray,
    reversals: Callable[[FloatArray, IntArray], IntArray],
) -> IntArray:
    """Reversals at the limit at which strokes are most even.

    signals : the part's gauges; flow : (F,); dips : frames, of those found by NOISE_TIMES
    reversals : which of a depth's (F,) dips (frames) are reversals
    """
    depth = relative_depth(signals)
    best = reversals(depth, dips)
    inside = np.flatnonzero(flow)
    needed = min(_noise(signal, inside) for signal in signals)
    stands_s = (len(flow) - len(inside)) * frames.seconds
    clear = len(best) and np.median(depth[best]) > CLEAR * NOISE_TIMES * needed
    if clear or not len(inside) or stands_s < STANDS_MIN_S:
        return best
    flowing = np.concatenate(([0], np.cumsum(flow)))
    most = _even(flowing[best])
    means = [smoothed(signal, frames.seconds) for signal in signals]
    for tried, limits in ((signals, FAINTER), (means, (NOISE_TIMES, *FAINTER))):
        for times in limits:
            depth = relative_depth(tried, DEPTH_MIN, times)
            dips = find_dips(depth, frames.count(APART_S))
            found = reversals(depth, dips)
            by_noise = np.count_nonzero(~flow[dips]) / stands_s * len(inside) * frames.seconds
            if by_noise > NOISE_SHARE * len(found):
                break
            even = _even(flowing[found])
            if even > most + GAIN_MIN:
                best, most = found, even
    return best


def _noise(signal: Signal, inside: IntArray) -> float:
    """[1], of the level while material flows."""
    levels = signal.level[inside]
    levels = levels[np.isfinite(levels)]
    return float(signal.depth_noise / np.median(levels)) if len(levels) else np.inf


def _even(at: IntArray) -> float:
    """Share of strokes that take about the flowing time of those around them: the trigger sets the pace.

    at : of the reversals
    """
    apart = np.diff(at).astype(np.float64)
    if len(apart) < STROKES_MIN:
        return 0.0
    return float(np.mean(np.abs(apart / median_around(apart, STROKES_AROUND) - 1) < EVEN_SHARE))
