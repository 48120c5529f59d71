"""When did a pump change direction? Reversals, and the strokes between them.

A reversal is a dip while material flows. A piston keeps its place while the pump stands, so a stroke may
begin in one pull of the trigger and end in the next: strokes are measured in flowing time.
"""

from typing import Any, Final

import numpy as np

from pipeline.derive.gauges.around import highest_around, lowest_around
from pipeline.derive.gauges.flow import STROKE_MAX_S, STROKE_MIN_S
from pipeline.derive.gauges.frames import Frames
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray
from pipeline.derive.gauges.results import Part, Stroke

# A dip this near to the end of a flow still belongs to it: the pull may end on a reversal.
EDGE_S: Final = 0.3
# So long after the trigger is pulled its own fall is over; a dip before is deeper than this share of others.
SETTLES_S: Final = 1.5
UNDERSHOOT_SHARE: Final = 0.5
# Pulls that begin with one, of all: more than of reversals that the trigger's fall hides in part.
UNDERSHOOT_OFTEN: Final = 0.12
FEW: Final = 6
# A stop that parts a stroke.
STOP_S: Final = 60.0
# What is over sooner, in dispensing time, is a transient: trade practice, a jolt of 5 s.
HELD_S: Final = 6.0
# An echo of the other part's reversal comes within this, and is shallower than the part's own by this share.
ECHO_S: Final = 0.15
ECHO_SHARE: Final = 0.6
LATE_S: Final = 0.4
LATE_SHARE: Final = 0.4
# Echoes of a mixer come with this share of the other's reversals at least, and as deep as each other but for
# this share of an own dip. Pumps that turn together have hardly a dip of their own, by this share.
ECHO_OFTEN: Final = 0.7
ECHO_DEEPER: Final = 0.4
OWN_MIN: Final = 0.08
# If they are echoes, shallow dips come with the other part's so many times as often as deep ones.
ECHO_RATHER: Final = 1.5


def find_reversals(frames: Frames, depth: FloatArray, dips: IntArray, flow: BoolArray) -> IntArray:
    """Dips that are reversals.

    depth : (F,) [1]; dips : frames; flow : (F,), where the part flows
    Returns frames: in flow, and a possible stroke apart in flowing time, of two nearer the deeper
    """
    if not len(dips):
        return dips
    reach = frames.count(EDGE_S)
    flowing = np.concatenate(([0], np.cumsum(flow)))
    around = flowing[np.minimum(dips + reach + 1, len(flow))] - flowing[np.maximum(dips - reach, 0)]
    dips = dips[around > reach]
    dips = dips[~_undershoots(frames, depth, dips, flow)]
    return _drop_too_near(frames, depth, dips, flowing)


def _undershoots(frames: Frames, depth: FloatArray, dips: IntArray, flow: BoolArray) -> BoolArray:
    """(D,) dips at the start of a pull that are much shallower than the others.

    A pressure that the trigger lets fall may fall too far, and come back before the piston turns. It does so
    in many pulls; of reversals few fall into the trigger's own fall and show but their ends.
    """
    opened = np.flatnonzero(np.diff(flow.astype(np.int8), prepend=0) == 1)
    latest = opened[np.maximum(np.searchsorted(opened, dips, side="right") - 1, 0)] if len(opened) else dips
    since = dips - latest
    early = (since >= 0) & (since <= frames.count(SETTLES_S))
    if np.count_nonzero(~early) < FEW:
        return early & False
    shallow: BoolArray = early & (depth[dips] < UNDERSHOOT_SHARE * np.median(depth[dips[~early]]))
    return shallow if np.count_nonzero(shallow) > UNDERSHOOT_OFTEN * len(opened) else early & False


