"""In which order, and at which true intervals, were the samples taken? Finds what the clock did wrong.

Rows come in the order of writing. A duplicate, a row out of order, a clock that steps and rows that are
missing are faults of the whole row. The rest of the analysis works on the order and the running time found
here; times that it reports are the recorded ones.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from edge.words import Fault
from pipeline.derive.gauges.medians import some
from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray
from pipeline.derive.gauges.results import SensorFault

# Intervals longer than this many usual ones are rows missing: one late row is jitter, not a gap.
GAP_INTERVALS: Final = 3.5
# Where this share of the moves goes back, moves between rows say nothing of the logger's interval.
NO_ORDER: Final = 0.25
# Going back by more than this many intervals, for good, is the clock; by less, the order of writing.
STEP_INTERVALS: Final = 3.0
# A file with more moves back than this is not a clock that was set, it is not in order at all.
MOVES_BACK_MAX: Final = 1000
# Rows within a clock that was set back are looked at again so often.
SPLITS_MAX: Final = 1000
# Whole minutes say that a clock was set only where rows are much nearer to each other than so long.
MINUTES_SHOW_US: Final = 3_000_000
# A leap this far off the logger's grid, in intervals and in deviations of its own, is no number of rows.
OFF_GRID: Final = 0.1
OFF_GRID_JITTERS: Final = 8.0
MINUTE_US: Final = 60_000_000
# Pressures go on over a leap if they differ no more than within so many samples on either side.
BESIDE: Final = 12
# Faulty rows nearer to each other than this are one fault.
JOIN_US: Final = 1_000_000
# Rows of one disorder are no more than so many intervals apart: some chance to be in their places.
LATE_INTERVALS: Final = 20


@dataclass(frozen=True)
class Timeline:
    """M samples in true order.

    order : (M,) their rows in the recording
    at_us : (M,) [us] recorded times; run_us : (M,) [us] running time, never going back
    interval_us : [us] usual interval, 0 where fewer than two samples
    gaps : (G,) samples after which the time leaps; silent : (S,) those of them after which rows are missing
    steps : (running time [us] from which, recorded less running time [us]) of each step of the clock
    faults : duplicates, disorder, clock steps and gaps, at recorded times
    plain : every row counts, in the order in which it came
    """

    order: IntArray
    at_us: IntArray
    run_us: IntArray
    interval_us: int
    gaps: IntArray
    silent: IntArray
    steps: list[tuple[int, int]]
    faults: list[SensorFault]

    plain: bool


def recorded_at(steps: list[tuple[int, int]], run_us: int) -> int:
    """The time that the recording's clock showed at a running time. steps : as a Timeline's"""
    behind = 0
    for since, offset in steps:
        if run_us >= since:
            behind = offset
    return run_us + behind


def find_timeline(at_us: IntArray, values: list[FloatArray]) -> Timeline:
    """Order the samples.

    at_us : (N,) [us] as written; values : each (N,), what the gauges said, to tell a row sent twice from a
    clock set back over the same times
    """
    moves = np.diff(at_us)
    rising = bool((moves > 0).all())
    in_order = rising or np.mean(moves < 0) < NO_ORDER
    apart = moves if in_order else np.diff(np.sort(at_us))
    if not rising:
        apart = np.abs(apart[apart != 0])
    interval = int(np.median(apart)) if len(apart) else 0
    order = np.arange(len(at_us))
    if rising:
        gaps = np.flatnonzero(moves > GAP_INTERVALS * interval)
        forward = _set_forward(at_us, values, gaps)
        faults = _gap_faults(at_us, at_us, gaps, forward)
        return Timeline(order, at_us, at_us, interval, gaps, gaps[~forward], [], faults, True)

    twice = _duplicates(at_us, values)
    faults = _spans(at_us, twice, Fault.DUPLICATE)
    order = order[~twice]
    by_time, late = _disorder(at_us[order], interval)
    order, late = order[by_time], late[by_time]
    at = at_us[order]
    run = at.copy()
    steps, later = _moves_back(run, interval)
    late |= later
    offsets: list[tuple[int, int]] = []
    for step in steps:
        faults.append(SensorFault(int(at[step]), int(at[step - 1]), None, Fault.CLOCK_STEP))
        run[step:] += run[step - 1] + interval - run[step]
        offsets.append((int(run[step]), int(at[step] - run[step])))
    if late.any():
        by_time = np.argsort(run, kind="stable")
        order, run, at, late = order[by_time], run[by_time], at[by_time], late[by_time]
        interval = int(np.median(np.diff(run)))
    faults += _spans(at, late, Fault.OUT_OF_ORDER, max(JOIN_US, LATE_INTERVALS * interval))
    gaps = np.flatnonzero(np.diff(run) > GAP_INTERVALS * interval)
    forward = _set_forward(run, [gauge[order] for gauge in values], gaps)
    faults += _gap_faults(at, run, gaps, forward)
    faults.sort(key=lambda fault: fault.start_us)
    return Timeline(order, at, run, interval, gaps, gaps[~forward], offsets, faults, False)


def _duplicates(at_us: IntArray, values: list[FloatArray]) -> BoolArray:
    """Rows said before: the time of the row just before, or an earlier row's time and all its values.

    A clock set back over the same times writes new rows, of which some chance to say the same.
    """
    twice = np.zeros(len(at_us), dtype=bool)
    twice[1:] = at_us[1:] == at_us[:-1]
    seen = np.maximum.accumulate(at_us)
    again = np.flatnonzero((at_us[1:] <= seen[:-1]) & ~twice[1:]) + 1
    if len(again):
        first = np.unique(at_us, return_index=True)
        place = first[1][np.searchsorted(first[0], at_us[again])]
        earlier = place < again
        same = np.ones(len(again), dtype=bool)
        for gauge in values:
            same &= (gauge[again] == gauge[place]) | np.isnan(gauge[again] + gauge[place])
        same &= earlier
        run = np.cumsum(np.diff(again, prepend=again[0]) > 1)
        mostly = np.bincount(run, same) > np.bincount(run) / 2
        twice[again[same & mostly[run]]] = True
    return twice


def _disorder(at_us: IntArray, interval: int) -> tuple[IntArray, BoolArray]:
    """Puts rows that were written in disorder in their places.

    Returns (N,) the rows in order, those between which a clock was set as written; (N,) which came late.
    """
    order = np.arange(len(at_us))
    late = np.zeros(len(at_us), dtype=bool)
    parts, splits = [(0, len(at_us))], 0
    while parts:
        first, past = parts.pop()
        part = at_us[first:past]
        highest = np.maximum.accumulate(part)
        lowest = np.minimum.accumulate(part[::-1])[::-1]
        by_time, clocks = _filled(part, highest, lowest, interval)
        order[first:past] = first + by_time
        late[first:past] = part < highest
        for start, end in clocks.tolist():
            late[first + start : first + end] = False
            # The clock was set where most had been written of what was to come again.
            again = highest[start : end - 1] - lowest[start + 1 : end]
            most = np.flatnonzero(again == again.max())
            back = start + 1 + int(most[np.argmin(np.diff(part[start:end])[most])])
            if again.max() > STEP_INTERVALS * interval and splits < SPLITS_MAX:
                splits += 1
                parts += [(first + start, first + back), (first + back, first + end)]
    return order, late


def _filled(at_us: IntArray, highest: IntArray, lowest: IntArray, interval: int) -> tuple[IntArray, IntArray]:
    """Sorts blocks of rows that in order fill the logger's grid, row by row.

    A block's rows come before all later ones in time and in the file. A clock that was set back wrote two
    rows to each place, or left places empty.

    at_us : (N,); highest, lowest : (N,) of the rows up to each, from each on
    Returns (N,) the rows in order; (B, 2) first and one past the last row of the blocks left as written.
    """
    block = np.concatenate(([0], np.cumsum(highest[:-1] < lowest[1:])))
    by_time = np.argsort(at_us, kind="stable")
    apart = np.diff(at_us[by_time])
    off_grid = (apart <= interval / 2) | (apart > GAP_INTERVALS * interval)
    clocks = np.unique(block[1:][off_grid & (block[1:] == block[:-1])])
    bounds = np.column_stack([np.searchsorted(block, clocks, side) for side in ("left", "right")])
    for start, end in bounds.tolist():
        by_time[start:end] = np.arange(start, end)
    return by_time, bounds


def _moves_back(at_us: IntArray, interval: int) -> tuple[list[int], BoolArray]:
    """Which moves back are the clock's, and which rows merely came late.

    Late rows end with a leap forward to where the order had been left, or in order fill the grid that they
    left empty; a clock that was set goes on from where it was set to, over times that were there before.
    """
    late = np.zeros(len(at_us), dtype=bool)
    moves = np.diff(at_us)
    back = np.flatnonzero(moves < 0) + 1
    if len(back) > MOVES_BACK_MAX:
        late[1:] = at_us[1:] < np.maximum.accumulate(at_us)[:-1]
        return [], late
    leaps = np.flatnonzero(moves > 1.8 * interval) + 1
    steps: list[int] = []
    returned = 0
    for row in back.tolist():
        if row < returned:
            continue
        left = at_us[row - 1]
        after = np.searchsorted(leaps, row + 1)
        leap = int(leaps[after]) if after < len(leaps) else -1
        comes_back = leap >= 0 and left < at_us[leap] <= left + (STEP_INTERVALS + 1) * interval
        alone = row + 1 == len(at_us)
        if comes_back or alone or left - at_us[row] <= STEP_INTERVALS * interval:
            returned = leap if comes_back else row + 1
            late[row:returned] = True
        else:
            steps.append(int(row))
    return steps, late


def _spans(at_us: IntArray, rows: BoolArray, fault: Fault, join_us: int = JOIN_US) -> list[SensorFault]:
    return [SensorFault(start, end, None, fault) for start, end in joined_spans(at_us, rows, join_us)]


def _gap_faults(at_us: IntArray, run_us: IntArray, gaps: IntArray, forward: BoolArray) -> list[SensorFault]:
    return [
        SensorFault(
            int(at_us[gap]),
            int(at_us[gap] + run_us[gap + 1] - run_us[gap]),
            None,
            Fault.CLOCK_STEP if stepped else Fault.GAP,
        )
        for gap, stepped in zip(gaps, forward, strict=True)
    ]


def _set_forward(run_us: IntArray, values: list[FloatArray], gaps: IntArray) -> BoolArray:
    """(G,) which leaps are a clock set forward: no rows are missing.

    Rows that were lost leave the others on the logger's grid; a clock is set by any time, or by whole
    minutes. And pressures go on as if nothing had happened. The time stays as recorded, so that a stop may
    seem longer than it was and never shorter.
    """
    forward = np.zeros(len(gaps), dtype=bool)
    if not len(gaps) or len(run_us) - 1 - len(gaps) < 2 * BESIDE:
        return forward
    moves = np.diff(run_us)
    usual = np.delete(moves, gaps)
    # A row missing here and there is no gap, and would stretch the grid.
    few = some(usual)
    middle = float(np.median(few))
    interval = float(usual[usual < 1.5 * middle].mean())
    jitter = float(np.median(np.abs(few - middle))) / interval
    for place, gap in enumerate(gaps.tolist()):
        rows = moves[gap] / interval
        # The grid is known over as many rows as there are.
        off_grid = rows < len(usual) and abs(rows - round(rows)) > max(OFF_GRID, OFF_GRID_JITTERS * jitter)
        more = float(moves[gap] - interval)
        minutes = more > MINUTE_US / 2 and abs(more - MINUTE_US * round(more / MINUTE_US)) < interval / 2
        minutes &= interval < MINUTES_SHOW_US
        forward[place] = (off_grid or minutes) and all(_goes_on(gauge, gap) for gauge in values)
    return forward


def _goes_on(values: FloatArray, gap: int) -> bool:
    before, after = values[max(0, gap + 1 - BESIDE) : gap + 1], values[gap + 1 : gap + 1 + BESIDE]
    if not (np.isfinite(before).any() and np.isfinite(after).any()):
        return True  # says nothing
    apart = abs(float(np.nanmedian(after)) - float(np.nanmedian(before)))
    # Of a dead or very coarse gauge the spread is nothing, and so is the difference.
    return apart <= max(float(np.nanmax(side) - np.nanmin(side)) for side in (before, after))


def joined_spans(at_us: IntArray, rows: BoolArray, join_us: int = JOIN_US) -> list[tuple[int, int]]:
    """Times of the first and last row of each run, runs nearer than `join_us` as one.

    at_us : (N,) [us]; rows : (N,)
    """
    runs = runs_of(rows)
    if not len(runs):
        return []
    starts, ends = at_us[runs[:, 0]], at_us[runs[:, 1] - 1]
    apart = np.flatnonzero(np.abs(starts[1:] - ends[:-1]) > join_us)
    firsts = np.concatenate(([0], apart + 1))
    lasts = np.concatenate((apart, [len(runs) - 1]))
    return [
        (int(min(starts[a], ends[b])), int(max(starts[a], ends[b])))
        for a, b in zip(firsts, lasts, strict=True)
    ]
