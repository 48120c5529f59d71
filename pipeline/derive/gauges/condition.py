"""Is the pump wearing, is the mixer clogging, does a line leak? Told by strokes and stalls, over hours.

A worn check valve lets material back in one direction only: that direction runs at a lower pressure, or is
over sooner. A clogging mixer needs more and more pressure for the same flow. What stands under pressure and
leaks loses it.
"""

import itertools
from typing import Final

import numpy as np

from edge.words import Gauge
from pipeline.derive.gauges.around import median_around
from pipeline.derive.gauges.frames import NO_PRESSURE_PA, Frames
from pipeline.derive.gauges.medians import known_median, median
from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import BoolArray, FloatArray
from pipeline.derive.gauges.results import Clogging, CloggingSpan, Leak, Stroke, Wear
from pipeline.derive.gauges.settings import GaugeSettings

# Both are judged over this many strokes: a single pull says little, and a reversal that was not seen turns
# the directions round from there on.
WINDOW: Final = 31
# Pressure goes as this power of flow: 0.3 to 0.6 for sealants, common practice.
THINNING: Final = 0.45
# A median of less than so many of its deviations is chance.
SURE_TIMES: Final = 4.0
# And so it is if those that say one direction, less those that say the other, are less than this share.
AGREE: Final = 0.5
# Pulls are parted by a stop of so long; fewer say nothing of how they differ.
PULL_APART_S: Final = 1.0
PULLS_MIN: Final = 8
# A rise of fewer of its deviations may be the trigger's.
TRIGGER_TIMES: Final = 3.0
# A pump that flows less pushes harder. Strokes that take so many times as long all at once, at a pressure
# that is the same within this share, are two of which the reversal between was missed.
TWICE: Final = (1.6, 2.5)
PUSHES_SHARE: Final = 0.02
# No mixer is replaced in less than this.
MIXER_CHANGE_S: Final = 180.0
# A stall shorter than this says little of a leak, nor do its first moments, in which pressures settle.
LEAK_STALL_S: Final = 60.0
LEAK_SETTLE_S: Final = 5.0
# Means over this long are what falls, so that noise is small beside it.
LEAK_MEAN_S: Final = 2.0
# A rise over two of them this far from the usual move, in deviations, is a top-up.
TOP_UP: Final = 4.0


def find_leaks(
    frames: Frames, levels: dict[Gauge, FloatArray], stalled: BoolArray, end_us: int
) -> list[Leak]:
    """How fast each gauge fell in each stall, top-ups left out.

    A pump whose air motor tops the pressure up stands on a sawtooth: its slopes count, not its steps; of a
    step within the noise both do, and the leak seems less. A line that cools falls too, so a leak is told by
    many stalls, not by one.
    levels : (F,) [Pa] each, NaN where not known; stalled : (F,)
    """
    least, settle = frames.count(LEAK_STALL_S), frames.count(LEAK_SETTLE_S)
    found = []
    for first, last in runs_of(stalled).tolist():
        if last - first < least or frames.run_us[last - 1] - frames.run_us[first] > 1.1e6 * frames.seconds * (
            last - first
        ):
            continue  # too short, or with a gap inside
        for gauge, level in levels.items():
            stands = level[first + settle : last]
            if not 2 * np.isfinite(stands).sum() >= len(stands) or known_median(stands) < NO_PRESSURE_PA:
                continue
            rate = _fall(stands, frames.count(LEAK_MEAN_S)) / frames.seconds
            end = int(frames.run_us[last]) if last < len(frames.run_us) else end_us
            found.append(Leak(int(frames.run_us[first]), end, gauge, rate))
    return found


