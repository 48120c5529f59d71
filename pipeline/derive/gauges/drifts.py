"""Whose zero moves slowly? An offset between two gauges that standing and dispensing share.

An imbalance and a clogging mixer need flow: standing, each part's pressure is what the air makes it. A gauge
that drifts reads off in both states alike. Of three gauges the one that is off against both others drifts.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from edge.words import Gauge
from pipeline.derive.gauges.around import in_blocks, median_around, straight_between
from pipeline.derive.gauges.empty import gainsaid
from pipeline.derive.gauges.frames import Frames, Signal
from pipeline.derive.gauges.jumps import SHOWN, SIDE_S, STANDS, Jump, along_floor, moved_by, sudden_moves
from pipeline.derive.gauges.medians import known_median, known_row_medians
from pipeline.derive.gauges.parts import FLUID, PARTS
from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray

# An offset worth naming: this share of the usual pressure, and this many deviations of the noise.
OFFSET_SHARE: Final = 0.02
OFFSET_NOISE: Final = 6.0
# A drift reaches this many times the floor, and lasts.
PEAK_FLOORS: Final = 1.5
LAST_S: Final = 60.0
# It is dated from where it shows by this many floors.
SHOWS: Final = 0.25
# A stay this long has a level.
STAY_S: Final = 3.0
# So many frames of a stay tell its level roughly.
ROUGH: Final = 64
# Stays scatter, as a piston sticks: so many around each tell its level, beside its own.
STAYS: Final = 5
# Spans nearer than this are one drift.
JOIN_S: Final = 300.0
# A ramp is fitted between these shares of its peak, and dated back to where it leaves zero if it fits within
# this share of the peak.
RAMP: Final = (0.2, 0.9)
FITS: Final = 0.15
# Its ends may lie this far from the stays that tell of it; a jump there is the offset within this share.
NEAR_END_S: Final = 120.0
AT_ONCE: Final = 0.3
QUICK_S: Final = 60.0
# Against the other part, a shorter offset is no more than the scatter of pistons that stick.
BASE_LAST_S: Final = 400.0
SCATTERS: Final = 4.0
# Standing and dispensing are alike within this share of the larger offset.
ALIKE: Final = 0.4
# What was off before a step and is after it, is read at the stays within these of it.
BESIDE_S: Final = (10.0, 1200.0)
# The base's own standing level moves by this share of its drift at least.
OWN_SHARE: Final = 0.5
# An offset has come where it is this share of its peak.
SETTLED: Final = 0.8
# So many stays tell where a zero was at first.
FIRST_STAYS: Final = 3


@dataclass(frozen=True)
class Drift:
    """A gauge whose zero is off from frame `first` until `last`, one past the end.

    at_once : it came as a jump, in a pull's rise or fall where no level held still
    size : [Pa], once it has come
    """

    gauge: Gauge
    first: int
    last: int
    at_once: bool
    size: float


def find_drifts(frames: Frames, flow: BoolArray, standing: BoolArray, off: BoolArray) -> list[Drift]:
    """Slow offsets of one gauge. Needs both catalyst gauges; the base's is told with all three.

    flow : (F,), dispensing; standing : (F,), under pressure without flow; off : (F,), without pressure
    """
    if any(gauge not in frames.signals for gauge in FLUID[1:]):
        return []
    one, two = (frames.signals[gauge] for gauge in FLUID[1:])
    between, least, floor = _off(frames, one, two, flow, standing, 1.0)
    spans = _spans(frames, between / floor, LAST_S, least / floor) if between.any() else []
    seen: list[tuple[Gauge, FloatArray, tuple[int, int]]] = []
    if Gauge.BASE in frames.signals:
        base = frames.signals[Gauge.BASE]
        (to_one, _, floor_one), (to_two, _, floor_two) = (
            # All of it counts where it tells which of the catalyst's gauges is off.
            _off(frames, base, other, flow, standing, 0.0 if spans else PEAK_FLOORS)
            for other in (one, two)
        )
        if to_one.any() and to_two.any():
            both = np.where(
                to_one * to_two > 0, np.sign(to_one) * np.minimum(np.abs(to_one), np.abs(to_two)), 0.0
            )
            both[np.abs(between) > floor] = 0.0
            told_until = int(np.flatnonzero(flow | standing)[-1]) + 1
            # Where the catalyst's pressure has changed, it is not the base that is off.
            own = _since_first(base.level, _stays(standing & ~base.no_pressure, frames))
            both[own * np.sign(both) < OWN_SHARE * np.abs(both)] = 0.0
            seen = [
                (Gauge.BASE, both, _until_seen(frames, span, flow, standing))
                for span in _spans(frames, both / max(floor_one, floor_two), BASE_LAST_S, until=told_until)
            ]
    else:
        # By how far each has left its own usual standing level.
        to_one, to_two = (np.where(standing, s.level - _usual(s.level, standing), 0.0) for s in (two, one))
    for span in spans:
        first, last = _until_seen(frames, span, flow, standing)
        nearer = np.nanmean(np.abs(to_one[first:last])) < np.nanmean(np.abs(to_two[first:last]))
        gauge, sign = (Gauge.CATALYST_2, -1.0) if nearer else (Gauge.CATALYST_1, 1.0)
        seen.append((gauge, sign * between, (first, last)))
    drifts = []
    for gauge, offset, span in seen:
        settled = _settled(offset, span)
        if not gainsaid(frames, gauge, settled, offset[settled : span[1]], off, flow | standing):
            drifts.append(_dated(frames, gauge, offset, span))
    return drifts


def ends_drift(frames: Frames, jump: Jump, standing: BoolArray) -> bool:
    """Whether a step puts a zero right at once: the gauge then stands as it did when the recording began.

    frames : with the jump left in; standing : (F,), under pressure without flow
    """
    own = frames.signals[jump.gauge]
    others = [frames.signals[g] for g in FLUID if g in frames.signals and g != jump.gauge]
    if jump.gauge != Gauge.BASE and len(others) > 1:
        others = others[1:]  # of the same line
    near, far = frames.count(BESIDE_S[0]), frames.count(BESIDE_S[1])
    rights = []
    for other in others:
        apart = own.level - other.level * (own.plateau / other.plateau)
        both = standing & ~(own.no_pressure | other.no_pressure | own.bound | other.bound)
        stays = _stays(both, frames)
        at, levels = stays.sum(axis=1) // 2, _by_stay(apart, stays)
        at, levels = at[np.isfinite(levels)], levels[np.isfinite(levels)]
        before = levels[(at >= jump.first - far) & (at < jump.first - near)]
        after = levels[(at >= jump.first + near) & (at < min(jump.first + far, jump.last))]
        if not len(after) or np.count_nonzero(at < jump.first) < FIRST_STAYS:
            return False
        zero = float(np.median(levels[:FIRST_STAYS]))
        least = ALIKE * abs(jump.size)
        was_off = not len(before) or abs(float(np.median(before)) - zero + jump.size) < least
        rights.append(was_off and abs(float(np.median(after)) - zero) < least)
    return bool(rights) and all(rights)


def _since_first(level: FloatArray, stays: IntArray) -> FloatArray:
    """(F,) [Pa], by how much the level has moved since the first stays, by the stays around."""
    single = _by_stay(level, stays)
    known = np.isfinite(single)
    if not known.any():
        return np.zeros(len(level))
    levels = median_around(single[known], STAYS)
    moved = straight_between(np.arange(len(level)), stays.sum(axis=1)[known] // 2, levels)
    return moved - float(np.median(single[known][:FIRST_STAYS]))


def _usual(level: FloatArray, where: BoolArray) -> float:
    known = level[where & np.isfinite(level)]
    return float(np.median(known)) if len(known) else 0.0


def _settled(offset: FloatArray, span: tuple[int, int]) -> int:
    """Frame from which on an offset has come. offset : (F,) [Pa]"""
    first, last = span
    size = np.abs(offset[first:last])
    return first + int(np.argmax(size > SETTLED * size.max()))


def _until_seen(
    frames: Frames, span: tuple[int, int], flow: BoolArray, standing: BoolArray
) -> tuple[int, int]:
    """The span until a stay of either state has shown that the offset is gone."""
    first, last = span
    for where in (standing, flow):
        stays = runs_of(where[last:])
        long = stays[stays[:, 1] - stays[:, 0] >= frames.count(STAY_S)]
        if len(long):
            last = max(last, span[1] + int(long[0].mean()))
    return first, last


def _dated(frames: Frames, gauge: Gauge, offset: FloatArray, span: tuple[int, int]) -> Drift:
    """An offset with its ends put where the gauge jumps, if it does: stays tell them to a stay only.

    offset : (F,) [Pa] of this gauge
    """
    first, last = span
    reach, sudden = frames.count(NEAR_END_S), sudden_moves(frames.signals[gauge].level)
    # Of two gauges in a line, only the other can gainsay a jump.
    catalysts = PARTS["catalyst"]
    for other in catalysts if gauge in catalysts else FLUID:
        if other != gauge:
            theirs = frames.signals[other]
            along = np.abs(sudden_moves(theirs.level)) > along_floor(theirs)
            sudden = np.where(along, 0.0, sudden)
    settled = _settled(offset, span)
    came = _largest(sudden * np.sign(offset[settled]), max(0, first - reach), settled + 1)
    went = _largest(-sudden * np.sign(offset[settled]), max(settled, last - reach), last + reach)
    if gauge == Gauge.BASE and not _stands_off(frames, came, offset[settled]):
        came = settled  # a purge moves the base alone, as fast
    # A ramp is not at once, though a piston that slips may jump as far on the way.
    began = _ramp_start(offset, first, last)
    at_once = abs(sudden[came] - offset[settled]) < AT_ONCE * abs(offset[settled])
    at_once = at_once and (began is None or settled - began < 2 * reach)
    # What is there within a minute, with a jump of its own, came no slower than stays can tell.
    jumps = abs(sudden[came]) > (1 - 2 * AT_ONCE) * abs(offset[settled])
    at_once = at_once or (bool(jumps) and settled - first < frames.count(QUICK_S))
    before = offset[span[0] + 9 * (span[1] - span[0]) // 10]
    if abs(sudden[went] + before) < AT_ONCE * abs(before):
        last = went
    start = came if at_once else first if began is None else min(first, began)
    return Drift(gauge, start, last, bool(at_once), float(offset[settled]))


def _stands_off(frames: Frames, at: int, size: float) -> bool:
    """Whether the base stands off by about `size` [Pa] after a frame, by the minutes before and after."""
    level, reach = frames.signals[Gauge.BASE].level, frames.count(SIDE_S)
    (moved,) = moved_by(level[max(0, at - reach) : at], level[at : at + reach], [STANDS])
    return bool(abs(moved - size) < SHOWN * abs(size))


def _ramp_start(offset: FloatArray, first: int, last: int) -> int | None:
    """Where a straight ramp left zero; None if the offset does not rise in one.

    offset : (F,) [Pa]
    """
    size = np.abs(offset[first:last])
    peak = int(np.argmax(size))
    top = size[peak]
    rising = np.flatnonzero((size[: peak + 1] > RAMP[0] * top) & (size[: peak + 1] < RAMP[1] * top))
    if len(rising) < 10:
        return None
    slope, zero = np.polyfit(rising, size[rising], 1)
    off = np.abs(size[rising] - (zero + slope * rising))
    # A level that hardly rises began nowhere near.
    if slope <= 0 or zero > slope * peak or np.median(off) > FITS * top:
        return None
    return max(0, first + int(-zero / slope))


def _largest(values: FloatArray, first: int, last: int) -> int:
    return first + int(np.argmax(values[first:last]))


def _spans(
    frames: Frames,
    size: FloatArray,
    least_s: float,
    least: FloatArray | None = None,
    until: int | None = None,
) -> list[tuple[int, int]]:
    """Where an offset is worth naming, from where it began to show until it no longer does.

    size : (F,) in floors; least_s : [s], how long it lasts; least : (F,) in floors, what is off for certain
    until : frame from which nothing tells of it
    """
    size = np.abs(size)
    shows = _joined(runs_of(size > SHOWS), frames.count(JOIN_S))
    named = np.array([size[first:last].max() >= PEAK_FLOORS for first, last in shows.tolist()], dtype=bool)
    told = shows[:, 1] if until is None else np.minimum(shows[:, 1], until)
    spans = shows[named & (told - shows[:, 0] >= frames.count(least_s))]
    if least is not None and len(spans) > 1:
        # An imbalance that comes on top of it hides how large it is, and not that it is there.
        between = zip(spans[:-1, 1].tolist(), spans[1:, 0].tolist(), strict=True)
        spans = _merged(
            spans, np.array([(np.abs(least[last:first]) > SHOWS).all() for last, first in between])
        )
    return [(first, last) for first, last in spans.tolist()]


def _joined(runs: IntArray, reach: int) -> IntArray:
    """Runs, those nearer to each other than `reach` as one. runs : (R, 2)"""
    return _merged(runs, runs[1:, 0] - runs[:-1, 1] <= reach)


def _merged(runs: IntArray, with_next: BoolArray) -> IntArray:
    """Runs, each as one with the next where that is so. runs : (R, 2); with_next : (R - 1,)"""
    if len(runs) < 2:
        return runs
    apart, end = ~with_next, np.array([True])
    merged: IntArray = np.column_stack(
        (runs[np.concatenate((end, apart)), 0], runs[np.concatenate((apart, end)), 1])
    )
    return merged


def _off(
    frames: Frames, one: Signal, two: Signal, flow: BoolArray, standing: BoolArray, least: float
) -> tuple[FloatArray, FloatArray, float]:
    """Offset between two gauges that both states share, 0 where they do not; and from where on it is one.

    least : in floors; an offset that is less at all times is 0
    Returns (F,) [Pa]; (F,) [Pa], the smaller of both states' though they be unlike; [Pa], out of the noise
    and of the scatter from stay to stay
    """
    apart = one.level - two.level * (one.plateau / two.plateau)
    floor = max(OFFSET_SHARE * one.plateau, OFFSET_NOISE * float(np.hypot(one.noise, two.noise)))
    # A line that is relieved tells nothing of the other.
    both = ~(one.no_pressure | two.no_pressure)
    stays = [_stays(where & both, frames) for where in (standing, flow)]
    settle = frames.count(1.0)
    for levels_of, share in ((_roughly_by_stay, 0.5), (_by_stay, 1.0)):
        states, scatter = [], [floor]
        for spans in stays:
            single = levels_of(apart, spans)
            known = np.isfinite(single)
            if np.count_nonzero(known) < 4:
                return *np.zeros((2, len(apart))), floor
            single = single[known]
            levels = median_around(single, STAYS)
            scatter.append(SCATTERS * float(np.median(np.abs(single - levels))))
            start = float(np.median(levels[: max(3, len(levels) // 20)]))
            states.append(((spans.sum(axis=1)[known] - settle) // 2, levels - start))
        if any(np.abs(offsets).max() < share * least * max(scatter) for _, offsets in states):
            return *np.zeros((2, len(apart))), max(scatter)
    floor = max(scatter)
    every = np.arange(len(apart))
    shared, smaller = in_blocks(_shared, *(straight_between(every, *state) for state in states))
    return shared, smaller, floor


def _shared(rest: FloatArray, work: FloatArray) -> list[FloatArray]:
    """The smaller of two offsets where they are alike, else 0; and where their signs are. Each (F,) [Pa]"""
    size, other = np.abs(rest), np.abs(work)
    smaller = np.where(rest * work > 0, np.sign(rest) * np.minimum(size, other), 0.0)
    alike = np.abs(rest - work) <= ALIKE * np.maximum(size, other)
    return [np.where(alike, smaller, 0.0), smaller]


def _stays(where: BoolArray, frames: Frames) -> IntArray:
    """(S, 2) frames of each stay of 3 s or more, less its first second: first, and one past the last."""
    stays = runs_of(where)
    stays = stays[stays[:, 1] - stays[:, 0] >= frames.count(STAY_S)]
    stays[:, 0] += frames.count(1.0)
    return stays


def _by_stay(values: FloatArray, stays: IntArray) -> FloatArray:
    """(S,) median of each stay."""
    return np.array([known_median(values[first:last]) for first, last in stays.tolist()])


def _roughly_by_stay(values: FloatArray, stays: IntArray) -> FloatArray:
    """(S,) the same by some frames of each stay, evenly spread: enough to see that nothing is off."""
    first, last = stays[:, 0], stays[:, 1]
    inside = first[:, None] + (-(-(last - first) // ROUGH))[:, None] * np.arange(ROUGH)
    known = inside < last[:, None]
    return known_row_medians(np.where(known, values[np.minimum(inside, len(values) - 1)], np.nan))
