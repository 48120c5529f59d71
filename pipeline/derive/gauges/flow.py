"""Does material flow through a gauge's pump? Told by reversals, and by the pressure that flow costs.

While the trigger is pulled the pressure runs below the standing pressure, and the pump strokes. The two are
held together: a level is running or standing by the levels found around dips and far from them, near in time;
a long stay without a dip is standing whatever its level, a train of regular dips is flow.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from pipeline.derive.gauges.around import (
    highest_around,
    in_blocks,
    lowest_around,
    median_around,
    straight_between,
)
from pipeline.derive.gauges.frames import Frames, Signal
from pipeline.derive.gauges.medians import known_median, some
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
# Flow varies with the trigger, standing pressure does not: what lies under it by this share of the step
# flows, or by more where noise and a slow leak are large beside the step.
STANDS_MIN: Final = 0.15
STANDS_MAX: Final = 0.45
STANDS_NOISE: Final = 4.0
STANDS_SHARE: Final = 0.006
HYSTERESIS: Final = 0.1
# No leak takes this share of the step within a second.
STEEP: Final = 0.6
RUNS_HIGH: Final = 1.03
HIGH_TELLS: Final = 0.25
# Flow costs pressure. A gauge of two that rises with it shows an imbalance, and its standing level is known
# from long stays only, which leak: it speaks where the other's step is less than this share of its own.
RISES_TELLS: Final = 0.25
# A line is relieved where one gauge shows none and all less than so much of their usual pressure.
RELIEVED: Final = 0.35
# It is so within so long at most.
RELIEF_S: Final = 20.0
# Nearer to the running level than to the standing one.
RUNS_PLACE: Final = 0.5
STAYS: Final = 0.1
# Pressure follows flow within this long; it moves when it is this share of the way from where it had settled.
ONSET_S: Final = 2.0
SETTLED_S: Final = 0.5
MOVED: Final = 0.1
# Dips in regular succession, each this near to the last, in usual strokes.
TRAIN_STROKES: Final = 1.7


def find_flow(frames: Frames, signals: list[Signal], dips: IntArray) -> tuple[BoolArray, FloatArray]:
    """Where a part flows.

    signals : its gauges; of two, at each moment the one speaks that tells running from standing more clearly
    dips : frames of the part's dips
    Returns (F,); and (F,) [1], the level's place between running, 0, and standing, 1: NaN where not known
    """
    train = dip_trains(frames, dips)
    relieved = _relieved(frames, signals)
    told = [_gauge_flow(frames, signal, dips, train, relieved) for signal in signals]
    flow, place, clearest = told[0].flow, told[0].place, told[0].clarity
    for one in told[1:]:
        clearer = one.clarity > clearest
        np.copyto(flow, one.flow, where=clearer)
        np.copyto(place, one.place, where=clearer)
        clearest = np.maximum(clearest, one.clarity)
    if len(told) > 1 and all(one.levels is not None for one in told):
        _take_parting(frames, flow, place, dips, told)
    return flow, place


@dataclass(frozen=True)
class _Told:
    """What one gauge says: flow, place [1] and clarity [Pa], each (F,).

    levels : (F,) [Pa] each: its own, and the running one near in time; None where it says nothing
    """

    flow: BoolArray
    place: FloatArray
    clarity: FloatArray
    levels: tuple[FloatArray, FloatArray] | None = None


def _take_parting(
    frames: Frames, flow: BoolArray, place: FloatArray, dips: IntArray, told: list[_Told]
) -> None:
    """No flow where two gauges part about the level at which their line stood, and nothing turns. In place.

    What flows takes both down in the mean, whatever the imbalance between them.
    """
    runs, before = runs_of(flow), frames.count(ONSET_S)
    still = np.diff(np.searchsorted(dips, runs), axis=1).ravel() == 0
    levels, running_levels = zip(*(one.levels for one in told if one.levels), strict=True)

    def both(levels: tuple[FloatArray, ...], first: int, last: int) -> float:
        return float(sum(known_median(level[first:last]) for level in levels))

    for first, last in runs[still].tolist():
        was, level = both(levels, max(0, first - before), first), both(levels, first, last)
        running = both(running_levels, first, first + 1)
        if level > was - STANDS_MIN * (was - running) and was > running:
            flow[first:last], place[first:last] = False, 1.0


def _gauge_flow(
    frames: Frames, signal: Signal, dips: IntArray, train: BoolArray, relieved: BoolArray
) -> _Told:
    """Where one gauge says its part flows, its level's place, and how clearly it tells: by its step [Pa]."""
    pressurised = ~signal.no_pressure & np.isfinite(signal.level)
    if not np.isfinite(signal.level[dips]).any():
        # Silent in every reversal, it says nothing of running: the other gauge of the line speaks.
        blank = np.full(len(frames.first), -1.0)
        return _Told(blank > 0, np.full(len(blank), np.nan), blank)
    running = _running_level(frames, signal, dips)
    standing = _standing_level(frames, signal, running, dips)
    # One of two gauges that runs high beside the other would take its running level for standing.
    high = RUNS_HIGH * known_median(some(np.where(pressurised, standing, np.nan)))

    def told(level: FloatArray, running: FloatArray, standing: FloatArray) -> list[Any]:
        step = standing - running
        size = np.abs(step)
        clear = size > np.maximum(STEP_SHARE_MIN * standing, STEP_NOISE_MIN * signal.noise)
        place = (level - running) / np.where(clear, step, np.inf)
        stands = _stands_from(standing, size, signal.noise)
        clarity = np.where(clear, size, 0.0) * np.where(standing > high, HIGH_TELLS, 1.0)
        clarity[step < 0.0] *= RISES_TELLS
        clarity[np.isnan(level)] = -1.0
        return [clear, place, place < stands - HYSTERESIS, place > stands, clarity]

    with np.errstate(invalid="ignore", divide="ignore"):
        clear, place, runs, stands, clarity = in_blocks(told, signal.level, running, standing)
    # Its line has run empty while the other's has not: it tells nothing of the part's flow.
    clarity[signal.no_pressure & ~relieved] = -1.0
    # A pull that the relief ends did not end before.
    by_level = _from_onset(_hysteresis(runs, stands) & clear & pressurised, signal.level, frames) & ~relieved
    by_level = _with_strokes(frames, by_level, dips, signal, place, running, standing)
    flow = clear & (by_level | _inside_train(train, by_level, dips)) | ~clear & train
    # A bound may hide all that lies above it: only strokes tell.
    np.copyto(place, np.nan, where=~clear | signal.bound)
    return _Told(flow & pressurised, place, clarity, (signal.level, running))


