"""Which gauge lies, from when to when? Faults that show in a gauge's own samples.

Limits come from the recording itself: its noise and its usual pressure. Faults that only show against the
other gauges over a longer time are jumps.py's and drifts.py's.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from edge.units import psi_to_pa
from edge.words import Fault, Gauge
from pipeline.derive.gauges.around import steps_where
from pipeline.derive.gauges.dead import find_dead
from pipeline.derive.gauges.frames import NO_PRESSURE_PA
from pipeline.derive.gauges.parts import PARTS
from pipeline.derive.gauges.pinned import find_pinned, is_rating
from pipeline.derive.gauges.quality import Flag, FlagArray, ne43, runs_of
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray
from pipeline.derive.gauges.results import SensorFault
from pipeline.derive.gauges.settings import GaugeSettings
from pipeline.derive.gauges.still import (
    MOVES_SHARE,
    NOISE_TIMES,
    all_stand_still,
    find_still,
    lasting_runs,
)
from pipeline.derive.gauges.timeline import joined_spans
from pipeline.derive.gauges.usual import Usual, usual_of

# Gauge pressure can't fall under a vacuum; what reads lower than a vacuum and a zero that is 1 % of a 400 bar
# span off, and than its noise, is electrics.
IMPOSSIBLE_PA: Final = -5e5
# A spike is out and back within so many samples, and no longer than a reversal's shortest dip lasts at 50 Hz.
SPIKE_SAMPLES: Final = 3
SPIKE_S: Final = 0.16
SPIKE_SHARE: Final = 0.05
# The trigger's own jolts come with a change of pressure in every gauge within this.
STEP_AROUND_S: Final = 0.4
# A jolt is no more than this many times the step that it comes with.
JOLT_TIMES: Final = 2.5
# Reversals dip 25 % at most: what falls deeper and is back as fast is the gauge.
DIP_SHARE_MAX: Final = 0.35
SATURATED_S: Final = 0.3
BROKEN_S: Final = 0.3
# So many deviations of the noise under zero, for so long, are none.
BROKEN_NOISE: Final = 4.0
JOIN_US: Final = 2_000_000
# Two ceilings as near as this are one, at a coarse logger's step.
CEILING_SLACK: Final = 1.002
# A saturated reading is still a bound: it tells standing from running.
FLAG_OF: Final = {Fault.MISSING: Flag.MISSING, Fault.SATURATION: Flag.SUSPECT}


@dataclass(frozen=True)
class Checked:
    """A gauge judged. flags : (M,); faults at running times; usual : what the limits came from."""

    flags: FlagArray
    faults: list[SensorFault]
    usual: Usual


def check_gauges(
    run_us: IntArray, gauges: dict[Gauge, FloatArray], settings: GaugeSettings
) -> dict[Gauge, Checked]:
    """Judge each pressure gauge.

    run_us : (M,) [us], rising; gauges : each (M,) [Pa], NaN where missing
    """
    usual = {gauge: usual_of(values, _interval(run_us)) for gauge, values in gauges.items()}
    faults: dict[Gauge, dict[Fault, BoolArray]] = {}
    for gauge, values in gauges.items():
        broken = _wire_break(run_us, values, usual[gauge], settings)
        if settings.pressure_span_psi is None:
            broken |= find_pinned(run_us, gauge, gauges, usual)
        saturated = _saturation(run_us, values, usual[gauge], settings) & ~broken
        tops = runs_of(saturated)
        if settings.pressure_span_psi is None and all_stand_still(gauge, gauges, usual, tops):
            saturated[:] = False
        faults[gauge] = {
            Fault.MISSING: np.isnan(values),
            Fault.WIRE_BREAK: broken,
            Fault.SATURATION: saturated,
            Fault.STUCK: np.zeros(len(values), dtype=bool),
        }
    # What a gauge should feel is told by the others, where they are sound.
    for gauge in gauges:
        stuck, clipped = find_still(
            run_us, gauge, _heard(gauge, gauges, faults), usual, faults[gauge][Fault.SATURATION]
        )
        broken = faults[gauge][Fault.WIRE_BREAK]
        faults[gauge][Fault.SATURATION] |= clipped & ~broken
        faults[gauge][Fault.STUCK] = stuck & ~broken
    for gauge in gauges:
        stuck, dead = find_dead(run_us, gauge, _heard(gauge, gauges, faults), usual)
        faults[gauge][Fault.STUCK] |= stuck & ~faults[gauge][Fault.WIRE_BREAK]
        faults[gauge][Fault.WIRE_BREAK] |= dead
    sound = {}
    for gauge, values in gauges.items():
        found = [where for where in faults[gauge].values() if where.any()]
        sound[gauge] = np.where(np.logical_or.reduce(found), np.nan, values) if found else values
    return {
        gauge: _checked(
            run_us,
            gauge,
            gauges[gauge],
            {**faults[gauge], Fault.SPIKE: _spikes(run_us, gauge, sound, usual[gauge])},
            usual[gauge],
        )
        for gauge in gauges
    }


def _heard(
    gauge: Gauge, gauges: dict[Gauge, FloatArray], faults: dict[Gauge, dict[Fault, BoolArray]]
) -> dict[Gauge, FloatArray]:
    """The pressures by which one gauge is judged: its own, and the others' where nothing is known of them."""
    lies = {other: faults[other][Fault.WIRE_BREAK] | faults[other][Fault.STUCK] for other in gauges}
    return {
        other: np.where(lies[other], np.nan, values) if other != gauge and lies[other].any() else values
        for other, values in gauges.items()
    }


