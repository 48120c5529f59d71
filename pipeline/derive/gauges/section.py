"""What does one bounded stretch of a recording say? Joins the rooms: quality, flow, states, strokes.

What is learnt of a gauge, its usual pressure and its noise, is learnt from the stretch alone. analyse.py
cuts a recording of any length into such stretches.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from edge.words import PRESSURE_GAUGES, Fault, Gauge
from pipeline.derive.gauges import changeover, condition, purging, states, strokes
from pipeline.derive.gauges.around import highest_around
from pipeline.derive.gauges.dips import (
    APART_S,
    FALLS_S,
    TRACE_MIN,
    TRACE_NOISE_TIMES,
    begun,
    find_dips,
    relative_depth,
)
from pipeline.derive.gauges.drifts import Drift, ends_drift, find_drifts
from pipeline.derive.gauges.due import add_due, without_echoes
from pipeline.derive.gauges.faults import Checked, check_gauges
from pipeline.derive.gauges.flow import find_flow, line_relieved
from pipeline.derive.gauges.frames import Frames, Signal, make_frames
from pipeline.derive.gauges.jumps import Jump, find_jumps, mended, shown_standing
from pipeline.derive.gauges.quality import Flag
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray, Recording
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

PARTS: Final[dict[Part, tuple[Gauge, ...]]] = {
    "base": (Gauge.BASE,),
    "catalyst": (Gauge.CATALYST_1, Gauge.CATALYST_2),
}
# 100 kbar: what no gauge reads is no number.
READABLE_PA: Final = 1e10
# A saturated gauge's level is not known so long before and after.
CLIPPED_S: Final = 1.0
# A jump and what takes it back differ by this share at most.
UNDONE: Final = 0.4
# A drift that a step ends is seen to end so near to it.
END_S: Final = 150.0
# Air is in the line so long before and after what shows of a changeover.
AIR_S: Final = 60.0
BLED_S: Final = 15.0
FLUID: Final = tuple(gauge for gauges in PARTS.values() for gauge in gauges)


@dataclass(frozen=True)
class Moves:
    """How a part moved.

    flow : (F,); place : (F,) [1], of the level between running and standing; dips, reversals : frames
    """

    flow: BoolArray
    place: FloatArray
    dips: IntArray
    reversals: IntArray


@dataclass(frozen=True)
class Offset:
    """A gauge whose zero is off from frame `first` until `last`, one past the end."""

    gauge: Gauge
    first: int
    last: int
    type: Fault


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
    read = make_frames(timeline, _good(gauges, checked), bounds)
    clipped = _clipped(read, checked)
    jumps, ends, frames, moves, codes = _without_jumps(read, clipped, settings)
    end_us = int(timeline.run_us[-1])
    seen = _changeovers(frames, moves)
    rest = frames.count(BLED_S)
    codes, moves = _without_bleeding(codes, moves, seen, rest), _without_blind_strokes(moves, seen, rest)
    offsets = _offsets(frames, jumps, ends, codes)
    levels = _levels(read, offsets, clipped)
    return Section(
        timeline,
        states=states.state_spans(frames, codes, _gaps(timeline, settings), end_us),
        reversals=_reversals(frames, moves),
        strokes=[
            stroke for part in moves for stroke in _strokes(frames, part, moves[part], levels, codes, end_us)
        ],
        changeovers=sorted(
            (ChangeoverSeen(*_times(frames, one.first, one.last, end_us), part) for part, one in seen),
            key=lambda one: one.start_us,
        ),
        faults=_faults(frames, checked, offsets, seen, end_us),
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
    seen: list[tuple[Part, changeover.Changeover]],
    end_us: int,
) -> list[SensorFault]:
    """Faults of gauges, without those that another fault or air in a line explains."""
    off = [_offset_fault(frames, offset, end_us) for offset in offsets]
    own = [fault for checks in checked.values() for fault in checks.faults]
    # A gauge whose zero has sunk reads impossibly low once the pressure is off: that is no second fault.
    faults = [f for f in own if f.type != Fault.WIRE_BREAK or not any(_covers(o, f) for o in off)] + off
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


def _good(gauges: dict[Gauge, FloatArray], checked: dict[Gauge, Checked]) -> dict[Gauge, FloatArray]:
    """What did not fail its checks, NaN elsewhere.

    A suspect reading is a bound, and better than none; the other gauge of the same line is better than both.
    """
    fit = {gauge: checks.flags == Flag.GOOD for gauge, checks in checked.items()}
    good = {}
    for gauge, values in gauges.items():
        usable = fit[gauge]
        suspect = checked[gauge].flags == Flag.SUSPECT
        if suspect.any():
            others = [fit[o] for line in PARTS.values() if gauge in line for o in line if o in fit]
            usable = usable | suspect & ~np.logical_or.reduce(others or [usable])
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
    moves = _moves(frames)
    return moves, _states(read, frames, moves, settings)


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


def _moves(frames: Frames) -> dict[Part, Moves]:
    """Flow and reversals of each part that has a gauge."""
    signals: dict[Part, list[Signal]] = {
        part: [frames.signals[gauge] for gauge in gauges if gauge in frames.signals]
        for part, gauges in PARTS.items()
    }
    depths = {part: relative_depth(own) for part, own in signals.items() if own}
    raw = {part: find_dips(depth, frames.count(APART_S)) for part, depth in depths.items()}
    moves: dict[Part, Moves] = {}
    for part, depth in depths.items():
        dips = raw[part]
        for other in raw:
            if other != part:
                own, its = (depths[p][dips] * np.nan_to_num(signals[p][0].level[dips]) for p in (part, other))
                dips = strokes.without_crosstalk(frames, depth, dips, raw[other], its - own)
        flow, place = find_flow(frames, signals[part], dips)
        moves[part] = Moves(flow, place, dips, np.array([], dtype=np.int64))
    if not moves:
        return moves
    if len(moves) == len(PARTS):
        base, catalyst = (moves[part] for part in PARTS)
        turns = np.union1d(base.dips, catalyst.dips)
        flow = purging.without_base(frames, catalyst.flow, base.flow, turns, signals["base"])
        moves["catalyst"] = replace(catalyst, flow=flow)
    # Dispensing, both parts flow: of two that doubt it in turn, one is enough to count the strokes of both.
    mixed = moves["catalyst"].flow if "catalyst" in moves else np.zeros(len(frames.first), dtype=bool)
    for part, depth in depths.items():
        flow, dips = moves[part].flow | mixed, moves[part].dips
        seen = strokes.find_reversals(frames, depth, dips, flow)
        trace = relative_depth(signals[part], TRACE_MIN, TRACE_NOISE_TIMES)
        echoes = np.setdiff1d(raw[part], dips)
        trace = without_echoes(frames, trace, [raw[p] for p in raw if p != part], echoes)
        turns = begun(signals[part], add_due(frames, signals[part], trace, seen, flow), frames.count(FALLS_S))
        moves[part] = replace(moves[part], reversals=turns)
    return moves


def _states(read: Frames, frames: Frames, moves: dict[Part, Moves], settings: GaugeSettings) -> states.Codes:
    """States. read : frames as the gauges said them; frames : with jumps taken off"""
    lines = [[gauge for gauge in gauges if gauge in frames.signals] for gauges in PARTS.values()]
    no_pressure, nothing = states.without_pressure(
        len(frames.first),
        # One gauge whose zero is off, or was taken to be, must not keep the pump from being off.
        [[given.signals[gauge] for given in (frames, read) for gauge in line] for line in lines if line],
    )
    base, catalyst = (moves.get(part) for part in PARTS)
    if not (base and catalyst):
        either = base or catalyst
        flow = either.flow if either else np.zeros(len(frames.first), dtype=bool)
        return states.find_states(frames, flow, flow & False, no_pressure, nothing, settings)
    # Catalyst alone is no purge: what it does to the mix is for balance and ratio to say.
    alone = base.flow & ~catalyst.flow & ~purging.bled(frames.signals[Gauge.BASE], base.dips)
    signals = [frames.signals[gauge] for gauge in PARTS["catalyst"] if gauge in frames.signals]
    off = line_relieved(signals)
    with_it = purging.with_catalyst(frames, alone, catalyst.flow, catalyst.place, catalyst.dips, signals)
    dispensing = catalyst.flow | with_it & ~off
    alone &= ~dispensing
    own = [read.signals[Gauge.BASE]]
    purged = purging.purges(frames, alone, base.flow, base.place, base.dips, off, own)
    return states.find_states(frames, dispensing, purged, no_pressure, nothing, settings)


def _reversals(frames: Frames, moves: dict[Part, Moves]) -> list[Reversal]:
    found = [
        Reversal(int(frames.run_us[mark]), part) for part, moved in moves.items() for mark in moved.reversals
    ]
    return sorted(found, key=lambda reversal: reversal.at_us)


def _changeovers(frames: Frames, moves: dict[Part, Moves]) -> list[tuple[Part, changeover.Changeover]]:
    seen = []
    for part, moved in moves.items():
        other = [g for p, gauges in PARTS.items() if p != part for g in gauges if g in frames.signals]
        own = [frames.signals[gauge] for gauge in PARTS[part] if gauge in frames.signals]
        stands = np.zeros(len(frames.first), dtype=bool)
        for gauge in other:
            stands |= frames.signals[gauge].level > frames.signals[gauge].plateau / 2
        # Both gauges of a part feel one line: the one with more to say speaks.
        signal = max(own, key=lambda one: int(np.isfinite(one.level).sum()))
        found = changeover.find_changeovers(frames, signal, moved.flow, moved.reversals, stands)
        seen += [(part, one) for one in found]
    return seen


def _without_bleeding(
    codes: states.Codes, moves: dict[Part, Moves], seen: list[tuple[Part, changeover.Changeover]], rest: int
) -> states.Codes:
    """A part that flows alone while its drum or pail is replaced is being bled: no purge, no dispensing.

    rest : frames for which bleeding may go on after it last ran ragged
    """
    codes = codes.copy()
    for part, found in seen:
        alone = _bled_alone(moves, part, found, rest)
        codes[alone & ((codes == states.PURGING) | (codes == states.DISPENSING))] = states.STALLED
    return codes


def _without_blind_strokes(
    moves: dict[Part, Moves], seen: list[tuple[Part, changeover.Changeover]], rest: int
) -> dict[Part, Moves]:
    """A pump that is bled alone strokes into the open: what it moves there is not dispensed."""
    kept = dict(moves)
    for part, found in seen:
        bleeding = _bled_alone(kept, part, found, rest)
        reversals = kept[part].reversals
        kept[part] = replace(kept[part], reversals=reversals[~bleeding[reversals]])
    return kept


def _bled_alone(moves: dict[Part, Moves], part: Part, found: changeover.Changeover, rest: int) -> BoolArray:
    """(F,) where a part flows alone while its drum or pail is replaced."""
    alone = np.zeros(len(moves[part].flow), dtype=bool)
    others = [moved.flow for name, moved in moves.items() if name != part]
    if others:
        span = slice(found.first, found.bled + rest)
        alone[span] = moves[part].flow[span] & ~others[0][span]
    return alone


def _times(frames: Frames, first: int, last: int, end_us: int) -> tuple[int, int]:
    """Running times of a first frame and of one past a last."""
    return int(frames.run_us[first]), int(frames.run_us[last]) if last < len(frames.run_us) else end_us


def _offset_fault(frames: Frames, offset: Offset, end_us: int) -> SensorFault:
    return SensorFault(*_times(frames, offset.first, offset.last, end_us), offset.gauge, offset.type)


def _covers(one: SensorFault, other: SensorFault) -> bool:
    return one.gauge == other.gauge and one.start_us <= other.start_us and other.end_us <= one.end_us


def _gaps(timeline: Timeline, settings: GaugeSettings) -> list[tuple[int, int]]:
    """Gaps that are long enough to be a state, running time [us]."""
    run = timeline.run_us
    pairs = ((int(run[gap]), int(run[gap + 1])) for gap in timeline.silent)
    return [(start, end) for start, end in pairs if end - start >= settings.no_data_min_s * 1e6]


def _offsets(frames: Frames, jumps: list[Jump], ends: list[Jump], codes: states.Codes) -> list[Offset]:
    """Gauges whose zero is off, from when to when.

    frames : with the jumps taken off; ends : steps that put a drift right
    """
    flow, stands = codes == states.DISPENSING, codes == states.STALLED
    drifts = find_drifts(frames, flow, stands)
    near = frames.count(END_S)
    for end in ends:
        # A drift is seen until a stay shows that it is gone: the step says when.
        drifts = [replace(d, last=end.first) if _spans_step(d, end) else d for d in drifts]
        seen = [(o.gauge, o.last) for o in drifts] + [(o.gauge, o.last) for o in jumps]
        if not any(gauge == end.gauge and abs(last - end.first) < near for gauge, last in seen):
            # Too short to be seen by itself: as if it had gone on.
            lasting = find_drifts(mended(frames, [replace(end, last=len(frames.first))]), flow, stands)
            drifts += [replace(d, last=end.first) for d in lasting if _spans_step(d, end)]
    offsets = []
    for jump in jumps:
        # A jump that ended in a pull's rise or fall, unseen, was taken off for too long: an offset of its own
        # size the other way.
        over = [drift for drift in drifts if _undoes(jump, drift)]
        last = min([jump.last, *(drift.first for drift in over)])
        offsets.append(Offset(jump.gauge, jump.first, last, Fault.JUMP))
        drifts = [drift for drift in drifts if drift not in over]
    for drift in drifts:
        # A drift that is put right at once ends in what looks like a jump the other way.
        back = [
            one
            for one in offsets
            if one.gauge == drift.gauge
            and one.type == Fault.JUMP
            and drift.first < one.first < drift.last <= one.last
        ]
        offsets = [one for one in offsets if one not in back]
        last = back[0].first if back else drift.last
        offsets.append(Offset(drift.gauge, drift.first, last, Fault.JUMP if drift.at_once else Fault.DRIFT))
    return offsets


def _spans_step(drift: Drift, step: Jump) -> bool:
    back = drift.gauge == step.gauge and drift.size * step.size < 0
    return back and drift.first < step.first < drift.last


def _undoes(jump: Jump, drift: Drift) -> bool:
    alike = abs(drift.size + jump.size) < UNDONE * abs(jump.size)
    return jump.gauge == drift.gauge and jump.first < drift.first < jump.last <= drift.last and alike


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


def _strokes(
    frames: Frames,
    part: Part,
    moves: Moves,
    levels: dict[Gauge, FloatArray],
    codes: states.Codes,
    end_us: int,
) -> list[Stroke]:
    dispensing = codes == states.DISPENSING
    marks = strokes.stroke_marks(frames, moves.reversals, dispensing)
    numbers = strokes.stroke_numbers(marks, dispensing)
    count = len(marks) + 1
    blank = np.full(len(frames.first), np.nan)
    base, one, two = (levels.get(gauge, blank) for gauge in FLUID)
    apart = one - two
    means = strokes.stroke_means([base, one, two, apart], numbers, count)
    columns = dict(zip(("base_pa", "catalyst_1_pa", "catalyst_2_pa", "balance_pa"), means, strict=True))
    columns["balance_sustained_pa"] = strokes.stroke_sustained(apart, numbers, count)
    return strokes.make_strokes(frames, part, moves.reversals, marks, numbers, columns, end_us)
