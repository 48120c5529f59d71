"""Is the pump wearing, is the mixer clogging? Told by strokes, over hours.

A worn check valve lets material back in one direction only: that direction runs at a lower pressure, or is
over sooner. A clogging mixer needs more and more pressure for the same flow.
"""

from typing import Final

import numpy as np
from scipy import ndimage

from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray
from pipeline.derive.gauges.results import Clogging, CloggingSpan, Part, Wear
from pipeline.derive.gauges.settings import GaugeSettings

# Clogging is judged on medians over this many strokes: a single pull says little.
WINDOW: Final = 15
# Flow is told by the stroke's duration: strokes within this share of the usual are at equal flow.
EQUAL_FLOW: Final = 0.25


def find_wear(
    part: Part,
    start_us: IntArray,
    end_us: IntArray,
    flowing_s: FloatArray,
    pressure_pa: FloatArray,
    settings: GaugeSettings,
) -> Wear | None:
    """How unlike the two directions are, if more than the settings let pass.

    start_us, end_us : (S,) [us]; flowing_s : (S,) [s]; pressure_pa : (S,) [Pa], NaN where not known; whole
    strokes in succession, so that every other one goes the same way
    """
    if len(pressure_pa) < settings.wear_min_strokes:
        return None
    # Each stroke against the mean of its neighbours: slow changes cancel, turns of direction stay.
    sign = np.where(np.arange(1, len(pressure_pa) - 1) % 2 == 0, 1.0, -1.0)
    pressure = _alternation(pressure_pa, sign)
    duration = _alternation(flowing_s, sign)
    if len(pressure) < settings.wear_min_strokes // 2:
        return None
    share = abs(float(np.median(pressure)))
    spread = 1.4826 * float(np.median(np.abs(pressure - np.median(pressure))))
    if share < settings.wear_pressure_share or share < 3 * spread / np.sqrt(len(pressure)):
        return None
    return Wear(
        part=part,
        start_us=int(start_us[0]),
        end_us=int(end_us[-1]),
        pressure_share=share,
        duration_share=abs(float(np.median(duration))) if len(duration) else 0.0,
        strokes=len(pressure_pa),
    )


def _alternation(values: FloatArray, sign: FloatArray) -> FloatArray:
    """How far each stroke lies from its neighbours, one direction counted up, as a share; finite ones."""
    neighbours = (values[:-2] + values[2:]) / 2
    with np.errstate(invalid="ignore", divide="ignore"):
        share = sign * (values[1:-1] - neighbours) / ((values[1:-1] + neighbours) / 2)
    return share[np.isfinite(share)]


def find_clogging(
    start_us: IntArray,
    end_us: IntArray,
    flowing_s: FloatArray,
    pressure_pa: FloatArray,
    fresh: BoolArray,
    settings: GaugeSettings,
) -> Clogging:
    """Running pressure at equal flow against its level with the mixer new.

    start_us, end_us : (S,) [us]; flowing_s : (S,) [s]; pressure_pa : (S,) [Pa]; whole dispensing strokes
    fresh : (S,) True for the first stroke after the mixer may have been replaced
    """
    usable = np.isfinite(pressure_pa) & (flowing_s > 0)
    if usable.sum() < WINDOW:
        return Clogging()
    usual = np.median(flowing_s[usable])
    usable &= np.abs(flowing_s - usual) <= EQUAL_FLOW * usual
    segment = np.cumsum(fresh)
    spans: list[CloggingSpan] = []
    reference = latest = None
    for mixer in np.unique(segment[usable]):
        strokes = np.flatnonzero(usable & (segment == mixer))
        if len(strokes) < 2 * WINDOW:
            continue
        smooth = ndimage.median_filter(pressure_pa[strokes], WINDOW, mode="nearest")
        reference = float(np.median(pressure_pa[strokes[:WINDOW]]))
        latest = float(smooth[-1])
        rise = smooth / reference - 1.0
        for first, last in runs_of(rise > settings.clogging_rise):
            spans.append(
                CloggingSpan(
                    int(start_us[strokes[first]]),
                    int(end_us[strokes[last - 1]]),
                    float(rise[first:last].max()),
                )
            )
    return Clogging(
        reference_pa=reference,
        latest_pa=latest,
        rise=None if reference is None or latest is None else latest / reference - 1.0,
        spans=spans,
    )