def _stands_from(standing: FloatArray, step: FloatArray, noise: float) -> FloatArray:
    """[1], from which place on a level stands. standing, step : (N,) [Pa], step without sign; noise : [Pa]"""
    return 1.0 - np.clip((STANDS_NOISE * noise + STANDS_SHARE * standing) / step, STANDS_MIN, STANDS_MAX)


def line_relieved(signals: list[Signal]) -> BoolArray:
    """(F,) where a line has no pressure: one gauge shows none, and no other shows much.

    One zero may be off, and one gauge may run so far under the other in flow that it shows none.
    """
    none: BoolArray = np.logical_or.reduce([signal.no_pressure for signal in signals])
    with np.errstate(invalid="ignore"):
        low = [~(signal.level >= RELIEVED * signal.plateau) for signal in signals]
    gone: BoolArray = none & np.logical_and.reduce(low)
    return gone


def _relieved(frames: Frames, signals: list[Signal]) -> BoolArray:
    """(F,) a line without pressure, and its falls to none: it passes its running level and does not flow."""
    gone = line_relieved(signals)
    falls = gone.copy()
    back, longest = frames.count(SETTLED_S), frames.count(RELIEF_S)
    for first in runs_of(gone)[:, 0].tolist():
        for signal in signals:
            level, least, start = signal.level, 2 * signal.noise, first
            while start > max(back, first - longest) and level[start - back] > level[start] + least:
                start -= 1
            falls[start:first] = True
    return falls


def _from_onset(flow: BoolArray, level: FloatArray, frames: Frames) -> BoolArray:
    """Date each change back to where the level began to move: pressure follows flow with a lag."""
    turns = np.flatnonzero(np.diff(flow)) + 1
    if not len(turns):
        return flow
    settled, reach = frames.count(SETTLED_S), frames.count(ONSET_S)
    # Not beyond the change before: a short pause must not be taken for the start of the next pull.
    first = np.maximum(np.concatenate(([0], turns[:-1])), turns - reach - settled)
    # What the level was before it moved, and how far it has gone by now.
    was = _row_medians(level, first, np.minimum(first + settled, turns))
    frame = turns[:, None] + np.arange(-reach - settled, 1)
    before = level[np.maximum(frame, 0)]
    with np.errstate(invalid="ignore"):
        way = np.sign(before[:, -1] - was)[:, None]
        moving = way * (before - was[:, None]) > MOVED * np.abs(before[:, -1] - was)[:, None]
    rests = ~moving & (frame >= first[:, None])
    begins = turns - np.argmax(rests[:, ::-1], axis=1) + 1
    flow = flow.copy()
    for start, turn in zip(
        begins[rests.any(axis=1)].tolist(), turns[rests.any(axis=1)].tolist(), strict=True
    ):
        flow[start:turn] = flow[turn]
    return flow


