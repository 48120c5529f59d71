"""Where does a gauge dip as a pump does when it changes direction?

A dip is a short, deep notch in a level that is the same on both sides. Whether a dip is a reversal is for
strokes.py to say: it takes flow as well.
"""

import functools
from typing import Final

import numpy as np

from pipeline.derive.gauges.frames import Signal
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray

# Reversals dip 5 to 25 % of the running pressure at full flow, and less at less; sampled at 10 Hz a short one
# shows less of its depth.
DEPTH_MIN: Final = 0.018
DEPTH_MAX: Final = 0.45
# A dip stands out of the noise by this many standard deviations of a frame.
NOISE_TIMES: Final = 7.0
# Two gauges that dip at once need less each: noise does not agree.
PAIR_TIMES: Final = 0.75
EACH_TIMES: Final = 0.6
# Nearer than this two dips are one: strokes last 1.5 s at least.
APART_S: Final = 0.9
# A dip falls for so long at most.
FALLS_S: Final = 0.6
# Where a reversal is due by the strokes before and after, less will do.
TRACE_MIN: Final = 0.006
TRACE_NOISE_TIMES: Final = 3.0


def relative_depth(
    signals: list[Signal], least: float = DEPTH_MIN, noise_times: float = NOISE_TIMES
) -> FloatArray:
    """How deep all gauges of a part dip at once, as a share of the level; 0 where under the noise.

    signals : one or two gauges of the same part. A dip that one of two does not show is not the pump's.
    least : [1], noise_times : [1], what a dip must stand out by
    Returns (F,) [1]
    """
    times = noise_times if len(signals) == 1 else PAIR_TIMES * noise_times
    # No mean is more than the larger of two: few frames are left to look at.
    at = np.flatnonzero(functools.reduce(np.logical_or, (signal.falls > least for signal in signals)))
    depth = needed = np.full(len(at), np.nan)
    clear = np.ones(len(at), dtype=bool)
    without = [signal.no_pressure[at] for signal in signals]
    none = functools.reduce(np.logical_and, without)
    for signal, emptied in zip(signals, without, strict=True):
        own, fall = signal.depth[at], signal.fall[at]
        # A gauge whose line has run empty shows no dip, and leaves the word to the other.
        level = np.where(emptied & ~none, np.nan, signal.level[at])
        # A gauge that says nothing (NaN) does not gainsay the other.
        with np.errstate(invalid="ignore", divide="ignore"):
            # A fall from before counts where no level is the same on both sides of it.
            shown = own > np.maximum(least * level, times * signal.depth_noise)
            own = np.where(shown, own, np.maximum(own, fall))
            depth = _mean(depth, np.where(none, 0.0, own / level))
            needed = _mean(needed, times * signal.depth_noise / level)
            clear &= ~(own <= EACH_TIMES * times * signal.depth_noise) | np.isnan(level)
    deep: BoolArray = clear & (depth > np.maximum(least, needed))
    found = np.zeros(len(signals[0].level))
    found[at[deep]] = depth[deep]
    return found


def _mean(one: FloatArray, two: FloatArray) -> FloatArray:
    """Mean of two, the other one where one is NaN."""
    mean: FloatArray = np.where(np.isnan(one), two, np.where(np.isnan(two), one, (one + two) / 2))
    return mean


def begun(signals: list[Signal], dips: IntArray, reach: int) -> IntArray:
    """Frames at which dips are half as deep as they get: nearest to when the piston stopped.

    Pressure goes on falling while the pump changes over, and through the lag of line and gauge.
    signals : the part's gauges, of which the first to fall speaks; dips : frames
    reach : most frames before the bottom. Returns frames
    """
    at = np.maximum(dips[:, None] + np.arange(-reach, 1), 0)
    begins = dips
    for signal in signals:
        low, deep = signal.low[at], np.maximum(signal.depth, signal.fall)[dips]
        half = low[:, -1] + deep / 2
        under = np.logical_and.accumulate((low <= half[:, None])[:, ::-1], axis=1).sum(axis=1)
        shown = (deep > TRACE_NOISE_TIMES * signal.depth_noise) & np.isfinite(signal.level[dips])
        begins = np.where(shown, np.minimum(begins, dips - under + 1), begins)
    return np.maximum(begins, 0)


def find_dips(depth: FloatArray, apart: int) -> IntArray:
    """Frames at the bottom of each dip.

    depth : (F,) [1] from relative_depth; apart : fewest frames between two
    dips, of two nearer the deeper stays
    """
    at = np.flatnonzero(depth > 0)
    deep = depth[at]
    bottom = deep <= DEPTH_MAX
    # A bottom is as deep as anything within reach; the first of equals.
    for by in range(1, min(apart + 1, len(at))):
        near = at[by:] - at[:-by] <= apart
        bottom[:-by] &= ~(near & (deep[by:] > deep[:-by]))
        bottom[by:] &= ~(near & (deep[:-by] > deep[by:]))
    bottoms = at[bottom]
    if not len(bottoms):
        return bottoms
    keep = np.concatenate(([True], np.diff(bottoms) >= apart))
    kept: IntArray = bottoms[keep]
    return kept
