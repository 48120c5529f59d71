"""Whose zero moved at once? A step within a sample or two that no other gauge feels.

Liquid takes its time, and what changes its flow moves every gauge of its part; a step that is over at once,
in steady pressure on both sides, in one gauge alone, is the gauge. It is taken off before flow is looked for,
and named a fault unless standing time shows that it comes with flow only, as an imbalance does. A step at a
reversal is the pump's, whose two directions run at two pressures, unless standing time shows it too.
"""

from collections.abc import Set
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from edge.words import Gauge
from pipeline.derive.gauges.around import steps_where
from pipeline.derive.gauges.dips import APART_S, find_dips, relative_depth
from pipeline.derive.gauges.frames import Frames, Signal
from pipeline.derive.gauges.medians import known_median, known_row_medians
from pipeline.derive.gauges.parts import PARTS
from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray

# A step worth naming: this share of the usual pressure, and this many deviations of the noise.
STEP_SHARE: Final = 0.02
STEP_NOISE: Final = 8.0
# A jump is over within this; what takes longer is a pressure.
JUMP_S: Final = 0.2
# Levels before and after are read over this long, and keep within STEADY of the step.
READ_S: Final = 1.5
STEADY: Final = 0.25
AT_ONCE: Final = 0.85
# Another gauge moves along if it moves by this share of its own pressure, out of its noise.
ALONG_SHARE: Final = 0.01
ALONG_NOISE: Final = 5.0
# A jump back is as large, within this share.
BACK: Final = 0.3
# A step this near to a dip came with the reversal.
TURN_S: Final = 0.4
# Standing time shows a jump by this share of it at least.
SHOWN: Final = 0.5
# Out of its scatter, in median deviations, if the pump may have done it.
SCATTERS: Final = 4.0
# The pump's own steps are many and alike, a gauge's are few.
MANY: Final = 4
# A way back shows in the gauges' mean over this long on both sides, less the edges.
BACK_S: Final = 12.0
BACK_EDGE_S: Final = 2.0
# Alone, a gauge tells a way back that is no smaller than a third of all that it moves by in that minute.
OWN_STEPS: Final = 3.0
# A gauge stands at this quantile of a minute about a pull.
STANDS: Final = 0.9
# What is over sooner is no fault worth naming, and no imbalance.
LAST_S: Final = 10.0
# A stuck piston's pressure leaks away by no more than this share, over this long.
STUCK_SHARE: Final = 0.9
LEAKS_S: Final = 900.0
# How far a step's sides are looked at for strokes, and standing time for the jump.
SIDE_S: Final = 60.0
STANDS_S: Final = 1800.0


@dataclass(frozen=True)
class Jump:
    """A gauge off by `size` [Pa] from frame `first` until `last`, one past its end.

    alone : no gauge of the same line was there to gainsay it; at_turn : and it came with a reversal
    """

    gauge: Gauge
    first: int
    last: int
    size: float
    alone: bool
    at_turn: bool


def find_jumps(frames: Frames, no_jumps: Set[tuple[Gauge, int]] = frozenset()) -> list[Jump]:
    """Jumps of the pressure gauges, each until it jumps back or the recording ends.

    no_jumps : gauge and frame of steps that are known to be the pump's
    """
    if frames.seconds > JUMP_S:
        return []
    fluid = {gauge: signal for gauge, signal in frames.signals.items() if gauge != Gauge.AIR}
    jumps: list[Jump] = []
    for gauge, signal in fluid.items():
        others = [other for name, other in fluid.items() if name != gauge]
        partner = next((fluid[g] for g in _partners(gauge) if g in fluid), None)
        steps = _steps(frames, signal, others, partner)
        if all((gauge, at) in no_jumps for at, _ in steps):
            continue
        own = _dips(frames, [signal])
        if partner is None:
            steps = _not_by_turns(steps, [_near(own, at, frames.count(TURN_S)) for at, _ in steps])
        steps = [(at, size) for at, size in steps if (gauge, at) not in no_jumps]
        if gauge == Gauge.BASE:
            theirs = _dips(frames, others)
            steps = [
                (at, size) for at, size in steps if not _purges(frames, signal.level, own, theirs, at, size)
            ]
        turns = [_near(own, at, frames.count(TURN_S)) for at, _ in steps]
        jumps += _paired(frames, gauge, steps, turns, partner)
    return jumps