def without_crosstalk(
    frames: Frames, depth: FloatArray, dips: IntArray, other: IntArray, weaker: FloatArray
) -> IntArray:
    """Dips without those that only echo the other part's: the two flows meet in the mixer.

    An echo comes with the other part's dip. It is shallower than the part's own dips are; or nearly all of
    the other's dips have one of the same depth, weaker than they are, while the part has its own beside.
    depth : (F,) [1]; dips, other : frames; weaker : (D,), how far the other's pressure falls beyond the
    part's own [Pa]: a mixer passes on no more than it gets. Returns frames
    """
    if len(dips) < 4 or not len(other):
        return dips
    reach = frames.count(ECHO_S)
    with_other = _distance(dips, other) <= reach
    # A slow line passes on the other's dip later, and rounder.
    behind = dips - other[np.maximum(np.searchsorted(other, dips, side="right") - 1, 0)]
    late = ~with_other & (behind > 0) & (behind <= frames.count(LATE_S))
    apart = ~(with_other | late)
    if apart.all() or not apart.any():
        return dips
    own = np.median(depth[dips[apart]])
    deep = depth[dips]
    echoes = _shallow(deep < ECHO_SHARE * own, with_other) | _shallow(deep < LATE_SHARE * own, late)
    answered = float(np.mean(_distance(other, dips) <= reach))
    passed_on = with_other.any() and np.median(weaker[with_other]) > 0
    if passed_on and answered >= ECHO_OFTEN and np.mean(~with_other) >= OWN_MIN:
        echoes |= with_other & (deep < np.median(deep[with_other]) + ECHO_DEEPER * own)
    return dips[~echoes]


def _shallow(shallow: BoolArray, these: BoolArray) -> BoolArray:
    """(D,) the shallow ones of `these` dips, unless deep ones are as often among these.

    A pump whose two directions run at two pressures has shallow dips of its own, which come with the other
    part's no oftener than its deep ones. shallow, these : (D,)
    """
    found: BoolArray = these & shallow
    deep = np.mean(these[~shallow]) if not shallow.all() else 0.0
    return found if found.any() and np.mean(these[shallow]) > ECHO_RATHER * deep else found & False


def _distance(one: IntArray, other: IntArray) -> IntArray:
    """How far each of one lies from the nearest of the other. Both in order, the other not empty."""
    after = np.minimum(np.searchsorted(other, one), len(other) - 1)
    nearest: IntArray = np.minimum(np.abs(other[after] - one), np.abs(other[np.maximum(after - 1, 0)] - one))
    return nearest


def _drop_too_near(frames: Frames, depth: FloatArray, dips: IntArray, flowing: IntArray) -> IntArray:
    least = frames.count(STROKE_MIN_S * 0.8)
    near = np.diff(flowing[dips]) < least
    if not near.any():
        return dips
    keep = np.ones(len(dips), dtype=bool)
    for place in np.flatnonzero(near):
        if keep[place]:
            keep[place if depth[dips[place]] < depth[dips[place + 1]] else place + 1] = False
    return dips[keep]