def _row_medians(values: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    """(T,) median of the values from each `first` to its `last`, both inside; NaN if any is."""
    at = first[:, None] + np.arange(int((last - first).max()) + 1)
    inside = at <= last[:, None]
    rows = np.sort(np.where(inside, values[np.minimum(at, len(values) - 1)], np.inf), axis=1)
    count = inside.sum(axis=1)
    place = np.arange(len(rows))
    middle = (rows[place, (count - 1) // 2] + rows[place, count // 2]) / 2
    missing = np.isnan(rows).any(axis=1)
    return np.where(missing, np.nan, middle)


def _with_strokes(
    frames: Frames,
    flow: BoolArray,
    dips: IntArray,
    signal: Signal,
    place: FloatArray,
    running: FloatArray,
    standing: FloatArray,
) -> BoolArray:
    """Flow that shows its reversals, or is too short to need one.

    What runs on for longer than a stroke can last without a dip is a standing level that sank, unless it fell
    as far as flow makes it fall, at once; so is what begins without a fall. What comes from or goes to no
    pressure without a dip is the pump being filled or relieved.
    place : (F,) [1], 0 running, 1 standing; running, standing : (F,) [Pa], levels near in time
    """
    flow = flow.copy()
    longest = frames.count(NO_DIP_S)
    beside = frames.count(ONSET_S)
    runs, inside = runs_of(flow), dips[flow[dips]]
    strokes = np.diff(np.searchsorted(inside, runs), axis=1).ravel() > 0
    begins = runs[:, 0]
    step = np.abs(standing[begins] - running[begins])
    with np.errstate(invalid="ignore", divide="ignore"):
        # The least fall of the level with which flow begins.
        least = 0.5 * (1.0 - _stands_from(standing[begins], step, signal.noise)) * step

    def falls_at_once(first: int) -> bool:
        return _falls_at_once(frames, signal, first, STEEP * abs(float(standing[first] - running[first])))

    for (first, last), fall in zip(runs[~strokes].tolist(), least[~strokes].tolist(), strict=True):
        around = signal.no_pressure[max(0, first - beside) : last + beside]
        before = signal.level[max(0, first - beside // 2) : first]
        high = np.nanmax(np.nan_to_num(before), initial=0.0)
        falls = len(before) == 0 or not high - known_median(signal.level[first:last]) < fall
        # What leaks falls as far, but not at once.
        leaks = last - first > longest and not falls_at_once(first)
        if leaks or around.any() or not falls:
            flow[first:last] = False
    firsts, lasts = runs[strokes].T
    marks = np.concatenate((firsts, inside, lasts))
    order = np.argsort(marks, kind="stable")
    marks, ends = marks[order], order >= len(firsts) + len(inside)
    for mark in np.flatnonzero((np.diff(marks) > longest) & ~ends[:-1]).tolist():
        first, last = int(marks[mark]), int(marks[mark + 1])
        # A slow stroke lasts long: from a reversal on, what stays at its running level or as it was flows.
        was = float(place[max(0, first - frames.count(SETTLED_S))])
        ran = known_median(place[first:last]) < max(RUNS_PLACE, was + STAYS)
        if not (falls_at_once(first) if first in firsts else ran):
            flow[first:last] = False
    return flow


def _falls_at_once(frames: Frames, signal: Signal, first: int, steep: float) -> bool:
    """Whether the level falls at a frame within two seconds as far as no leak lets it, `steep` [Pa]."""
    reach = frames.count(ONSET_S)
    before = signal.level[max(0, first - reach // 2) : first]
    after = known_median(signal.level[first + reach // 2 : first + reach])
    return bool(np.nanmax(np.nan_to_num(before), initial=0.0) - after > steep)


def dip_trains(frames: Frames, dips: IntArray) -> BoolArray:
    """Between which dips the pump strokes on without a stop, half a stroke beyond at both ends.

    Returns (F,)
    """
    inside = np.zeros(len(frames.first), dtype=bool)
    if len(dips) < 3:
        return inside
    apart = np.diff(frames.run_us[dips]) / 1e6
    usual = usual_stroke(apart)
    near = apart <= np.minimum(TRAIN_STROKES * usual, NO_DIP_S)
    half = (usual / 2 / frames.seconds).astype(np.int64)
    for first, last in runs_of(near):
        if last - first < 2:
            continue
        inside[max(0, dips[first] - half[first]) : dips[last] + half[last - 1] + 1] = True
    return inside


def usual_stroke(apart: FloatArray) -> FloatArray:
    """The stroke that is usual around each interval between dips.

    apart : (D,) [s]. Returns (D,) [s]: median of the intervals near by that a stroke can last
    """
    can = (apart >= STROKE_MIN_S * 0.6) & (apart <= STROKE_MAX_S * 1.1)
    if not can.any():
        return np.full(len(apart), STROKE_MAX_S)
    smooth = median_around(apart[can], 9)
    around: FloatArray = np.interp(np.arange(len(apart)), np.flatnonzero(can), smooth)
    return around


def _running_level(frames: Frames, signal: Signal, dips: IntArray) -> FloatArray:
    """(F,) [Pa], level around dips, by the median of some dips near in time."""
    at_dips = signal.level[dips]
    finite = np.isfinite(at_dips)
    return straight_between(frames.run_us, dips[finite], median_around(at_dips[finite], 5))


def _standing_level(frames: Frames, signal: Signal, running: FloatArray, dips: IntArray) -> FloatArray:
    """(F,) [Pa], highest lasting level near in time, where it lies clear above the running one.

    A block that only runs says nothing of standing: it is bridged from its neighbours.
    """
    block = frames.count(BLOCK_S)
    # A level that lasts: the lowest over a second, so that a surge at the trigger's release is no standing.
    lasting = lowest_around(np.nan_to_num(signal.level, nan=0.0), frames.count(1.0))
    starts = np.arange(0, len(running), block)
    highest = np.maximum.reduceat(lasting, starts)
    middle = np.minimum(starts + block // 2, len(running) - 1)
    step = highest - running[middle]
    floor = np.maximum(STEP_SHARE_MIN * highest, STEP_NOISE_MIN * signal.noise)
    # Where the running level itself steps, as an imbalance begins, the higher of the two is no standing.
    runs = highest_around(np.maximum.reduceat(running, starts), 3)
    stands = (step > floor) & (highest - runs > floor)
    if not stands.any():
        return _level_far_from_dips(frames, signal, running, dips)
    # Half the usual step at least: what lies between is a flow less than usual.
    stands &= step > 0.5 * np.median(step[stands])
    return straight_between(np.arange(len(running)), middle[stands], highest[stands])


def _level_far_from_dips(frames: Frames, signal: Signal, running: FloatArray, dips: IntArray) -> FloatArray:
    """(F,) [Pa], level where no stroke can be; the running level where there is no such time.

    For a pump that stands no higher than it runs: its pressure leaks away as soon as it stops.
    """
    far = frames.count(NO_DIP_S)
    marks = np.concatenate(([0], dips, [len(running)]))
    at, levels = [], []
    for place in np.flatnonzero(np.diff(marks) > 3 * far):
        rows = slice(marks[place] + far, marks[place + 1] - far)
        stands = signal.level[rows][~signal.no_pressure[rows] & np.isfinite(signal.level[rows])]
        if len(stands) >= far // 2:
            at.append((rows.start + rows.stop) // 2)
            levels.append(float(np.median(stands)))
    if not levels:
        return running
    return straight_between(np.arange(len(running)), np.array(at), np.array(levels))


def _hysteresis(enter: BoolArray, leave: BoolArray) -> BoolArray:
    """True from where `enter` is until `leave` is."""
    enters, leaves = runs_of(enter)[:, 0], runs_of(leave & ~enter)[:, 0]
    state = np.zeros(len(enter), dtype=bool)
    until = np.append(leaves, len(state))[np.searchsorted(leaves, enters)]
    for first, last in zip(enters.tolist(), until.tolist(), strict=True):
        state[first:last] = True
    return state


def _inside_train(train: BoolArray, by_level: BoolArray, dips: IntArray) -> BoolArray:
    """Trains whose level says standing all along: the level is wrong there, not the train.

    It is right where it runs at most of the dips, however short the pulls between long stands.
    """
    keep = train.copy()
    runs = runs_of(train)
    flows = np.diff(np.searchsorted(np.flatnonzero(by_level), runs), axis=1)
    lengths = np.diff(runs, axis=1)
    run = np.diff(np.searchsorted(dips[by_level[dips]], runs), axis=1)
    all_dips = np.diff(np.searchsorted(dips, runs), axis=1)
    for first, last in runs[((flows > 0.2 * lengths) | (2 * run > all_dips)).ravel()].tolist():
        keep[first:last] = False
    return keep
