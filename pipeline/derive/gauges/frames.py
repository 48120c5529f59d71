"""What is a recording like at one rate? Frames of about 0.1 s, whatever the logger's rate.

A reversal's dip lasts 50 ms at least, so a frame keeps its lowest sample beside its mean: nothing that the
strokes need is lost, and the rest of the analysis costs the same at 10 and at 50 Hz.
"""

import functools
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from edge.words import Gauge
from pipeline.derive.gauges.around import highest_around, in_blocks, lowest_around
from pipeline.derive.gauges.medians import MANY, some
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray
from pipeline.derive.gauges.timeline import Timeline

FRAME_US: Final = 100_000
# Dips are 50 to 250 ms; a gauge line's lag makes them longer. What is lower for longer than this is a level.
DIP_MAX_S: Final = 0.6
# A sudden fall is held against the level over so long before; so long after, some of it is made good.
BEFORE_S: Final = 0.4
AFTER_S: Final = 0.6
REBOUND_SHARE: Final = 0.15
REBOUND_NOISE: Final = 5.0
FALLING_SHARE: Final = 0.2
# Gauge pressure below this is none: seals weep, zero points wander. 3 bar, where pumps run at 50 to 350.
NO_PRESSURE_PA: Final = 3e5
NO_PRESSURE_SHARE: Final = 0.08
# A gauge that only ever showed none has no usual pressure to hold its noise against.
NO_PRESSURE_NOISE: Final = 5.0