def mended(frames: Frames, jumps: list[Jump]) -> Frames:
    """The same frames with the jumps taken off."""
    signals = dict(frames.signals)
    for jump in jumps:
        level = signals[jump.gauge].level.copy()
        level[jump.first : jump.last] -= jump.size
        signals[jump.gauge] = replace(signals[jump.gauge], level=level)
    return replace(frames, signals=signals)


def shown_standing(frames: Frames, jump: Jump, standing: BoolArray) -> bool:
    """Whether standing time has the jump too: what is seen in flow only may be an imbalance.

    frames : with the jump left in; standing : (F,), under pressure without flow
    A jump that the pump may have made must stand out of standing time's own scatter
    """
    own = frames.signals[jump.gauge]
    catalysts = [g for g in PARTS["catalyst"] if g in frames.signals and g != jump.gauge]
    references = [frames.signals[g] for g in catalysts] or [
        frames.signals[g] for g in (Gauge.BASE,) if g in frames.signals and g != jump.gauge
    ]
    reach, near = frames.count(STANDS_S), frames.count(SIDE_S)
    shares, scatters = [], []
    for other in references:
        apart = own.level - other.level * (own.plateau / other.plateau)
        # A gauge at its ceiling says nothing of its zero.
        both = standing & ~(own.no_pressure | other.no_pressure | own.bound | other.bound)
        before = _inside(apart, both, max(0, jump.first - reach), jump.first)
        within = _inside(apart, both, jump.first, min(jump.last, jump.first + reach))
        if not jump.alone:
            # Two gauges of a line keep level: the nearest says most. Two parts need the mean of many stops.
            before, within = before[-near:], within[:near]
        if len(before) and len(within):
            was, now = np.median(before), np.median(within)
            shares.append((now - was) / jump.size)
            scatters.append(np.median(np.abs(np.concatenate((before - was, within - now)))))
    out = not jump.alone or SCATTERS * max(scatters, default=0.0) < abs(jump.size)
    return bool(shares) and bool(out) and all(SHOWN < share < 1 / SHOWN for share in shares)


def _near(marks: IntArray, at: int, reach: int) -> bool:
    return bool(np.searchsorted(marks, at + reach, side="right") > np.searchsorted(marks, at - reach))


def _dips(frames: Frames, signals: list[Signal]) -> IntArray:
    return find_dips(relative_depth(signals), frames.count(APART_S)) if signals else np.array([], np.int64)


def _steps(
    frames: Frames, signal: Signal, others: list[Signal], partner: Signal | None
) -> list[tuple[int, float]]:
    """Frame and size [Pa] of each step of one gauge alone. Of two in a line only the other can gainsay it."""
    near, read = frames.count(JUMP_S), frames.count(READ_S)
    level = signal.level
    floor = max(STEP_SHARE * signal.plateau, STEP_NOISE * signal.noise)
    if len(level) <= 2 * (near + read) or not floor > 0:
        return []
    runs = runs_of(steps_where(lambda step: step > floor, level, near))
    runs = runs[runs[:, 1] - runs[:, 0] <= 2 * near]
    gaps = np.flatnonzero(np.diff(frames.run_us) > 1.5e6 * frames.seconds)
    sides = np.clip(runs + np.array([-read, near + read]), 0, len(level) - 1)
    runs = runs[np.ptp(np.searchsorted(gaps, sides), axis=1) == 0]
    found = []
    for first, last, size in _between_steady(level, runs, near, read, floor):
        before, after = slice(max(0, first - read), first + 1), slice(last + near - 1, last + near + read)
        # A step falls into one frame, or onto the edge of two: all but done within three.
        inside = level[first : last + near]
        if np.abs(inside[2:] - inside[:-2]).max(initial=0.0) < AT_ONCE * abs(size):
            continue
        if _recovers(frames, level, first, size):
            continue
        # Any move of another gauge, if ever so small a share of this one's, is the pump.
        heard = [partner] if partner is not None and np.isfinite(partner.level[last]) else others
        along = [abs(_step(other.level, before, after)) / along_floor(other) for other in heard]
        known = [by for by in along if np.isfinite(by)]
        if known and max(known) < 1:
            # The step itself: the largest move from one frame to the next.
            inside = np.abs(np.diff(level[before.stop - 1 : after.start + 1]))
            found.append((before.stop + int(np.argmax(inside)), size))
    return found


