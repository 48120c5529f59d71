"""Does material flow through a gauge's pump? Told by reversals, and by the pressure that flow costs.

While the trigger is pulled the pressure runs below the standing pressure, and the pump strokes. The two are
held together: a level is running or standing by the levels found around dips and far from them, near in time;
a long stay without a dip is standing whatever its level, a train of regular dips is flow.
"""

from typing import Final

import numpy as np
from scipy import ndimage

from pipeline.derive.gauges.frames import Frames, Signal
from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray

STROKE_MIN_S: Final = 1.5
STROKE_MAX_S: Final = 15.0
# Flow that shows no reversal for this long is none.
NO_DIP_S: Final = STROKE_MAX_S * 1.4
# Levels are looked up over this long: long enough for a pause or a pull to be in it.
BLOCK_S: Final = 30.0
# Running and standing are told apart by level only where they differ by this share of the standing level and
# this many deviations of the noise.
STEP_SHARE_MIN: Final = 0.02
STEP_NOISE_MIN: Final = 4.0
# The level between running and standing that parts them, from running up: flow varies with the trigger,
# standing does not.
PARTING: Final = 0.6
HYSTERESIS: Final = 0.1
# Dips in regular succession, each this near to the last, in usual strokes.
TRAIN_STROKES: Final = 1.7


def find_flow(frames: Frames, signal: Signal, dips: IntArray) -> BoolArray:
    """Where a gauge's pump flows.

    dips : frames of the dips that this gauge shows
    Returns (F,)
    """
    pressurised = ~signal.no_pressure & np.isfinite(signal.level)
    train = dip_trains(frames, dips)
    if not len(dips):
        return np.zeros(len(frames.first), dtype=bool)
    running = _running_level(frames, signal, dips)
    standing = _standing_level(frames, signal, running)
    step = standing - running
    clear = step > np.maximum(STEP_SHARE_MIN * standing, STEP_NOISE_MIN * signal.noise)
    with np.errstate(invalid="ignore"):
        place = (signal.level - running) / np.where(clear, step, np.inf)
    by_level = _hysteresis(place < PARTING - HYSTERESIS, place > PARTING + HYSTERESIS) & clear
    by_level &= _near(dips, frames, NO_DIP_S)
    flow = np.where(clear, by_level | _inside_train(train, by_level), train)
    return flow & pressurised


def dip_trains(frames: Frames, dips: IntArray) -> BoolArray:
    """Between which dips the pump strokes on without a stop, half a stroke beyond at both ends.

    Returns (F,)
    """
    inside = np.zeros(len(frames.first) + 1, dtype=np.int64)
    if len(dips) < 3:
        return inside[:-1] > 0
    apart = np.diff(frames.run_us[dips]) / 1e6
    usual = usual_stroke(apart)
    near = apart <= np.minimum(TRAIN_STROKES * usual, NO_DIP_S)
    half = (usual / 2 / frames.seconds).astype(np.int64)
    for first, last in runs_of(near):
        if last - first < 2:
            continue
        inside[max(0, dips[first] - half[first])] += 1
        inside[min(len(inside) - 1, dips[last] + half[last - 1] + 1)] -= 1
    return np.cumsum(inside)[:-1] > 0


def usual_stroke(apart: FloatArray) -> FloatArray:
    """The stroke that is usual around each interval between dips.

    apart : (D,) [s]. Returns (D,) [s]: median of the intervals near by that a stroke can last
    """
    can = (apart >= STROKE_MIN_S * 0.6) & (apart <= STROKE_MAX_S * 1.1)
    if not can.any():
        return np.full(len(apart), STROKE_MAX_S)
    smooth = ndimage.median_filter(apart[can], 9, mode="nearest")
    around: FloatArray = np.interp(np.arange(len(apart)), np.flatnonzero(can), smooth)
    return around


def _running_level(frames: Frames, signal: Signal, dips: IntArray) -> FloatArray:
    """(F,) [Pa], level around dips, by the median of some dips near in time."""
    at_dips = signal.level[dips]
    finite = np.isfinite(at_dips)
    smooth = ndimage.median_filter(at_dips[finite], 5, mode="nearest")
    around: FloatArray = np.interp(frames.run_us, frames.run_us[dips[finite]], smooth)
    return around


def _standing_level(frames: Frames, signal: Signal, running: FloatArray) -> FloatArray:
    """(F,) [Pa], highest lasting level near in time, where it lies clear above the running one.

    A block that only runs says nothing of standing: it is bridged from its neighbours.
    """
    block = frames.count(BLOCK_S)
    count = -(-len(running) // block)
    padded = np.full(count * block, -np.inf)
    # A level that lasts: the lowest over a second, so that a surge at the trigger's release is no standing.
    lasting = ndimage.minimum_filter1d(np.nan_to_num(signal.level, nan=0.0), frames.count(1.0))
    padded[: len(running)] = lasting
    highest = padded.reshape(count, block).max(axis=1)
    middle = np.minimum(np.arange(count) * block + block // 2, len(running) - 1)
    step = highest - running[middle]
    floor = np.maximum(STEP_SHARE_MIN * highest, STEP_NOISE_MIN * signal.noise)
    stands = step > floor
    if not stands.any():
        return running
    # Half the usual step at least: what lies between is a flow less than usual.
    stands &= step > 0.5 * np.median(step[stands])
    around: FloatArray = np.interp(np.arange(len(running)), middle[stands], highest[stands])
    return around


def _hysteresis(enter: BoolArray, leave: BoolArray) -> BoolArray:
    """True from where `enter` is until `leave` is."""
    word = np.where(enter, 1, np.where(leave, -1, 0)).astype(np.int8)
    said = np.maximum.accumulate(np.where(word != 0, np.arange(len(word)), 0))
    state: BoolArray = word[said] == 1
    return state


def _near(dips: IntArray, frames: Frames, seconds: float) -> BoolArray:
    """(F,) True where a dip lies within `seconds`, before or after."""
    at = frames.run_us
    after = np.searchsorted(dips, np.arange(len(at)))
    reach = round(seconds * 1e6)
    before_us = np.where(after > 0, at - at[dips[np.maximum(after - 1, 0)]], reach + 1)
    after_us = np.where(after < len(dips), at[dips[np.minimum(after, len(dips) - 1)]] - at, reach + 1)
    near: BoolArray = (before_us <= reach) | (after_us <= reach)
    return near


def _inside_train(train: BoolArray, by_level: BoolArray) -> BoolArray:
    """Trains whose level says standing all along: the level is wrong there, not the train."""
    keep = train.copy()
    for first, last in runs_of(train):
        if by_level[first:last].mean() > 0.2:
            keep[first:last] = False
    return keep
