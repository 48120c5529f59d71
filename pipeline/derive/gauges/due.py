"""Which reversals were not seen, and must have been? What lies between two that are too far apart.

A piston keeps its place while the pump stands, so an interval of two strokes, at the pace of the pulls in it,
has a reversal inside. It left but a trace, or none: it fell between two samples, or in the trigger's own fall
at the start of a pull. While the gun is shut and the pump fills its hose again it may turn as well; that is
no reversal of a flow, and shows as a halt of the pressure on its way up.
"""

from typing import Final

import numpy as np

from pipeline.derive.gauges.flow import usual_stroke
from pipeline.derive.gauges.frames import Frames, Signal
from pipeline.derive.gauges.medians import median
from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray

# How many strokes an interval may hold, and how near to a whole number of usual ones it must be, in strokes.
DUE_MAX: Final = 4
DUE_SHARE: Final = 0.2
DUE_CLOSE: Final = 0.08
EDGE_S: Final = 0.3
# A pull's own strokes are this much slower or quicker than those around it at most.
PACE_MAX: Final = 1.5
# An echo of the other part's dip shows from so long before to so long after it.
ECHO_BEFORE_S: Final = 0.15
ECHO_AFTER_S: Final = 0.5
# The trigger's own fall hides a dip for so long.
HIDES_S: Final = 0.5
# The shortest dip is lost between samples that are further apart.
SEEN_S: Final = 0.055
# A dip that samples can't miss shows this share of the usual depth at least.
TRACE_SHARE: Final = 0.3
# While a hose fills, pressure halts for a moment: its rise loses this share of that before and after.
FILLS_S: Final = 1.5
HALTS: Final = 0.4
RISES_NOISE: Final = 5.0
RISES_SHARE: Final = 0.04


def add_due(
    frames: Frames, signals: list[Signal], trace: FloatArray, reversals: IntArray, flow: BoolArray
) -> IntArray:
    """Reversals, and those that are due between them.

    signals : the part's gauges; trace : (F,) [1], depth down to the noise; reversals : frames that were seen
    flow : (F,), where the part flows. Returns frames
    """
    if len(reversals) < 4:
        return reversals
    travelled = np.concatenate(([0.0], np.cumsum(_pace(frames, reversals, flow))))
    apart = np.diff(travelled[reversals])
    strokes = np.rint(apart)
    off = np.abs(apart - strokes)
    pulls = runs_of(flow)
    lost = frames.seconds / max(1, int(np.diff(frames.first).max(initial=1))) > SEEN_S
    least = 0.0 if lost else TRACE_SHARE * median(trace[reversals])
    trace = np.where(flow & (trace > least), trace, 0.0)
    added: list[int] = []
    for place in np.flatnonzero((strokes >= 2) & (strokes <= DUE_MAX) & (off < DUE_SHARE)):
        first, last = travelled[reversals[place]], travelled[reversals[place + 1]]
        a_stroke = (last - first) / strokes[place]
        frames_a_stroke = (reversals[place + 1] - reversals[place]) / strokes[place]
        reach = a_stroke * max(DUE_SHARE / 2, frames.count(EDGE_S) / frames_a_stroke)
        for number in range(1, int(strokes[place])):
            due = first + number * a_stroke
            # Before and after a pause the piston is at the same place.
            low, at, high = np.searchsorted(travelled, [due - reach, due, due + reach]).tolist()
            around = trace[low : high + 1]
            if around.max() > 0:
                added.append(low + int(np.argmax(around)))
            elif off[place] < DUE_CLOSE:
                added += _unseen(frames, signals, pulls, (low, at, high), lost)
    return np.unique(np.concatenate((reversals, np.array(added, dtype=np.int64))))


def _unseen(
    frames: Frames, signals: list[Signal], pulls: IntArray, due: tuple[int, int, int], lost: bool
) -> list[int]:
    """Where a reversal of which nothing shows took place: at the start of a pull, or between two samples.

    pulls : (P, 2) frames; due : frames, the first, the likeliest and the last at which it may have been
    lost : whether a dip may fall between two samples
    """
    low, at, high = due
    pull = int(np.searchsorted(pulls[:, 0], high, side="right")) - 1
    if pull < 0:
        return []
    start, end = pulls[pull].tolist()
    hides = frames.count(HIDES_S)
    if low <= start + hides:
        shut = int(pulls[pull - 1, 1]) if pull else 0
        halted = pull and any(_halts(frames, signal, shut) for signal in signals)
        return [] if halted else [min(max(at, start), start + hides)]
    if high >= end and any(_halts(frames, signal, end) for signal in signals):
        return []
    return [at] if lost and at < end else []


def _halts(frames: Frames, signal: Signal, shut: int) -> bool:
    """Whether the pressure halts on its way up after the gun is shut, as it does where the piston turns."""
    rise = np.diff(signal.level[max(0, shut - 2) : shut + frames.count(FILLS_S)])
    if len(rise) < 3:
        return False
    before, after = np.maximum.accumulate(rise)[:-2], np.maximum.accumulate(rise[::-1])[::-1][2:]
    beside = np.minimum(before, after)
    least = max(RISES_NOISE * signal.noise, RISES_SHARE * float(rise[rise > 0].sum()))
    return bool(np.any((beside > least) & (rise[1:-1] < (1 - HALTS) * beside)))


def _pace(frames: Frames, reversals: IntArray, flow: BoolArray) -> FloatArray:
    """(F,) strokes a frame, 0 where nothing flows: a pull's by its own strokes, else by its neighbours'."""
    flowing = np.concatenate(([0], np.cumsum(flow)))
    apart = np.diff(flowing[reversals]) * frames.seconds
    usual = usual_stroke(apart)
    pace = np.zeros(len(flow))
    middle = (reversals[1:] + reversals[:-1]) / 2
    runs = runs_of(flow)
    pulls = zip(
        runs.tolist(),
        np.searchsorted(reversals, runs).tolist(),
        np.interp(runs.sum(axis=1) / 2, middle, usual).tolist(),
        strict=True,
    )
    for (first, last), (begin, end), around in pulls:
        stroke_s = median(apart[begin : end - 1]) if end - 1 > begin else around
        # A pull of two strokes whose middle reversal was not seen is no slower than its neighbours.
        if not around / PACE_MAX < stroke_s < around * PACE_MAX:
            stroke_s = around
        pace[first:last] = frames.seconds / stroke_s
    return pace


def without_echoes(frames: Frames, trace: FloatArray, others: list[IntArray], echoes: IntArray) -> FloatArray:
    """Traces of dips without those at the other part's dips, if this part is known to echo them.

    trace : (F,) [1]; others : frames of the other part's dips; echoes : frames of this part's that were none
    """
    trace = trace.copy()
    for other in others if len(echoes) else []:
        for by in range(-frames.count(ECHO_BEFORE_S), frames.count(ECHO_AFTER_S) + 1):
            trace[np.clip(other + by, 0, len(trace) - 1)] = 0.0
    return trace
