"""What does one bounded stretch of a recording say? Joins the rooms: quality, flow, states, strokes.

What is learnt of a gauge, its usual pressure and its noise, is learnt from the stretch alone. analyse.py
cuts a recording of any length into such stretches.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from edge.units import psi_to_pa
from edge.words import PRESSURE_GAUGES, Fault, Gauge
from pipeline.derive.gauges import condition, states, strokes
from pipeline.derive.gauges.around import highest_around
from pipeline.derive.gauges.bleeding import changeovers_of, without_bleeding, without_blind_strokes
from pipeline.derive.gauges.changeover import Changeover
from pipeline.derive.gauges.drifts import ends_drift
from pipeline.derive.gauges.faults import Checked, check_gauges
from pipeline.derive.gauges.frames import DIP_MAX_S, Frames, make_frames
from pipeline.derive.gauges.jumps import Jump, find_jumps, mended, shown_standing
from pipeline.derive.gauges.moves import Moves, find_moves, states_of
from pipeline.derive.gauges.offsets import Offset, find_offsets
from pipeline.derive.gauges.parts import FLUID, PARTS
from pipeline.derive.gauges.quality import Flag
from pipeline.derive.gauges.recording import BoolArray, FloatArray, Recording
from pipeline.derive.gauges.results import (
    ChangeoverSeen,
    Leak,
    Part,
    Reversal,
    SensorFault,
    StateSpan,
    Stroke,
)
from pipeline.derive.gauges.settings import GaugeSettings
from pipeline.derive.gauges.timeline import Timeline, find_timeline

# 100 kbar: what no gauge reads is no number.
READABLE_PA: Final = 1e10
# A saturated gauge's level is not known so long before and after.
CLIPPED_S: Final = 1.0
# What may be beyond a limit is put so far beyond it.
BEYOND: Final = 1.001
# Air is in the line so long before and after what shows of a changeover.
AIR_S: Final = 60.0


@dataclass(frozen=True)
class Section:
    """What a stretch says, at its running times [us].

    timeline : order and times of its rows
    offsets : when each offset of a zero began and ended
    """

    timeline: Timeline
    states: list[StateSpan]
    reversals: list[Reversal]
    strokes: list[Stroke]
    changeovers: list[ChangeoverSeen]
    faults: list[SensorFault]
    leaks: list[Leak]
    offsets: list[tuple[int, int]]


def read_section(recording: Recording, settings: GaugeSettings) -> Section:
    """All that a stretch says. Looks at nothing but its arguments: the same in, the same out.

    recording : pressures [Pa], one row at least; gauges may be missing, of the recording's or for a while
    """
    gauges: dict[Gauge, FloatArray] = {
        gauge: readable(recording.gauges[gauge]) for gauge in PRESSURE_GAUGES if gauge in recording.gauges
    }
    timeline = find_timeline(recording.at_us, list(gauges.values()))
    if not timeline.plain:
        gauges = {gauge: values[timeline.order] for gauge, values in gauges.items()}
    checked = check_gauges(timeline.run_us, gauges, settings)
    bounds = {gauge: checks.flags == Flag.SUSPECT for gauge, checks in checked.items()}
    read = make_frames(timeline, _good(timeline, gauges, checked), bounds)
    clipped = _clipped(read, checked)
    jumps, ends, frames, moves, codes = _without_jumps(read, clipped, settings)
    end_us = int(timeline.run_us[-1])
    seen = changeovers_of(frames, moves)
    codes, moves = without_bleeding(frames, codes, moves, seen), without_blind_strokes(frames, moves, seen)
    offsets = find_offsets(frames, jumps, ends, codes)
    levels = _levels(read, offsets, clipped)
    apart = _apart(read, gauges, levels, clipped, settings)
    return Section(
        timeline,
        states=states.state_spans(frames, codes, _gaps(timeline, settings), end_us),
        reversals=_reversals(frames, moves),
        strokes=[
            stroke
            for part in moves
            for stroke in _strokes(frames, part, moves[part], levels, apart, codes, end_us)
        ],
        changeovers=sorted(
            (ChangeoverSeen(*_times(frames, one.first, one.last, end_us), part) for part, one in seen),
            key=lambda one: one.start_us,
        ),
        faults=_faults(frames, checked, offsets, seen, codes == states.OFF, end_us),
        leaks=condition.find_leaks(
            frames, {g: levels[g] for g in FLUID if g in levels}, codes == states.STALLED, end_us
        ),
        offsets=[_times(frames, offset.first, offset.last, end_us) for offset in offsets],
    )


def readable(values: FloatArray) -> FloatArray:
    """The values, NaN where they are beyond what any gauge reads. (N,) [Pa]"""
    with np.errstate(invalid="ignore"):
        absurd = np.abs(values) >= READABLE_PA
    return np.where(absurd, np.nan, values) if absurd.any() else values


def _faults(
    frames: Frames,
    checked: dict[Gauge, Checked],
    offsets: list[Offset],
    seen: list[tuple[Part, Changeover]],
    off_pressure: BoolArray,
    end_us: int,
) -> list[SensorFault]:
    """Faults of gauges, without those that another fault or air in a line explains."""
    faults = [_offset_fault(frames, offset, end_us) for offset in offsets]
    for fault in (fault for checks in checked.values() for fault in checks.faults):
        # A gauge whose zero has sunk reads impossibly low once the pressure is off, for a rest or for a new
        # drum: that is no second fault.
        sunk = next((n for n, off in enumerate(faults) if _at_once(off, fault)), None)
        if (
            fault.type == Fault.WIRE_BREAK
            and sunk is not None
            and _unloaded(frames, fault, seen, off_pressure)
        ):
            off = faults[sunk]
            first_us, last_us = min(off.start_us, fault.start_us), max(off.end_us, fault.end_us)
            faults[sunk] = SensorFault(first_us, last_us, off.gauge, off.type)
        else:
            faults.append(fault)
    # A pump that draws air hammers its own gauge, before it runs ragged and until all air is out.
    rest = frames.count(AIR_S)
    air = [
        (PARTS[part], *_times(frames, max(0, one.first - rest), one.last + rest, end_us))
        for part, one in seen
    ]
    # A drift is told against the other part's gauges, so either side's air can feign one.
    return [
        f
        for f in faults
        if f.type not in (Fault.SPIKE, Fault.DRIFT)
        or not any(
            (f.type == Fault.DRIFT or f.gauge in gauges) and begin <= f.start_us and f.end_us <= end
            for gauges, begin, end in air
        )
    ]


def _unloaded(
    frames: Frames, fault: SensorFault, seen: list[tuple[Part, Changeover]], off_pressure: BoolArray
) -> bool:
    """Whether a gauge's line has no pressure for most of a fault, or its drum is replaced meanwhile.

    off_pressure : (F,), where the pump has none
    """
    first, last = np.searchsorted(frames.run_us, (fault.start_us, fault.end_us + 1)).tolist()
    empty = off_pressure[first:last].copy()
    for part, one in seen:
        if fault.gauge in PARTS[part]:
            empty[max(0, one.first - first) : max(0, one.last - first)] = True
    return bool(np.mean(empty) > 0.5)


def _good(
    timeline: Timeline, gauges: dict[Gauge, FloatArray], checked: dict[Gauge, Checked]
) -> dict[Gauge, FloatArray]:
    """What did not fail its checks, NaN elsewhere.

    A suspect reading is a bound, and better than none; the other gauge of the same line is better than both.
    So it is where a saturated gauge comes under its ceiling in a dip: of that it shows no depth.
    """
    fit = {gauge: checks.flags == Flag.GOOD for gauge, checks in checked.items()}
    suspect = {gauge: checks.flags == Flag.SUSPECT for gauge, checks in checked.items()}
    reach = 2 * round(DIP_MAX_S / 2 * 1e6 / max(timeline.interval_us, 1)) + 1
    known = {
        gauge: fit[gauge] & ~highest_around(suspect[gauge], reach) if suspect[gauge].any() else fit[gauge]
        for gauge in gauges
    }
    good = {}
    for gauge, values in gauges.items():
        usable = fit[gauge]
        if suspect[gauge].any():
            line = next((line for line in PARTS.values() if gauge in line), ())
            others = [known[other] for other in line if other in known and other != gauge]
            better = np.logical_or.reduce([np.zeros(len(values), dtype=bool), *others])
            usable = np.where(better, known[gauge], usable | suspect[gauge])
        good[gauge] = values if usable.all() else np.where(usable, values, np.nan)
    return good


def _without_jumps(
    read: Frames, clipped: dict[Gauge, BoolArray], settings: GaugeSettings
) -> tuple[list[Jump], list[Jump], Frames, dict[Part, Moves], states.Codes]:
    """Jumps, steps that put a drift right, and what is seen with the jumps taken off.

    What standing time does not show comes with flow, as an imbalance does, or is the pump's: without it, the
    others may find another way back.
    """
    refused: set[tuple[Gauge, int]] = set()
    ends: list[Jump] = []
    while True:
        # Where a gauge begins or ceases to be saturated it steps, and its zero stays.
        jumps = [
            jump
            for jump in find_jumps(read, refused)
            if jump.gauge not in clipped or not clipped[jump.gauge][jump.first]
        ]
        sure = [jump for jump in jumps if not jump.at_turn]
        frames = mended(read, sure)
        moves, codes = _seen(read, frames, settings)
        shown = [jump for jump in jumps if shown_standing(read, jump, codes == states.STALLED)]
        # The pump's own steps are many and alike, and any of them would be the next one's way back.
        wrong = {(jump.gauge, jump.first) for jump in jumps if jump not in shown and not jump.alone}
        stands = codes == states.STALLED
        right = [jump for jump in shown if ends_drift(read, jump, stands)]
        wrong |= {(jump.gauge, jump.first) for jump in right}
        ends += right
        refused |= wrong
        if shown == sure and not wrong:
            return shown, ends, frames, moves, codes
        if not wrong:
            frames = mended(read, shown)
            return shown, ends, frames, *_seen(read, frames, settings)


def _seen(read: Frames, frames: Frames, settings: GaugeSettings) -> tuple[dict[Part, Moves], states.Codes]:
    moves = find_moves(frames)
    return moves, states_of(read, frames, moves, settings)


def _clipped(frames: Frames, checked: dict[Gauge, Checked]) -> dict[Gauge, BoolArray]:
    """(F,) where a gauge is saturated or about to be, of those that are at times.

    In a dip it comes under its ceiling, and its level is still not known.
    """
    suspect = {gauge: checks.flags == Flag.SUSPECT for gauge, checks in checked.items()}
    reach = 2 * frames.count(CLIPPED_S) + 1
    return {
        gauge: highest_around(np.logical_or.reduceat(at, frames.first), reach)
        for gauge, at in suspect.items()
        if at.any()
    }


def _reversals(frames: Frames, moves: dict[Part, Moves]) -> list[Reversal]:
    found = [
        Reversal(int(frames.run_us[mark]), part) for part, moved in moves.items() for mark in moved.reversals
    ]
    return sorted(found, key=lambda reversal: reversal.at_us)


def _times(frames: Frames, first: int, last: int, end_us: int) -> tuple[int, int]:
    """Running times of a first frame and of one past a last."""
    return int(frames.run_us[first]), int(frames.run_us[last]) if last < len(frames.run_us) else end_us


def _offset_fault(frames: Frames, offset: Offset, end_us: int) -> SensorFault:
    return SensorFault(*_times(frames, offset.first, offset.last, end_us), offset.gauge, offset.type)


def _at_once(off: SensorFault, fault: SensorFault) -> bool:
    return (
        off.type in (Fault.DRIFT, Fault.JUMP)
        and off.gauge == fault.gauge
        and off.start_us <= fault.end_us
        and fault.start_us <= off.end_us
    )


def _gaps(timeline: Timeline, settings: GaugeSettings) -> list[tuple[int, int]]:
    """Gaps that are long enough to be a state, running time [us]."""
    run = timeline.run_us
    pairs = ((int(run[gap]), int(run[gap + 1])) for gap in timeline.silent)
    return [(start, end) for start, end in pairs if end - start >= settings.no_data_min_s * 1e6]


def _levels(
    frames: Frames, offsets: list[Offset], clipped: dict[Gauge, BoolArray]
) -> dict[Gauge, FloatArray]:
    """Level of each gauge, NaN where its zero is off and where it is saturated: a bound is no pressure."""
    levels = {gauge: signal.level.copy() for gauge, signal in frames.signals.items()}
    for gauge in clipped.keys() & levels.keys():
        levels[gauge][clipped[gauge]] = np.nan
    for offset in offsets:
        levels[offset.gauge][offset.first : offset.last] = np.nan
    return levels


def _apart(
    read: Frames,
    gauges: dict[Gauge, FloatArray],
    levels: dict[Gauge, FloatArray],
    clipped: dict[Gauge, BoolArray],
    settings: GaugeSettings,
) -> FloatArray:
    """(F,) [Pa], by how much catalyst_1 runs over catalyst_2, NaN where that is not known.

    A gauge at its ceiling is at least so far over the other: where that is more than a caution, nothing shows
    that it is not out of balance, and so it counts.
    gauges : each (M,) [Pa], as read; levels : (F,) [Pa] each, NaN where not known; clipped : (F,) each
    """
    blank = np.full(len(read.first), np.nan)
    one, two = (levels.get(gauge, blank) for gauge in PARTS["catalyst"])
    apart = one - two
    caution, out = psi_to_pa(settings.balance_caution_psi), BEYOND * psi_to_pa(settings.balance_out_psi)
    for gauge, other, sign in ((Gauge.CATALYST_1, two, 1.0), (Gauge.CATALYST_2, one, -1.0)):
        if gauge in clipped and gauge in gauges:
            over = np.fmax.reduceat(gauges[gauge], read.first) - other
            with np.errstate(invalid="ignore"):
                apart = np.where(clipped[gauge] & (over > caution), sign * np.maximum(over, out), apart)
    return apart


def _strokes(
    frames: Frames,
    part: Part,
    moves: Moves,
    levels: dict[Gauge, FloatArray],
    apart: FloatArray,
    codes: states.Codes,
    end_us: int,
) -> list[Stroke]:
    dispensing = codes == states.DISPENSING
    marks = strokes.stroke_marks(frames, moves.reversals, dispensing)
    numbers = strokes.stroke_numbers(marks, dispensing)
    count = len(marks) + 1
    blank = np.full(len(frames.first), np.nan)
    base, one, two = (levels.get(gauge, blank) for gauge in FLUID)
    means = strokes.stroke_means([base, one, two, apart], numbers, count)
    columns = dict(zip(("base_pa", "catalyst_1_pa", "catalyst_2_pa", "balance_pa"), means, strict=True))
    columns["balance_sustained_pa"] = strokes.stroke_sustained(apart, numbers, count)
    columns["balance_held_pa"] = strokes.stroke_held(apart, numbers, count, frames.count(strokes.HELD_S))
    return strokes.make_strokes(frames, part, moves.reversals, marks, numbers, columns, end_us)
