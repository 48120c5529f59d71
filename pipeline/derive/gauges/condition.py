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
WINDOW: Final = 15
# A stroke that lasts this many times its neighbour was not one stroke.
FLOW_STEP_MAX: Final = 1.6
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
    """How unlike the two directions of a part are, if more than the settings let pass.

    strokes : one part's, in order. Returns one finding or none
    """
    whole = [stroke for stroke in strokes if stroke.whole]
    if len(whole) < max(settings.wear_min_strokes, WINDOW + 2):
        return []
    pressure = _alternation(_pressures(whole))
    duration = _alternation(np.array([stroke.flowing_s for stroke in whole]))
    worn = pressure > settings.wear_pressure_share
    if worn.mean() < 0.5:
        return []
    first, last = np.flatnonzero(worn)[[0, -1]]
    return [
        Wear(
            part=whole[0].part,
            start_us=whole[first].start_us,
            end_us=whole[last + 2].end_us,
            pressure_share=float(np.median(pressure[worn])),
            duration_share=float(np.median(duration[worn])),
            strokes=len(whole),
        )
    ]


def _pressures(strokes: list[Stroke]) -> FloatArray:
    """(S,) [Pa] of one part's strokes, NaN if not known: of catalyst strokes by the gauge that reads."""
    if strokes and strokes[0].part == "base":
        return np.array([stroke.base_pa for stroke in strokes], dtype=np.float64)
    one = np.array([stroke.catalyst_1_pa for stroke in strokes], dtype=np.float64)
    two = np.array([stroke.catalyst_2_pa for stroke in strokes], dtype=np.float64)
    return np.where(np.isnan(one), two, one)


def _alternation(values: FloatArray) -> FloatArray:
    """How far one direction lies from the other over some strokes around each, as a share, without sign.

    values : (S,). Returns (S - 2,)
    """
    neighbours = (values[:-2] + values[2:]) / 2
    with np.errstate(invalid="ignore", divide="ignore"):
        share = (values[1:-1] - neighbours) / ((values[1:-1] + neighbours) / 2)
    share = np.clip(np.nan_to_num(share), -1.0, 1.0)
    turned: FloatArray = share * np.where(np.arange(len(share)) % 2 == 0, 1.0, -1.0)
    around: FloatArray = np.abs(median_around(turned, WINDOW))
    return around


def find_clogging(strokes: list[Stroke], settings: GaugeSettings) -> Clogging:
    """Running pressure at equal flow against its level with the mixer new.

    strokes : one part's, in order. A stop that is long enough to replace the mixer, and after which the
    pressure is back, begins anew
    """
    flowed = [stroke for stroke in strokes if stroke.whole and stroke.flowing_s > 0]
    known = np.isfinite(_pressures(flowed))
    whole = list(itertools.compress(flowed, known.tolist()))
    if len(whole) < 2 * WINDOW:
        return Clogging()
    pressure = _at_equal_flow(_pressures(whole), np.array([stroke.flowing_s for stroke in whole]))
    smooth = median_around(pressure, WINDOW)
    reference = _reference(whole, pressure)
    rise = smooth / reference - 1.0
    spans = [
        CloggingSpan(whole[first].start_us, whole[last - 1].end_us, float(rise[first:last].max()))
        for first, last in runs_of(rise > settings.clogging_rise).tolist()
        if last - first >= WINDOW
    ]
    return Clogging(float(reference[-1]), float(smooth[-1]), float(rise[-1]), spans)


def _at_equal_flow(pressure: FloatArray, flowing_s: FloatArray) -> FloatArray:
    """Pressure as it would be at the usual flow.

    A pump delivers its displacement a stroke, so flow goes as one over the stroke's duration; pressure goes
    as a power of flow, whose exponent is fitted to the changes from stroke to stroke, free of slow trends.
    pressure : (S,) [Pa]; flowing_s : (S,) [s]. Returns (S,) [Pa]
    Source: power-law fluids; the exponent of a shear-thinning one lies between 0 and 1.
    """
    slower = np.log(flowing_s / np.median(flowing_s))
    steps, falls = np.diff(slower), -np.diff(np.log(np.maximum(pressure, 1.0)))
    usable = np.abs(steps) < np.log(FLOW_STEP_MAX)
    power = float(np.clip((steps * falls)[usable].sum() / max((steps**2)[usable].sum(), 1e-12), 0.0, 1.0))
    equal: FloatArray = pressure * np.exp(power * np.clip(slower, -1.0, 1.0))
    return equal


def _reference(strokes: list[Stroke], pressure: FloatArray) -> FloatArray:
    """(S,) [Pa], level of the first strokes since the mixer was last replaced."""
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
    levels = np.array([np.median(pressure[place : place + WINDOW]) for place in fresh])
    reference: FloatArray = levels[np.searchsorted(fresh, np.arange(len(strokes)), side="right") - 1]
    return reference
