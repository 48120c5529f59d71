"""Which gauge lies, from when to when? Faults that show in a gauge's own samples.

Limits come from the recording itself: its noise and its usual pressure. Faults that only show against the
other gauges over a longer time are offsets.py's.
"""

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np

from edge.units import psi_to_pa
from edge.words import Fault, Gauge
from pipeline.derive.gauges.frames import NO_PRESSURE_PA, noise_of
from pipeline.derive.gauges.medians import median
from pipeline.derive.gauges.quality import Flag, FlagArray, ne43, runs_of
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray
from pipeline.derive.gauges.results import SensorFault
from pipeline.derive.gauges.settings import GaugeSettings
from pipeline.derive.gauges.timeline import joined_spans

# Gauge pressure can't fall under a vacuum; what reads lower than a vacuum and a zero that is 1 % of a 400 bar
# span off, and than its noise, is electrics.
IMPOSSIBLE_PA: Final = -5e5
NOISE_TIMES: Final = 8.0
# A spike is out and back within so many samples, and no longer than a reversal's shortest dip lasts at 50 Hz.
SPIKE_SAMPLES: Final = 3
SPIKE_S: Final = 0.16
SPIKE_SHARE: Final = 0.05
# The trigger's own jolts come with a change of pressure in every gauge within this.
STEP_AROUND_S: Final = 0.4
# Reversals dip 25 % at most: what falls deeper and is back as fast is the gauge.
DIP_SHARE_MAX: Final = 0.35
STUCK_S: Final = 3.0
STUCK_SAMPLES: Final = 15
STUCK_NOISE_SHARE: Final = 0.02
SATURATED_S: Final = 0.3
# A stay at a ceiling that was come back to: so many samples at exactly the same value are no chance.
RETURN_SAMPLES: Final = 4
# A gauge is flat by nature, too coarse to show its noise, if by chance as many stays as this in a recording
# are as long as that of a stuck one. Neighbours in one step of a coarse logger go together: take the root.
FLAT_BY_CHANCE: Final = 1e-3
# While a gauge of the same flow moves by this share of its pressure, a live gauge moves too.
MOVES_SHARE: Final = 0.05
BROKEN_S: Final = 0.3
JOIN_US: Final = 2_000_000
# Two ceilings as near as this are one, at a coarse logger's step.
CEILING_SLACK: Final = 1.002
# A saturated reading is still a bound: it tells standing from running.
FLAG_OF: Final = {Fault.MISSING: Flag.MISSING, Fault.SATURATION: Flag.SUSPECT}
_SAMPLE_BLOCKS: Final = 64
_BLOCK: Final = 4096


@dataclass(frozen=True)
class Usual:
    """What is usual for a gauge. plateau, noise : [Pa]; flat : too coarse to show its noise."""

    plateau: float
    noise: float
    flat: bool


@dataclass(frozen=True)
class Checked:
    """A gauge judged. flags : (M,); faults at running times; usual : what the limits came from."""

    flags: FlagArray
    faults: list[SensorFault]
    usual: Usual


def usual_of(values: FloatArray, interval_us: float) -> Usual:
    """Plateau and noise of a gauge, from blocks spread over the recording.

    values : (M,) [Pa]; interval_us : [us], usual
    """
    count = len(values)
    if len(values) > _SAMPLE_BLOCKS * _BLOCK:
        starts = np.linspace(0, len(values) - _BLOCK, _SAMPLE_BLOCKS).astype(np.int64)
        values = values[(starts[:, None] + np.arange(_BLOCK)).ravel()]
    pressurised = values[values > NO_PRESSURE_PA]
    if len(pressurised) < 10:
        return Usual(float(np.median(pressurised)) if len(pressurised) else 0.0, 0.0, True)
    plateau = float(np.median(pressurised))
    still = np.diff(pressurised) == 0
    # A gauge stuck for long must not look flat by nature: leave its long runs out.
    runs = runs_of(still)
    length = runs[:, 1] - runs[:, 0]
    unchanged = int(length[length < STUCK_SAMPLES].sum())
    share = unchanged / max(1, unchanged + int(np.count_nonzero(~still)))
    stay = max(STUCK_SAMPLES, STUCK_S * 1e6 / max(interval_us, 1.0))
    flat = bool(share ** (stay / 2) * count > FLAT_BY_CHANCE or still.all())
    bend = pressurised[np.concatenate(([True], ~still))]
    return Usual(plateau, noise_of(bend), flat)