def _not_by_turns(steps: list[tuple[int, float]], turns: list[bool]) -> list[tuple[int, float]]:
    """Steps without those at reversals that many others are as large as: the pump's two directions."""
    sizes = np.abs([size for _, size in steps])
    with_turn = sizes[turns]
    return [
        step
        for step, turn, size in zip(steps, turns, sizes, strict=True)
        if not turn or np.count_nonzero(np.abs(with_turn - size) < BACK * size) <= MANY
    ]


def _recovers(frames: Frames, level: FloatArray, first: int, size: float) -> bool:
    """Whether a piston that stuck while its pressure leaked away slips, and makes good for it at once."""
    earlier = level[max(0, first - frames.count(LEAKS_S)) : first]
    highest = np.nanmax(earlier, initial=0.0)
    now = known_median(level[max(0, first - frames.count(READ_S)) : first + 1])
    return bool(size > 0 and now > STUCK_SHARE * highest and now + size < highest + 0.25 * size)


def along_floor(other: Signal) -> float:
    """From which move on [Pa] another gauge moves along."""
    return max(ALONG_NOISE * other.noise, ALONG_SHARE * other.plateau)


def _step(level: FloatArray, before: slice, after: slice) -> float:
    if not (np.isfinite(level[before]).any() and np.isfinite(level[after]).any()):
        return np.nan
    return known_median(level[after]) - known_median(level[before])


def _between_steady(
    level: FloatArray, runs: IntArray, near: int, read: int, floor: float
) -> list[tuple[int, int, float]]:
    """Moves with a steady level before and another after: their first and last frame, and the size [Pa].

    runs : (R, 2) frames; near, read : frames that a move may take, and that a level is read over
    """
    known = np.pad(level, read, constant_values=np.nan)
    sides = [known[at[:, None] + np.arange(read + 1)] for at in (runs[:, 0], runs[:, 1] + near - 1 + read)]
    was, is_now = (known_row_medians(side) for side in sides)
    size = is_now - was
    with np.errstate(invalid="ignore"):
        steady = np.abs(size) > floor
        for side in sides:
            wanders = np.fmax.reduce(side, axis=1) - np.fmin.reduce(side, axis=1)
            steady &= wanders < 2 * (STEADY * np.abs(size) + floor / 4)
    return [
        (first, last, by)
        for (first, last), by in zip(runs[steady].tolist(), size[steady].tolist(), strict=True)
    ]


def _purges(frames: Frames, level: FloatArray, own: IntArray, others: IntArray, at: int, size: float) -> bool:
    """Whether the base strokes alone on a side of a step: a purge begins or ends there.

    own, others : frames of the base's dips and of the catalyst's. A side reaches to the next step as large
    """
    reach = frames.count(SIDE_S)
    for before in (True, False):
        side = level[max(0, at - reach) : at][::-1] if before else level[at : at + reach]
        with np.errstate(invalid="ignore"):
            left = np.abs(side - known_median(side[: frames.count(READ_S)])) > abs(size) / 2
        length = int(np.argmax(left)) if left.any() else len(side)
        first, last = (at - length, at) if before else (at, at + length)
        strokes = [int(np.searchsorted(d, last) - np.searchsorted(d, first)) for d in (own, others)]
        if strokes[0] and not strokes[1]:
            return True
    return False


def _partners(gauge: Gauge) -> tuple[Gauge, ...]:
    """Gauges of the same line."""
    catalysts = PARTS["catalyst"]
    return tuple(other for other in catalysts if other != gauge) if gauge in catalysts else ()