@dataclass(frozen=True)
class Signal:
    """One pressure gauge in frames.

    level : (F,) [Pa], dips filled, NaN where missing
    low : (F,) [Pa], lowest sample of each, the last known one's where missing
    depth : (F,) [Pa], how far the lowest sample lies under the level on both its sides
    fall : (F,) [Pa], how far it lies under the level just before, where some of that is made good soon after
    bound : (F,), where the level is but a bound, as of a saturated gauge
    plateau : [Pa], usual level under pressure, NaN if it never was
    noise : [Pa], standard deviation of a frame about its neighbours
    depth_noise : [Pa], the same of its lowest sample: the more samples in a frame, the more of the two differ
    """

    level: FloatArray
    low: FloatArray
    depth: FloatArray
    fall: FloatArray
    bound: BoolArray
    plateau: float
    noise: float
    depth_noise: float

    @functools.cached_property
    def no_pressure(self) -> BoolArray:
        """(F,) True where the gauge shows no pressure."""
        share = NO_PRESSURE_SHARE * self.plateau if np.isfinite(self.plateau) else 0.0
        with np.errstate(invalid="ignore"):
            return self.level < max(NO_PRESSURE_PA, NO_PRESSURE_NOISE * self.noise, share)

    @functools.cached_property
    def falls(self) -> FloatArray:
        """(F,) [1], depth or fall as a share of the level, whichever is more; NaN where missing."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return in_blocks(
                lambda depth, fall, level: [np.maximum(depth, fall) / level],
                *(self.depth, self.fall, self.level),
            )[0]


@dataclass(frozen=True)
class Frames:
    """F frames of `seconds` each, never across a gap.

    first : (F,) first sample of each, in the timeline's order; one past the last frame's end is `samples`
    at_us, run_us : (F,) [us], recorded and running time of the first sample
    signals : one a pressure gauge that has a finite sample
    """

    first: IntArray
    samples: int
    at_us: IntArray
    run_us: IntArray
    seconds: float
    signals: dict[Gauge, Signal]

    def count(self, seconds: float) -> int:
        """How many frames last `seconds`, one at least."""
        return max(1, round(seconds / self.seconds))


def make_frames(
    timeline: Timeline, gauges: dict[Gauge, FloatArray], bounds: dict[Gauge, BoolArray]
) -> Frames:
    """Cut a recording into frames.

    gauges : each (M,) [Pa] in the timeline's order, NaN where missing or failed
    bounds : each (M,), where a value is but a bound, as of a saturated gauge: it shows no noise
    """
    per_frame = max(1, round(FRAME_US / timeline.interval_us - 0.2)) if timeline.interval_us else 1
    samples = len(timeline.order)
    starts = np.concatenate(([0], timeline.gaps + 1))
    ends = np.concatenate((timeline.gaps + 1, [samples]))
    first = np.concatenate([np.arange(a, b, per_frame) for a, b in zip(starts, ends, strict=True)]).astype(
        np.int64
    )
    seconds = max(per_frame * timeline.interval_us / 1e6, 1e-3)
    signals = {
        gauge: _signal(values, bounds[gauge], first, per_frame, seconds)
        for gauge, values in gauges.items()
        if np.isfinite(values).any()
    }
    return Frames(first, samples, timeline.at_us[first], timeline.run_us[first], seconds, signals)


def _signal(values: FloatArray, bound: BoolArray, first: IntArray, per_frame: int, seconds: float) -> Signal:
    mean, low = _by_frame(values, first, per_frame)
    missing = np.isnan(mean)
    width = _dip_width(seconds)
    # What is lower than both its sides for less than `width` is filled; steps stay as they are.
    level = lowest_around(highest_around(fill(mean), width), width)
    # Lowest against lowest: a frame in which a level steps has a low far under its mean, and is no dip.
    filled = fill(low)
    highest = highest_around(filled, width)
    depth = lowest_around(highest, width) - filled
    under = level[some(np.flatnonzero(~missing & (level > NO_PRESSURE_PA)))]
    under = under[under > 0.2 * np.quantile(under, 0.99)] if len(under) else under
    plateau = float(np.median(under)) if len(under) else np.nan
    level[missing] = np.nan
    bounded = np.zeros(len(first), dtype=bool)
    if bound.any():
        bounded = np.logical_or.reduceat(bound, first)
        mean, low = np.where(bounded, np.nan, mean), np.where(bounded, np.nan, low)
    depth_noise = noise_of(low)
    fall = _sudden_fall(filled, highest, width, seconds, REBOUND_NOISE * depth_noise)
    return Signal(level, filled, depth, fall, bounded, plateau, noise_of(mean), depth_noise)


def _dip_width(seconds: float) -> int:
    return 2 * max(1, round(DIP_MAX_S / seconds / 2)) + 1


def smoothed(signal: Signal, seconds: float) -> Signal:
    """The same with each lowest sample the mean of three: less noise, and less of a short dip."""
    low = signal.low.copy()
    low[1:-1] = (signal.low[:-2] + signal.low[1:-1] + signal.low[2:]) / 3
    width = _dip_width(seconds)
    highest = highest_around(low, width)
    depth_noise = signal.depth_noise / np.sqrt(3)
    fall = _sudden_fall(low, highest, width, seconds, REBOUND_NOISE * depth_noise)
    depth = lowest_around(highest, width) - low
    return replace(signal, low=low, depth=depth, fall=fall, depth_noise=depth_noise)


def _sudden_fall(
    low: FloatArray, highest: FloatArray, width: int, seconds: float, least: float
) -> FloatArray:
    """How far each value lies under those just before it, 0 where nothing of it is made good afterwards.

    A line that is slow to fill again makes good for a dip over a second or more, and a piston that now goes
    the other way may settle at another level: then no level is the same on both sides of the dip.
    low : (F,) [Pa]; highest : (F,) [Pa], of the `width` values around each, no fewer than are looked at on
    either side; least : [Pa], what must be made good
    """
    before = max(2, round(BEFORE_S / seconds))
    after = max(2, round(AFTER_S / seconds))
    sudden = np.zeros(len(low))
    if len(low) <= before + after + 1:
        return sudden
    # No median is higher than the highest: few places are left to look at.
    back = (before + 2) // 2 + before // 2 - width // 2
    ahead = before - 1 + width // 2
    at = np.arange(back, len(low) - ahead)
    below = low[back : len(low) - ahead]
    found = (highest[: len(at)] > below) & (highest[back + ahead :] - below > least)
    edges = np.arange(back), np.arange(len(low) - ahead, len(low))
    at = np.concatenate((edges[0], at[found], edges[1]))
    was = _median_before(low, at, before)
    fall = was - low[at]
    at, was, fall = at[fall > 0], was[fall > 0], fall[fall > 0]
    comes_at = np.minimum(at + before - 1 + after // 2, len(low) - 1)
    rebound = _medians(low, comes_at, after) - low[at]
    # What had been falling before it is the trigger's doing.
    had_fallen = _median_before(low, np.maximum(at - before, 0), before) - was
    alone = (rebound > np.maximum(least, REBOUND_SHARE * fall)) & (had_fallen < FALLING_SHARE * fall)
    sudden[at[alone]] = fall[alone]
    return sudden


def _median_before(values: FloatArray, at: IntArray, width: int) -> FloatArray:
    """(A,) median of `width` values just before each place. values : (N,); at : (A,)"""
    return _medians(values, np.maximum(at - (width + 2) // 2, 0), width)


def _medians(values: FloatArray, at: IntArray, width: int) -> FloatArray:
    """(A,) median of the `width` values around each place, of an even width the higher of the middle two.

    values : (N,), its ends repeated; at : (A,)
    """
    around = at[:, None] + np.arange(-(width // 2), width - width // 2)
    windows = values[np.clip(around, 0, len(values) - 1)]
    middle: FloatArray = np.sort(windows, axis=1)[:, width // 2]
    return middle


def _by_frame(values: FloatArray, first: IntArray, per_frame: int) -> tuple[FloatArray, FloatArray]:
    """Mean and lowest of each frame's samples, NaN where none is known.

    values : (M,) [Pa]; first : (F,), of each frame `per_frame` samples at most. Returns (F,), (F,) [Pa]
    """
    ends = np.append(first[1:], len(values))
    short = ends - first < per_frame
    whole = len(first) - 1 if short[-1] else len(first)
    if short[:whole].any():
        total = low = values[first]
        for place in range(1, per_frame):
            sample = values[np.minimum(first + place, len(values) - 1)]
            total, low = total + sample, np.minimum(low, sample)
    else:
        # Without a gap they follow each other.
        total, low = np.full(len(first), np.nan), np.empty(len(first))
        places = values[: whole * per_frame].reshape(-1, per_frame).T
        total[:whole], low[:whole] = in_blocks(_sum_and_lowest, *places)
    total /= per_frame
    # Frames with a sample that is missing or not there.
    part = np.flatnonzero(np.isnan(total) | short)
    inside = first[part, None] + np.arange(per_frame)
    samples = np.where(inside < ends[part, None], values[np.minimum(inside, len(values) - 1)], np.nan)
    known = np.isfinite(samples)
    count = known.sum(axis=1)
    sums = np.where(known, samples, 0.0).sum(axis=1)
    total[part] = np.divide(sums, count, out=np.full(len(count), np.nan), where=count > 0)
    low[part] = np.fmin.reduce(samples, axis=1)
    return total, low


def _sum_and_lowest(*samples: FloatArray) -> list[FloatArray]:
    return [functools.reduce(np.add, samples), functools.reduce(np.minimum, samples)]


def fill(values: FloatArray) -> FloatArray:
    """The last finite value before each missing one, the first after them at the start."""
    finite = np.isfinite(values)
    if finite.all():
        return values
    last = np.maximum.accumulate(np.where(finite, np.arange(len(values)), -1))
    last[last < 0] = np.argmax(finite)
    return values[last]


def noise_of(values: FloatArray) -> float:
    """Standard deviation of a sample about a straight line through its neighbours, by the median.

    values : (N,); the median does not see dips, steps and spikes
    """
    every = 1 + len(values) // MANY
    bend = values[2::every] - 2 * values[1:-1:every] + values[:-2:every]
    bend = bend[np.isfinite(bend)]
    if not len(bend):
        return 0.0
    return float(np.median(np.abs(bend)) * 1.4826 / np.sqrt(6.0))