def check_gauges(
    run_us: IntArray, gauges: dict[Gauge, FloatArray], settings: GaugeSettings
) -> dict[Gauge, Checked]:
    """Judge each pressure gauge.

    run_us : (M,) [us], rising; gauges : each (M,) [Pa], NaN where missing
    """
    usual = {gauge: usual_of(values, _interval(run_us)) for gauge, values in gauges.items()}
    faults: dict[Gauge, dict[Fault, BoolArray]] = {}
    for gauge, values in gauges.items():
        same_flow = [(gauges[other], usual[other]) for other in _same_flow(gauge) if other in gauges]
        broken = _wire_break(run_us, values, usual[gauge], settings)
        saturated = _saturation(run_us, values, usual[gauge], settings) & ~broken
        stuck, dead, clipped = _still(run_us, values, usual[gauge], same_flow, saturated)
        saturated |= clipped & ~broken
        faults[gauge] = {
            Fault.MISSING: np.isnan(values),
            Fault.WIRE_BREAK: broken | dead,
            Fault.SATURATION: saturated,
            Fault.STUCK: stuck & ~broken & ~dead,
        }
    sound = {
        gauge: np.where(np.logical_or.reduce(list(faults[gauge].values())), np.nan, values)
        for gauge, values in gauges.items()
    }
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
            faults += [SensorFault(start, end, gauge, fault) for start, end in spans]
    return Checked(flags, faults, usual)


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


def _same_flow(gauge: Gauge) -> list[Gauge]:
    """Gauges that move whenever this one does: the other catalyst gauge; for the base, both of them.

    Not the base for a catalyst gauge: in a purge the base flows alone.
    """
    if gauge == Gauge.BASE:
        return [Gauge.CATALYST_1, Gauge.CATALYST_2]
    if gauge in (Gauge.CATALYST_1, Gauge.CATALYST_2):
        return [Gauge.CATALYST_2 if gauge == Gauge.CATALYST_1 else Gauge.CATALYST_1]
    return []


def _lasting(run_us: IntArray, rows: BoolArray, seconds: float, samples: int = 1) -> BoolArray:
    """Runs that last."""
    kept = np.zeros(len(rows), dtype=bool)
    for first, last in runs_of(rows):
        if last - first >= samples and run_us[last - 1] - run_us[first] >= seconds * 1e6:
            kept[first:last] = True
    return kept


def _wire_break(run_us: IntArray, values: FloatArray, usual: Usual, settings: GaugeSettings) -> BoolArray:
    with np.errstate(invalid="ignore"):
        low = values < min(IMPOSSIBLE_PA, -NOISE_TIMES * usual.noise)
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


def _still(
    run_us: IntArray,
    values: FloatArray,
    usual: Usual,
    same_flow: list[tuple[FloatArray, Usual]],
    saturated: BoolArray,
) -> tuple[BoolArray, BoolArray, BoolArray]:
    """Unchanged for too long: stuck at some pressure, dead at none while the others have it, at a ceiling."""
    stuck, dead, clipped = (np.zeros(len(values), dtype=bool) for _ in range(3))
    tolerance = max(STUCK_NOISE_SHARE * usual.noise, 1e-9 * usual.plateau, 1e-6)
    with np.errstate(invalid="ignore"):
        runs = runs_of(np.abs(np.diff(values)) < tolerance)
    first, last = runs.T
    long = (run_us[last] - run_us[first] >= STUCK_S * 1e6) & (last - first >= STUCK_SAMPLES)
    for first, last in runs[long].tolist():
        rows = slice(first, last + 1)
        if np.ptp(values[rows]) > 2 * tolerance or saturated[rows].any() or clipped[first]:
            continue
        moves = any(_moves(other[rows], known) for other, known in same_flow)
        if values[first] < NO_PRESSURE_PA:
            dead[rows] = any(_has_pressure(other[rows]) for other, _ in same_flow)
        elif moves or not usual.flat:
            under = _under_ceiling(values, first, last + 1, tolerance, NOISE_TIMES * usual.noise)
            if under is None:
                stuck[rows] = True
            else:
                clipped[under] = values[under] >= values[first] - tolerance
    return stuck, dead, clipped