def stroke_marks(frames: Frames, reversals: IntArray, dispensing: BoolArray) -> IntArray:
    """Frames at which one stroke ends and the next begins: reversals, and what follows a stop.

    A stroke that a stop interrupts is two: its halves lie apart in time and may differ. What flows for longer
    than a stroke can last hides reversals that were not seen, and is cut into pieces of a usual length.
    """
    flowing = np.flatnonzero(dispensing)
    stood_s = np.diff(frames.run_us[flowing]) / 1e6
    marks = np.union1d(reversals, flowing[1:][stood_s > STOP_S])
    at = np.concatenate(([0], np.searchsorted(flowing, marks), [len(flowing)]))
    piece = frames.count(STROKE_MAX_S / 2)
    cuts = [
        np.arange(at[place] + piece, at[place + 1] - piece // 2, piece)
        for place in np.flatnonzero(np.diff(at) > frames.count(STROKE_MAX_S))
    ]
    return np.union1d(marks, flowing[np.concatenate(cuts)]) if cuts else marks


def stroke_numbers(marks: IntArray, dispensing: BoolArray) -> IntArray:
    """(F,) how many marks lie before each frame, -1 outside dispensing.

    Number 0 is the stroke under way when the recording begins.
    """
    starts = np.zeros(len(dispensing), dtype=np.int64)
    starts[marks] = 1
    numbers: IntArray = np.where(dispensing, np.cumsum(starts), -1)
    return numbers


def stroke_sustained(values: FloatArray, numbers: IntArray, count: int) -> FloatArray:
    """What each stroke keeps for all but a quarter of its time: the quartile nearer to zero.

    Shapes as stroke_means. A transient that fills half a stroke does not move it
    """
    sustained = np.full(count, np.nan)
    usable = np.flatnonzero((numbers >= 0) & np.isfinite(values))
    if not len(usable):
        return sustained
    inside, of = values[usable], numbers[usable]
    starts = np.concatenate(([0], np.flatnonzero(of[1:] != of[:-1]) + 1))
    lengths = np.diff(np.append(starts, len(of)))
    # Strokes of one length at a time.
    for length in np.unique(lengths).tolist():
        at = starts[lengths == length]
        quarter = length // 4
        ordered = np.sort(inside[at[:, None] + np.arange(length)], axis=1)
        low, high = ordered[:, quarter], ordered[:, length - 1 - quarter]
        sustained[of[at]] = np.where(low > 0, low, np.minimum(high, 0.0))
    return sustained


def stroke_held(values: FloatArray, numbers: IntArray, count: int, width: int) -> FloatArray:
    """The furthest from zero that was kept for `width` frames of dispensing on end, some in the stroke.

    Shapes as stroke_means; 0 where nothing was kept. A stroke's mean hides what ends within the stroke, and
    shows what is over in a moment. An unknown value keeps nothing; a stop between pulls ends nothing.
    """
    held = np.zeros(count)
    inside = np.flatnonzero(numbers >= 0)
    if len(inside) < width:
        return held
    # As if nothing were apart before the first and after the last.
    beyond = np.zeros(width)
    apart = np.concatenate((beyond, np.nan_to_num(values[inside], nan=0.0), beyond))
    of = numbers[inside]
    starts = np.concatenate(([0], np.flatnonzero(np.diff(of)) + 1))
    for sign in (1.0, -1.0):
        # Lowest of the frames around, then highest: an odd width puts both around the same frame.
        odd = width | 1
        kept = highest_around(lowest_around(sign * apart, odd), odd)[width:-width]
        most = np.maximum.reduceat(kept, starts)
        further = most > np.abs(held[of[starts]])
        held[of[starts[further]]] = sign * most[further]
    return held


def stroke_means(columns: list[FloatArray], numbers: IntArray, count: int) -> list[FloatArray]:
    """Mean over each stroke.

    columns : each (F,), NaN where missing or failed; numbers : (F,), -1 outside
    Returns each (count,), NaN for a stroke of which less than half is known
    """
    inside = np.flatnonzero(numbers >= 0)
    if not len(inside):
        return [np.full(count, np.nan) for _ in columns]
    of = numbers[inside]
    starts = np.concatenate(([0], np.flatnonzero(of[1:] != of[:-1]) + 1))
    whole = np.diff(np.append(starts, len(of)))
    found = []
    for values in columns:
        samples, here = whole, values[inside]
        known = np.isfinite(here)
        if not known.all():
            here = np.where(known, here, 0.0)
            samples = np.add.reduceat(known, starts, dtype=np.int64)
        means = np.full(count, np.nan)
        enough = (samples > 0) & (2 * samples >= whole)
        means[of[starts[enough]]] = np.add.reduceat(here, starts)[enough] / samples[enough]
        found.append(means)
    return found


def make_strokes(
    frames: Frames,
    part: Part,
    reversals: IntArray,
    marks: IntArray,
    numbers: IntArray,
    columns: dict[str, FloatArray],
    end_us: int,
) -> list[Stroke]:
    """Strokes as records, those that dispensed for a frame at least.

    marks, numbers : from stroke_marks, stroke_numbers; columns : field of Stroke -> (S,), one more than marks
    end_us : the last sample's running time [us]
    """
    count = len(marks) + 1
    inside = np.flatnonzero(numbers >= 0)
    first = np.full(count, -1, dtype=np.int64)
    last = np.full(count, -1, dtype=np.int64)
    first[numbers[inside[::-1]]] = inside[::-1]
    last[numbers[inside]] = inside
    flowing = np.bincount(numbers[inside], minlength=count) * frames.seconds
    turned = np.concatenate(([0], np.searchsorted(reversals, marks, side="right")))
    turns = np.concatenate(([False], np.isin(marks, reversals), [False]))
    after = np.concatenate((frames.run_us[1:], [end_us]))
    some = np.flatnonzero(first >= 0)
    known = {name: [None if x != x else x for x in column[some].tolist()] for name, column in columns.items()}
    fields: dict[str, list[Any]] = {
        "part": [part] * len(some),
        "no": (some + 1).tolist(),
        "start_us": frames.run_us[first[some]].tolist(),
        "end_us": after[last[some]].tolist(),
        **known,
        "direction": (turned[some] % 2).tolist(),
        "flowing_s": flowing[some].tolist(),
        "whole": (turns[some] & turns[some + 1]).tolist(),
    }
    # A day has ten thousand: by position, in the order of the struct's fields.
    return list(map(Stroke, *(fields[name] for name in Stroke.__struct_fields__)))