def _fall(level: FloatArray, moment: int) -> float:
    """Mean fall from one frame to the next [Pa], but for steps.

    level : (N,), half of it known; moment : frames to mean over. Falls are summed up between the steps, so
    that noise only counts at their ends
    """
    means = level[: len(level) // moment * moment].reshape(-1, moment).mean(axis=1)
    means = means[np.isfinite(means)]
    if len(means) < 3:
        return 0.0
    falls = means[:-1] - means[1:]
    # A step may be shared by two neighbouring falls: it is told from both together.
    pairs = falls[:-1] + falls[1:]
    off = np.abs(pairs - median(pairs))
    step = off > TOP_UP * 1.4826 * median(off)
    even = ~(np.append(step, False) | np.append(False, step))
    return float(falls[even].mean()) / moment if even.any() else 0.0


def find_wear(strokes: list[Stroke], settings: GaugeSettings) -> list[Wear]:
    """Whether one direction of a part slips, if for longer and by more than the settings let pass.

    strokes : one part's, in order. Returns one finding or none
    A worn check valve lets back a share of each travel in its direction: the piston is through sooner, and
    what comes out at the gun has the less pressure. Friction that differs has less pressure too, and takes
    longer: it is no slip.
    """
    whole = _judgeable(strokes)
    if len(whole) < max(settings.wear_min_strokes, WINDOW + 2):
        return []
    pressure = _alternation(np.log(np.maximum(_pressures(whole), 1.0)))
    duration = _alternation(np.log([stroke.flowing_s for stroke in whole]))
    slips = _lasting(duration + pressure / THINNING)
    lower, shorter = _lasting(pressure), _lasting(duration)
    worn = np.zeros(len(whole), dtype=bool)
    over = (slips > settings.wear_slip_share) | (lower > settings.wear_pressure_share)
    for first, last in runs_of(over).tolist():
        worn[first : last + 2] = last - first >= settings.wear_min_strokes
    if not worn.any():
        return []
    first, last = np.flatnonzero(worn)[[0, -1]]
    of = worn[1:-1]
    return [
        Wear(
            part=whole[0].part,
            start_us=whole[first].start_us,
            end_us=whole[last].end_us,
            pressure_share=float(np.median(lower[of])),
            duration_share=float(np.median(shorter[of])),
            slip_share=float(np.median(slips[of])),
            strokes=len(whole),
        )
    ]


def _judgeable(strokes: list[Stroke]) -> list[Stroke]:
    """Those that were seen whole and have a pressure."""
    flowed = [stroke for stroke in strokes if stroke.whole and stroke.flowing_s > 0]
    return list(itertools.compress(flowed, np.isfinite(_pressures(flowed)).tolist()))


def _pressures(strokes: list[Stroke]) -> FloatArray:
    """(S,) [Pa] of one part's strokes, NaN if not known: of catalyst strokes by the gauge that reads."""
    if strokes and strokes[0].part == "base":
        return np.array([stroke.base_pa for stroke in strokes], dtype=np.float64)
    one = np.array([stroke.catalyst_1_pa for stroke in strokes], dtype=np.float64)
    two = np.array([stroke.catalyst_2_pa for stroke in strokes], dtype=np.float64)
    return np.where(np.isnan(one), two, one)


def _alternation(values: FloatArray) -> FloatArray:
    """How far each stroke lies over its two neighbours, one direction's sign turned.

    values : (S,), logarithms. Returns (S - 2,)
    """
    apart = values[1:-1] - (values[:-2] + values[2:]) / 2
    turned: FloatArray = np.where(np.arange(len(apart)) % 2 == 0, apart, -apart)
    return turned


def _lasting(apart: FloatArray) -> FloatArray:
    """By which share one direction keeps under the other over some strokes around each, without sign.

    apart : (S,), of logarithms. Nothing where it may be chance, as where reversals were missed or counted
    twice: strokes scatter too much, or do not agree on the direction
    """
    middle = _middle(apart)
    # The median of so many has this deviation, if they scatter evenly about it.
    chance = 1.2533 * 1.4826 * _middle(np.abs(apart - middle)) / np.sqrt(WINDOW)
    agree = (
        np.convolve(np.pad(np.sign(apart), WINDOW // 2, mode="reflect"), np.ones(WINDOW), "valid") / WINDOW
    )
    share: FloatArray = -np.expm1(-np.abs(middle))
    return np.where((np.abs(middle) > SURE_TIMES * chance) & (np.abs(agree) > AGREE), share, 0.0)


def _middle(values: FloatArray) -> FloatArray:
    """Median over the strokes around each; the first and the last ones have that of the nearest whole window.

    values : (S,), a window at least
    """
    middle = median_around(values, WINDOW)
    half = WINDOW // 2
    middle[:half], middle[-half:] = middle[half], middle[-half - 1]
    return middle


def find_clogging(strokes: list[Stroke], settings: GaugeSettings) -> Clogging:
    """Running pressure at equal flow against its level with the mixer new.

    strokes : one part's, in order. A stop that is long enough to replace the mixer, and after which the
    pressure is back, begins anew. What comes back without one was the gun, held half open: a mixer does not
    free itself
    """
    whole = _judgeable(strokes)
    if len(whole) < 2 * WINDOW:
        return Clogging()
    read = _pressures(whole)
    flowing_s = _as_if_seen(np.array([stroke.flowing_s for stroke in whole]), read)
    pressure = _at_equal_flow(read, flowing_s)
    least = max(settings.clogging_rise, np.expm1(TRIGGER_TIMES * _trigger_scatter(whole, pressure)))
    spans = []
    for first, end in itertools.pairwise([*_fresh(whole, pressure), len(whole)]):
        reference = float(np.median(pressure[first : first + WINDOW]))
        rises = _middle(pressure[first:end]) / reference - 1.0
        stays = np.minimum.accumulate(rises[::-1])[::-1]
        spans += [
            CloggingSpan(whole[first + low].start_us, whole[first + high - 1].end_us, float(stays[high - 1]))
            for low, high in runs_of(stays > least).tolist()
            if high - low >= WINDOW
        ]
    rise = float(rises[-1])
    return Clogging(reference, reference * (1.0 + rise), rise, spans)


def _trigger_scatter(strokes: list[Stroke], pressure: FloatArray) -> float:
    """[1], by which share pressures differ from one pull of the trigger to the next, 0 where there are few.

    A gun held half open is a resistance as a clogged mixer is, and pulls differ by it from one to the next.
    pressure : (S,) [Pa]
    """
    start_us = np.array([stroke.start_us for stroke in strokes])
    end_us = np.array([stroke.end_us for stroke in strokes])
    flowing_us = np.array([stroke.flowing_s for stroke in strokes]) * 1e6
    parted = start_us[1:] - end_us[:-1] > PULL_APART_S * 1e6
    # A stroke of two pulls is of neither.
    within = end_us - start_us - flowing_us < PULL_APART_S * 1e6
    pull = np.concatenate(([0], np.cumsum(parted | ~within[:-1])))[within]
    starts = np.flatnonzero(np.diff(pull, prepend=-1))
    if len(starts) < PULLS_MIN:
        return 0.0
    levels = [float(np.median(one)) for one in np.split(np.log(pressure[within]), starts[1:])]
    return float(1.4826 * median(np.abs(np.diff(levels))) / np.sqrt(2.0))


def _as_if_seen(flowing_s: FloatArray, pressure: FloatArray) -> FloatArray:
    """(S,) [s] durations as they would be had no reversal been missed where from a stroke on most others are.

    flowing_s : (S,) [s]; pressure : (S,) [Pa]
    """
    seen, half = flowing_s.copy(), WINDOW // 2
    before, after = slice(0, -2 * half), slice(2 * half, None)
    longer, higher = (middle[after] / middle[before] for middle in (_middle(flowing_s), _middle(pressure)))
    same = np.abs(higher - 1.0) < PUSHES_SHARE
    for share, by in ((longer, 0.5), (1.0 / longer, 2.0)):
        steps = same & (share > TWICE[0]) & (share < TWICE[1])
        for first, last in runs_of(steps).tolist():
            seen[first + int(np.argmax(share[first:last])) + half :] *= by
    return seen


def _at_equal_flow(pressure: FloatArray, flowing_s: FloatArray) -> FloatArray:
    """Pressure as it would be at the usual flow.

    A pump delivers its displacement a stroke, so flow goes as one over the stroke's duration, and a fluid's
    pressure as a power of flow. The power is not fitted: an air-driven pump that is throttled flows less at
    more pressure, and a fit would find the pump instead of the fluid.
    pressure : (S,) [Pa]; flowing_s : (S,) [s]. Returns (S,) [Pa]
    Source: power-law fluids.
    """
    slower = np.log(flowing_s / np.median(flowing_s))
    equal: FloatArray = pressure * np.exp(THINNING * np.clip(slower, -1.0, 1.0))
    return equal


def _fresh(strokes: list[Stroke], pressure: FloatArray) -> list[int]:
    """Places of the first strokes through each mixer. pressure : (S,) [Pa]"""
    fresh = [0]
    for place in range(WINDOW, len(strokes) - WINDOW):
        stood_s = (strokes[place].start_us - strokes[place - 1].end_us) / 1e6
        if stood_s < MIXER_CHANGE_S or place - fresh[-1] < WINDOW:
            continue
        before, after = (
            np.median(pressure[place - WINDOW : place]),
            np.median(pressure[place : place + WINDOW]),
        )
        if after < before * 0.92:
            fresh.append(place)
    return fresh