def _under_ceiling(values: FloatArray, first: int, last: int, tolerance: float, clear: float) -> slice | None:
    """Samples around a still run that keep under it, if it is a ceiling; None if the gauge is stuck.

    A gauge sticks at what it read last, and once. A ceiling cuts off what was above it, or is come back to.
    tolerance : [Pa], what counts as the same; clear : [Pa], a difference out of the noise
    """
    ceiling = float(np.median(values[first:last]))
    with np.errstate(invalid="ignore"):
        above = np.flatnonzero(values > ceiling + tolerance)
        place = int(np.searchsorted(above, first))
        start = int(above[place - 1]) + 1 if place else 0
        end = int(above[place]) if place < len(above) else len(values)
        under = slice(start, end)
        at_top = runs_of(values[under] >= ceiling - tolerance)
        cut = values[first - 1] - ceiling > clear if first else False
    returns = [
        (one, two)
        for (_, one), (two, end_of) in itertools.pairwise(at_top.tolist())
        if end_of - two >= RETURN_SAMPLES
        and np.nanmin(values[under][one:two], initial=ceiling) < ceiling - clear
    ]
    return under if cut or returns else None


def _moves(values: FloatArray, usual: Usual) -> bool:
    """Whether a gauge's level changes: dips, a sixth of the time at most, are no change of level."""
    finite = values[np.isfinite(values)]
    return len(finite) > 0 and float(np.ptp(np.quantile(finite, [0.25, 0.75]))) > MOVES_SHARE * usual.plateau


def _has_pressure(values: FloatArray) -> bool:
    finite = values[np.isfinite(values)]
    return len(finite) > 0 and median(finite) > NO_PRESSURE_PA


def _spikes(run_us: IntArray, gauge: Gauge, gauges: dict[Gauge, FloatArray], usual: Usual) -> BoolArray:
    """Out and back within a few samples, in this gauge alone.

    A surge at the trigger's release is in every gauge; a reversal's dip is in both gauges of its part, and
    no deeper than dips are.
    gauges : each (M,) [Pa], NaN where it is not sound
    """
    values = gauges[gauge]
    others = [gauges[g] for g in gauges if g not in (gauge, Gauge.AIR)]
    catalysts = (Gauge.CATALYST_1, Gauge.CATALYST_2)
    partner = next((gauges[g] for g in catalysts if g in gauges and g != gauge), None)
    if gauge not in catalysts:
        partner = None
    spikes = np.zeros(len(values), dtype=bool)
    limit = max(NOISE_TIMES * usual.noise, SPIKE_SHARE * usual.plateau)
    if limit <= 0:
        return spikes
    step = np.diff(values)
    around = max(2, round(STEP_AROUND_S * 1e6 / max(_interval(run_us), 1.0)))
    with np.errstate(invalid="ignore"):
        out = np.flatnonzero(np.abs(step) > limit)
    for width in range(1, SPIKE_SAMPLES + 1):
        edge = out[out + width < len(step)]
        back = step[edge + width]
        with np.errstate(invalid="ignore"):
            turns = (step[edge] * back < 0) & (np.abs(back) > limit)
            # What comes back to where it was: else it is a step with an overshoot.
            returns = np.abs(values[edge + width + 1] - values[edge]) < 0.5 * np.abs(step[edge])
        short = (run_us[edge + width + 1] - run_us[edge]) <= SPIKE_S * 1e6 + 1.5 * _interval(run_us)
        at = edge[turns & returns & (short | (width == 1))]
        size = values[at + 1] - values[at]
        alone = np.ones(len(at), dtype=bool)
        for other in others:
            alone &= ~(_follows(other, at, width, size) | _steps(other, at, width, around))
        unshared = size > 0
        with np.errstate(invalid="ignore"):
            unshared |= -size > DIP_SHARE_MAX * values[at]
        if partner is not None:
            read = np.isfinite(_around(partner, at, width)).all(axis=1)
            unshared |= read & ~_follows(partner, at, width, size)
        for sample in range(1, width + 1):
            spikes[at[alone & unshared] + sample] = True
    return spikes


def _steps(other: FloatArray, at: IntArray, width: int, around: int) -> BoolArray:
    """(S,) whether another gauge's pressure goes elsewhere at the same time: the trigger moved."""
    before = other[np.maximum(0, at - around)]
    after = other[np.minimum(len(other) - 1, at + width + around)]
    with np.errstate(invalid="ignore"):
        steps: BoolArray = np.abs(after - before) > MOVES_SHARE * np.abs(before)
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
