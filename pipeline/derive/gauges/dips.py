"""Where does a gauge dip as a pump does when it changes direction?

A dip is a short, deep notch in a level that is the same on both sides. Whether a dip is a reversal is for
strokes.py to say: it takes flow as well.
"""

from typing import Final

import numpy as np
from scipy import ndimage

from pipeline.derive.gauges.frames import Signal
from pipeline.derive.gauges.recording import FloatArray, IntArray

# Reversals dip 5 to 25 % of the running pressure; sampled at 10 Hz a short one shows less of its depth.
DEPTH_MIN: Final = 0.03
DEPTH_MAX: Final = 0.45
# A dip stands out of the noise by this many standard deviations of a frame.
NOISE_TIMES: Final = 7.0
# Nearer than this two dips are one: strokes last 1.5 s at least.
APART_S: Final = 0.9
# Where a reversal is due by the strokes before and after, less will do.
TRACE_MIN: Final = 0.01
TRACE_NOISE_TIMES: Final = 3.0


def relative_depth(
    signals: list[Signal], least: float = DEPTH_MIN, noise_times: float = NOISE_TIMES
) -> FloatArray:
    """How deep all gauges of a part dip at once, as a share of the level; 0 where under the noise.

    signals : one or two gauges of the same part. A dip that one of two does not show is not the pump's.
    least : [1], noise_times : [1], what a dip must stand out by
    Returns (F,) [1]
    """
    depths = []
    for signal in signals:
        floor = np.maximum(least * signal.level, noise_times * signal.noise)
        with np.errstate(invalid="ignore", divide="ignore"):
            depth = np.where(signal.depth > floor, signal.depth / signal.level, 0.0)
        # A gauge that says nothing does not gainsay the other.
        depths.append(np.where(np.isnan(signal.level), np.nan, np.where(signal.no_pressure, 0.0, depth)))
    if len(depths) == 1:
        return np.nan_to_num(depths[0])
    return np.nan_to_num(np.fmin(depths[0], depths[1]))


def find_dips(depth: FloatArray, apart: int) -> IntArray:
    """Frames at the bottom of each dip.

    depth : (F,) [1] from relative_depth; apart : fewest frames between two
    dips, of two nearer the deeper stays
    """
    candidates = np.flatnonzero((depth > 0) & (depth <= DEPTH_MAX))
    if not len(candidates):
        return candidates
    # A bottom is as deep as anything within reach; the first of equals.
    reach = 2 * apart + 1
    deepest = ndimage.maximum_filter1d(depth, reach)[candidates] == depth[candidates]
    bottoms = candidates[deepest]
    keep = np.concatenate(([True], np.diff(bottoms) >= apart))
    kept: IntArray = bottoms[keep]
    return kept