def _checked(
    run_us: IntArray, gauge: Gauge, values: FloatArray, rows: dict[Fault, BoolArray], usual: Usual
) -> Checked:
    """Flags and spans from where each fault is."""
    flags = np.full(len(run_us), Flag.GOOD, dtype=np.uint8)
    faults = []
    for fault, where in rows.items():
        if where.any():
            flags[where] = FLAG_OF.get(fault, Flag.FAIL)
            spans = (
                _ceilings(run_us, values, where)
                if fault == Fault.SATURATION
                else joined_spans(run_us, where, JOIN_US)
            )
            faults += [
                SensorFault(start, end, gauge, _named(fault, values[np.searchsorted(run_us, start)], usual))
                for start, end in spans
            ]
    return Checked(flags, faults, usual)


def _named(fault: Fault, reading: float, usual: Usual) -> Fault:
    """What a fault is called: what is pinned at a gauge's rating is at its full scale."""
    at_top = fault == Fault.WIRE_BREAK and reading > usual.plateau and is_rating(reading)
    return Fault.SATURATION if at_top else fault


def _ceilings(run_us: IntArray, values: FloatArray, where: BoolArray) -> list[tuple[int, int]]:
    """Spans under one ceiling: a pressure comes back to it pull after pull, and is never above it between.

    run_us, values, where : (M,)
    """
    spans: list[list[int]] = []
    for first, last in runs_of(where).tolist():
        if spans:
            between = values[spans[-1][1] : first]
            top = max(float(values[spans[-1][1] - 1]), float(values[first]))
            level = min(float(values[spans[-1][1] - 1]), float(values[first]))
            if level * CEILING_SLACK >= top and not (between > top * CEILING_SLACK).any():
                spans[-1][1] = last
                continue
        spans.append([first, last])
    return [(int(run_us[first]), int(run_us[last - 1])) for first, last in spans]


def _lasting(run_us: IntArray, rows: BoolArray, seconds: float, samples: int = 1) -> BoolArray:
    """Runs that last."""
    kept = np.zeros(len(rows), dtype=bool)
    for first, last in lasting_runs(run_us, rows, seconds, samples):
        kept[first:last] = True
    return kept


def _wire_break(run_us: IntArray, values: FloatArray, usual: Usual, settings: GaugeSettings) -> BoolArray:
    with np.errstate(invalid="ignore"):
        low = values < min(IMPOSSIBLE_PA, -BROKEN_NOISE * usual.noise)
    if settings.pressure_span_psi is not None:
        low |= ne43(values, 0.0, psi_to_pa(settings.pressure_span_psi)) == Flag.FAIL
    return _lasting(run_us, low, BROKEN_S, 2) if low.any() else low


def _saturation(run_us: IntArray, values: FloatArray, usual: Usual, settings: GaugeSettings) -> BoolArray:
    """Clipped at the top: by the span if it is set, else unchanged at the recording's highest value."""
    if settings.pressure_span_psi is not None:
        with np.errstate(invalid="ignore"):
            top = values >= psi_to_pa(settings.pressure_span_psi) * (1 - 1e-9)
    elif usual.flat or not np.isfinite(values).any():
        return np.zeros(len(values), dtype=bool)
    else:
        top = values >= np.nanmax(values) * (1 - 1e-9)
    return _lasting(run_us, top, SATURATED_S, SPIKE_SAMPLES)