def _paired(
    frames: Frames,
    gauge: Gauge,
    steps: list[tuple[int, float]],
    turns: list[bool],
    partner: Signal | None,
) -> list[Jump]:
    """Each step with its way back, those that are surely not the pump's first.

    turns : which steps came with a reversal
    """
    alone = [partner is None or bool(np.isnan(partner.level[at])) for at, _ in steps]
    # The pump's own steps are in both gauges of a line.
    pumps = [one and turn for one, turn in zip(alone, turns, strict=True)]
    jumps: list[Jump] = []
    end, least, near = len(frames.first), frames.count(LAST_S), frames.count(2 * JUMP_S)
    for at_turn in (False, True):
        for place, (at, size) in enumerate(steps):
            # Within one that is surely the gauge.s and has no way back there may be others.
            known = any(
                jump.first - near <= at <= jump.last + near for jump in jumps if jump.alone or jump.last < end
            )
            if pumps[place] != at_turn or known:
                continue  # else seen already, or another's way back
            last = _way_back(frames, gauge, at, size, steps, partner)
            last = min([last, *(jump.first for jump in jumps if jump.first > at)])
            if min(last, end) - at >= least:
                jumps.append(Jump(gauge, at, last, size, alone[place], at_turn))
    return sorted(jumps, key=lambda jump: jump.first)


def _way_back(
    frames: Frames,
    gauge: Gauge,
    at: int,
    size: float,
    steps: list[tuple[int, float]],
    partner: Signal | None,
) -> int:
    """Where a step of `size` [Pa] at a frame is undone: at a step as large, or in a pull's rise or fall.

    There no level holds still, so what is sudden in this gauge alone counts, if its partner bears it out.
    """
    level = frames.signals[gauge].level
    later = [(to, by) for to, by in steps if to > at]
    # A step back belongs to the last one that it can undo.
    end = next(
        (
            to
            for place, (to, by) in enumerate(later)
            if _undone(size, by) and not any(_undone(one, by) for _, one in later[:place])
        ),
        len(level),
    )
    own = sudden_moves(level[:end])
    back = np.abs(own + size) < BACK * abs(size)
    # Without a gauge beside it, the level at which it stands must tell.
    apart, middle, ends = level, [], [STANDS]
    if partner is not None:
        back &= ~(np.abs(sudden_moves(partner.level[:end])) > BACK * abs(size))
        # An imbalance comes with flow and goes with it: what it reaches at either end stays the same.
        apart, middle, ends = level - partner.level, [0.5], [1.0 - STANDS, STANDS]
    back[: at + 3] = False
    for to, _ in later:
        back[max(0, to - 3) : to + 3] = False  # seen, and another's
    far, near, wide = (frames.count(seconds) for seconds in (BACK_S, BACK_EDGE_S, SIDE_S))
    for first, last in runs_of(back).tolist():
        around = level[max(at + 1, first - wide) : last + wide]
        if partner is None and np.ptp(around[np.isfinite(around)]) > OWN_STEPS * abs(size):
            continue
        moved = [
            by
            for reach, shares in ((far, middle), (wide, ends))
            for by in moved_by(
                apart[max(at + 1, first - reach) : first - near], apart[last + near : last + reach], shares
            )
        ]
        if all(abs(by + size) < SHOWN * abs(size) for by in moved):
            return int(first)
    return end


def moved_by(before: FloatArray, after: FloatArray, shares: list[float]) -> list[float]:
    """By how much each of these quantiles moved [Pa]; NaN where nothing is known."""
    before, after = before[np.isfinite(before)], after[np.isfinite(after)]
    if not len(before) or not len(after):
        return [np.nan]
    return [float(by) for by in np.quantile(after, shares) - np.quantile(before, shares)]


def _undone(size: float, by: float) -> bool:
    return abs(by + size) < BACK * abs(size)


def sudden_moves(level: FloatArray) -> FloatArray:
    """(F,) [Pa], move from the frame before to the one after, beyond what goes on before and after that."""
    sudden = np.zeros(len(level))
    move = level[2:] - level[:-2]
    sudden[3:-3] = move[2:-2] - (move[:-4] + move[4:]) / 2
    return np.nan_to_num(sudden)


def _inside(values: FloatArray, where: BoolArray, first: int, last: int) -> FloatArray:
    inside = values[first:last][where[first:last]]
    return inside[np.isfinite(inside)]
