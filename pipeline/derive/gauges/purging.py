"""Does the base flow alone? A base purge told from mixed flow, and from a level that merely sank.

A purge told where there was none lets mixed material cure in the gun; one missed merely holds. So a purge has
to show both that the base flows and that the catalyst stands, and what is in doubt is none.
"""

from typing import Final

import numpy as np

from pipeline.derive.gauges.flow import usual_stroke
from pipeline.derive.gauges.frames import Frames, Signal
from pipeline.derive.gauges.medians import known_median, median
from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray

# Standing and running are told apart at this place between running (0) and standing (1); without a reversal
# flow gets there by a fall as large as this within a second and a half.
PLACE: Final = 0.5
FALL: Final = 0.35
ONSET_S: Final = 1.5
# A level is held against itself from so long before a change to so long after it has settled.
SETTLES_S: Final = 1.0
BESIDE_S: Final = 1.2
JUST_S: Final = 0.3
# A level that a change leaves within this share, or within the noise, has not moved: flow costs more.
UNMOVED_SHARE: Final = 0.005
UNMOVED_NOISE: Final = 2.0
# Closed in a pull, the catalyst gets so near to its standing level.
STANDS_PLACE: Final = 0.7
# A line that stands falls with no trigger by this share.
FALLS_SHARE: Final = 0.01
# A reversal this near to either end is the pull's before or after.
EDGE_S: Final = 0.5
# Without the catalyst a mixer costs less; an open line hardly anything.
BLED_SHARE: Final = 0.5
# What flows for so many usual strokes turns in them, though one of its reversals be not seen.
STROKES: Final = 1.7
# Of the base's reversals, the less deep without the catalyst, not so many follow each other unseen.
UNSEEN: Final = 4.0


def bled(base: Signal, turns: IntArray) -> BoolArray:
    """(F,) where the base's pressure is far below that of its flow through the gun: a line that is bled.

    turns : frames of its dips, which tell its running level
    """
    if not len(turns):
        return np.zeros(len(base.level), dtype=bool)
    with np.errstate(invalid="ignore"):
        below: BoolArray = base.level < BLED_SHARE * known_median(base.level[turns])
    return below


def with_catalyst(
    frames: Frames,
    alone: BoolArray,
    flow: BoolArray,
    place: FloatArray,
    turns: IntArray,
    signals: list[Signal],
) -> BoolArray:
    """(F,) spans of `alone` in which the catalyst flows too, or in which that can't be told.

    alone : (F,), where the base seems to flow alone; flow : (F,), where the catalyst is known to
    place : (F,) [1], of the catalyst's level, 0 running, 1 standing, NaN where not known
    turns : frames at which the catalyst gauges dip as in a reversal; signals : its gauges
    """
    flows = np.zeros(len(alone), dtype=bool)
    longest = STROKES * _usual_stroke(frames, flow, turns)
    for first, last in runs_of(alone).tolist():
        # Within one pull the catalyst neither stops nor starts without its pressure's saying so.
        joined = (first > 0 and bool(flow[first - 1]) and not _moved(frames, signals, first, 1)) or (
            last < len(flow) and bool(flow[last]) and not _moved(frames, signals, last, -1)
        )
        turned = np.searchsorted(turns, last) > np.searchsorted(turns, first)
        long = (last - first) * frames.seconds > longest
        where = known_median(place[first:last])
        if first > 0 and flow[first - 1]:
            stands = where > STANDS_PLACE
        else:
            # What was at its running level before the pull shows its flow by its rise at the end.
            unmoved = _unmoved(frames, signals, first) and (long or not _goes_along(frames, signals, last, 1))
            stands = not _goes_along(frames, signals, first, -1) and (unmoved or where > PLACE or long)
        flows[first:last] = turned or joined or not stands
    return flows


def without_base(
    frames: Frames, flow: BoolArray, base_flow: BoolArray, turns: IntArray, base: list[Signal]
) -> BoolArray:
    """(F,) the catalyst's flow without spans in which its gauges move, but nothing turns and the base rests.

    No material is mixed without the base. A stop told as dispensing would begin to count anew.
    flow, base_flow : (F,), where each part seems to flow; turns : frames of either's dips
    base : the base's gauge
    """
    kept = flow.copy()
    for first, last in runs_of(flow).tolist():
        turned = np.searchsorted(turns, last) > np.searchsorted(turns, first)
        if not turned and not base_flow[first:last].any() and _unmoved(frames, base, first):
            kept[first:last] = False
    return kept