def _spikes(run_us: IntArray, gauge: Gauge, gauges: dict[Gauge, FloatArray], usual: Usual) -> BoolArray:
    """Out and back within a few samples, in this gauge alone.

    A surge at the trigger's release is in every gauge; a reversal's dip is in both gauges of its part, and
    no deeper than dips are.
    gauges : each (M,) [Pa], NaN where it is not sound
    """
    values = gauges[gauge]
    others = [gauges[g] for g in gauges if g not in (gauge, Gauge.AIR)]
    catalysts = PARTS["catalyst"]
    partner = next((gauges[g] for g in catalysts if g in gauges and g != gauge), None)
    if gauge not in catalysts:
        partner = None
    spikes = np.zeros(len(values), dtype=bool)
    limit = max(NOISE_TIMES * usual.noise, SPIKE_SHARE * usual.plateau)
    if limit <= 0:
        return spikes
    around = max(2, round(STEP_AROUND_S * 1e6 / max(_interval(run_us), 1.0)))
    out = np.flatnonzero(steps_where(lambda step: step > limit, values))
    for width in range(1, SPIKE_SAMPLES + 1):
        edge = out[out + width + 1 < len(values)]
        step, back = values[edge + 1] - values[edge], values[edge + width + 1] - values[edge + width]
        with np.errstate(invalid="ignore"):
            turns = (step * back < 0) & (np.abs(back) > limit)
            # What comes back to where it was: else it is a step with an overshoot.
            returns = np.abs(values[edge + width + 1] - values[edge]) < 0.5 * np.abs(step)
        short = (run_us[edge + width + 1] - run_us[edge]) <= SPIKE_S * 1e6 + 1.5 * _interval(run_us)
        at = edge[turns & returns & (short | (width == 1))]
        size = values[at + 1] - values[at]
        alone = np.ones(len(at), dtype=bool)
        for other in others:
            alone &= ~(_follows(other, at, width, size) | _steps(other, at, width, around, size))
        unshared = size > 0
        with np.errstate(invalid="ignore"):
            unshared |= -size > DIP_SHARE_MAX * values[at]
        if partner is not None:
            # A line that has run empty shows no dip, so it gainsays none.
            read = (_around(partner, at, width) > NO_PRESSURE_PA).all(axis=1)
            unshared |= read & ~_follows(partner, at, width, size)
        for sample in range(1, width + 1):
            spikes[at[alone & unshared] + sample] = True
    return spikes


def _steps(other: FloatArray, at: IntArray, width: int, around: int, size: FloatArray) -> BoolArray:
    """(S,) whether another gauge's pressure goes elsewhere at the same time: the trigger moved.

    size : (S,) [Pa], of the spikes: what is much larger than the step is no jolt that comes with it
    """
    before = other[np.maximum(0, at - around)]
    after = other[np.minimum(len(other) - 1, at + width + around)]
    with np.errstate(invalid="ignore"):
        # Of a gauge without pressure a share is nothing, and its noise is no trigger.
        step = np.abs(after - before)
        steps: BoolArray = step > np.maximum(MOVES_SHARE * np.abs(before), NO_PRESSURE_PA)
        steps &= np.abs(size) < JOLT_TIMES * step
    return steps


def _interval(run_us: IntArray) -> float:
    return float(run_us[-1] - run_us[0]) / max(1, len(run_us) - 1)


def _around(other: FloatArray, at: IntArray, width: int) -> FloatArray:
    """(S, width + 6) another gauge's samples from two before `at` on, NaN beyond the recording."""
    window = at[:, None] + np.arange(-2, width + 4)
    inside = (window >= 0) & (window < len(other))
    return np.where(inside, other[np.clip(window, 0, len(other) - 1)], np.nan)


def _follows(other: FloatArray, at: IntArray, width: int, size: FloatArray) -> BoolArray:
    """(S,) whether another gauge goes the same way by a third, give or take the sample or two that lines lag.

    at : (S,) samples before each spike; size : (S,) [Pa]
    """
    around = _around(other, at, width)
    beside = np.sort(around[:, [0, 1, -2, -1]], axis=1)  # NaN come last
    known = np.isfinite(beside).sum(axis=1)
    middle = np.maximum(np.stack(((known - 1) // 2, known // 2), axis=1), 0)
    usual = np.take_along_axis(beside, middle, axis=1).mean(axis=1)
    way = np.sign(size)
    most = np.max(np.where(np.isfinite(around), way[:, None] * around, -np.inf), axis=1) - way * usual
    with np.errstate(invalid="ignore"):
        follows: BoolArray = (known >= 2) & (most > np.abs(size) / 3)
    return follows
