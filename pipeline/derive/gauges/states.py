"""What does the pump do, second by second? Dispensing, stalled, purging, off, or nothing recorded.

A state that lasts less than its own least time (settings.py) is joined to what surrounds it.
"""

from typing import Final

import numpy as np
import numpy.typing as npt

from edge.words import PumpState
from pipeline.derive.gauges.frames import Frames, Signal
from pipeline.derive.gauges.recording import BoolArray
from pipeline.derive.gauges.results import StateSpan
from pipeline.derive.gauges.settings import GaugeSettings

STATES: Final = tuple(PumpState)
DISPENSING, STALLED, PURGING, OFF, NO_DATA = (np.int8(code) for code in range(5))
# Where one line shows no pressure, another below this share of its usual has but its gauge's zero.
OFF_SHARE: Final = 0.3
Codes = npt.NDArray[np.int8]


def find_states(
    frames: Frames,
    dispensing: BoolArray,
    purging: BoolArray,
    no_pressure: BoolArray,
    nothing: BoolArray,
    settings: GaugeSettings,
) -> Codes:
    """The state of each frame, as its place in STATES.

    dispensing : (F,), mixed material flows; purging : (F,), the base alone does
    no_pressure : (F,), no gauge shows pressure; nothing : (F,), no gauge says anything
    """
    codes = np.full(len(frames.first), STALLED, dtype=np.int8)
    codes[no_pressure] = OFF
    codes[purging] = PURGING
    codes[dispensing] = DISPENSING
    codes[nothing] = NO_DATA
    codes = _join_short(codes, PURGING, DISPENSING, frames.count(settings.purging_min_s))
    codes = _join_short(codes, OFF, None, frames.count(settings.off_min_s))
    codes = _join_short(codes, STALLED, None, frames.count(settings.stalled_min_s))
    codes = _join_short(codes, DISPENSING, None, frames.count(settings.dispensing_min_s))
    return _join_short(codes, NO_DATA, None, frames.count(settings.no_data_min_s))


def without_pressure(count: int, lines: list[list[Signal]]) -> tuple[BoolArray, BoolArray]:
    """Where no line has pressure, and where no gauge says anything: (F,) each.

    count : F; lines : the gauges of each part, as read and with jumps taken off: one without is enough
    """
    low, nothing = np.ones(count, dtype=bool), np.ones(count, dtype=bool)
    relieved = np.zeros(count, dtype=bool)
    for line in lines:
        none: BoolArray = np.logical_or.reduce([signal.no_pressure for signal in line])
        silent: BoolArray = np.logical_and.reduce([np.isnan(signal.level) for signal in line])
        with np.errstate(invalid="ignore"):
            under = np.logical_or.reduce([one.level < OFF_SHARE * one.plateau for one in line])
        nothing &= silent
        relieved |= none
        low &= none | silent | under
    return low & (relieved | nothing), nothing


def _join_short(codes: Codes, state: np.int8, into: np.int8 | None, least: int) -> Codes:
    """Give stays in `state` shorter than `least` frames to `into`, or to the state before them."""
    edges = np.flatnonzero(np.diff(codes)) + 1
    starts = np.concatenate(([0], edges))
    ends = np.concatenate((edges, [len(codes)]))
    if not len(codes):
        return codes
    short = np.flatnonzero((codes[starts] == state) & (ends - starts < least))
    codes = codes.copy()
    for stay in short:
        if into is None and len(starts) == 1:
            continue
        neighbour = codes[starts[stay] - 1] if stay else codes[ends[stay]]
        codes[starts[stay] : ends[stay]] = neighbour if into is None else into
    return codes


def state_spans(frames: Frames, codes: Codes, gaps: list[tuple[int, int]], end_us: int) -> list[StateSpan]:
    """Stays as spans, back to back. Gaps in the rows are no_data.

    codes : (F,); gaps : spans without rows that count, running time [us]; end_us : the last sample's
    """
    if not len(codes):
        return []
    run = frames.run_us
    edges = np.concatenate(([0], np.flatnonzero(np.diff(codes)) + 1))
    pieces = [(int(run[edge]), int(codes[edge])) for edge in edges]
    for start, end in gaps:
        pieces += [(start, int(NO_DATA)), (end, int(codes[np.searchsorted(run, end)]))]
    pieces.sort(key=lambda piece: piece[0])
    spans: list[StateSpan] = []
    for (start, code), (until, _) in zip(pieces, [*pieces[1:], (end_us, 0)], strict=True):
        if until <= start:
            continue
        if spans and spans[-1].type == STATES[code]:
            spans[-1] = StateSpan(spans[-1].start_us, until, STATES[code])
        else:
            spans.append(StateSpan(start, until, STATES[code]))
    return spans