def purges(
    frames: Frames,
    alone: BoolArray,
    flow: BoolArray,
    place: FloatArray,
    base_turns: IntArray,
    off: BoolArray,
    signals: list[Signal],
) -> BoolArray:
    """(F,) `alone` without what is no flow: a standing level that sank, slowly or a little.

    A purge shows the base's reversals, or is too short for one and falls at once to about its running level.
    alone, flow : (F,), where the base seems to flow alone, and to flow at all
    place : (F,) [1], of the base's level, 0 running, 1 standing, NaN where not known
    base_turns : frames; off : (F,), where the catalyst has no pressure: a base that falls with it is relieved
    signals : the base's gauge as it was read: what falls only once a zero's jump is taken off has not fallen
    """
    kept = alone.copy()
    onset, edge = frames.count(ONSET_S), frames.count(EDGE_S)
    longest = UNSEEN * _usual_stroke(frames, flow, base_turns)
    for first, last in runs_of(alone).tolist():
        # Whatever noise looks like a train of dips: a base that stood falls as it begins to flow.
        begins = first == 0 or not flow[first - 1]
        if begins and not _moved(frames, signals, first, -1):
            kept[first:last] = False
            continue
        turns = base_turns[slice(*np.searchsorted(base_turns, (first + edge, last - edge)))]
        if len(turns):
            # Under a ceiling, running and standing read alike: far from any turn nothing shows that it runs.
            kept[first:last] &= _near(turns, first, last, longest / frames.seconds)
            continue
        where = known_median(place[first:last])
        before, after = place[max(0, first - onset)], place[min(first + onset, last - 1)]
        sank = before > 1 - PLACE and before - after < FALL
        fell = begins and np.mean(off[first:last]) < PLACE
        # A zero that jumped stays; what flowed rises as the gun is shut, or falls as it is relieved.
        short = (last - first) * frames.seconds <= longest and not _unmoved(frames, signals, last)
        kept[first:last] = where <= PLACE and not sank and fell and short  # not known is no purge
    return kept


def _near(turns: IntArray, first: int, last: int, reach: float) -> BoolArray:
    """(last - first,) frames no farther than `reach` from a turn. turns : frames, one at least"""
    frame = np.arange(first, last)
    after = np.searchsorted(turns, frame)
    apart = np.minimum(
        np.abs(frame - turns[np.minimum(after, len(turns) - 1)]),
        np.abs(frame - turns[np.maximum(after - 1, 0)]),
    )
    near: BoolArray = apart <= reach
    return near


def _usual_stroke(frames: Frames, flow: BoolArray, turns: IntArray) -> float:
    """[s], of flowing time between two turns; for ever where that is not known."""
    if len(turns) < 3:
        return np.inf
    flowing = np.concatenate(([0], np.cumsum(flow)))
    return median(usual_stroke(np.diff(flowing[turns]) * frames.seconds))


def _moves(frames: Frames, signals: list[Signal], at: int, share: float) -> list[tuple[float, float]]:
    """By how much each gauge's level changes at a frame [Pa], and what of it may be noise [Pa].

    share : [1], of the level that is no move
    """
    before = slice(max(0, at - frames.count(JUST_S + BESIDE_S)), max(0, at - frames.count(JUST_S)))
    after = slice(at + frames.count(SETTLES_S), at + frames.count(SETTLES_S + BESIDE_S))
    moves = []
    for signal in signals:
        was, is_now = known_median(signal.level[before]), known_median(signal.level[after])
        moves.append((is_now - was, max(share * abs(was), UNMOVED_NOISE * signal.noise)))
    return [move for move in moves if np.isfinite(move[0])]


def _unmoved(frames: Frames, signals: list[Signal], at: int) -> bool:
    """Whether every gauge that speaks stays where it was."""
    moves = _moves(frames, signals, at, UNMOVED_SHARE)
    return bool(moves) and all(abs(by) <= noise for by, noise in moves)


def _moved(frames: Frames, signals: list[Signal], at: int, way: int) -> bool:
    """Whether every gauge that speaks rises (way 1) or falls (-1) there."""
    moves = _moves(frames, signals, at, UNMOVED_SHARE)
    return bool(moves) and all(way * by > noise for by, noise in moves)


def _goes_along(frames: Frames, signals: list[Signal], at: int, way: int) -> bool:
    """Whether a line rises (way 1) or falls (-1) there: its gauges in the mean, for they may part."""
    moves = _moves(frames, signals, at, FALLS_SHARE)
    return bool(moves) and way * sum(by for by, _ in moves) > sum(noise for _, noise in moves)
