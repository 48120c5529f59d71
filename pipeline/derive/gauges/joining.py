"""How do stretches of a recording become one? Each is cut to its own part, and joined at its ends.

All times are running times [us] that go on from stretch to stretch; only `recorded_faults` are at the times
that the recording's clock showed.
"""

from dataclasses import dataclass, replace
from typing import Any, Final, TypeVar

import msgspec
import numpy as np

from edge.words import PumpState
from pipeline.derive.gauges import condition
from pipeline.derive.gauges.parts import PARTS
from pipeline.derive.gauges.results import (
    ChangeoverSeen,
    Clogging,
    Leak,
    Part,
    Reversal,
    SensorFault,
    StateSpan,
    Stroke,
    Wear,
)
from pipeline.derive.gauges.section import Section
from pipeline.derive.gauges.settings import GaugeSettings
from pipeline.derive.gauges.timeline import recorded_at

Finding = TypeVar("Finding", bound=msgspec.Struct)
FLOWING: Final = (PumpState.DISPENSING, PumpState.PURGING)
NO_CLOGGING: Final = Clogging()


@dataclass(frozen=True)
class Joined:
    """What the stretches so far say.

    until_us : running time of the first row that is not in it, None before the first stretch
    steps : as a Timeline's; strokes : of both parts, each part's in order; samples : rows that count
    """

    until_us: int | None = None
    states: tuple[StateSpan, ...] = ()
    reversals: tuple[Reversal, ...] = ()
    strokes: tuple[Stroke, ...] = ()
    changeovers: tuple[ChangeoverSeen, ...] = ()
    faults: tuple[SensorFault, ...] = ()
    recorded_faults: tuple[SensorFault, ...] = ()
    leaks: tuple[Leak, ...] = ()
    wear: tuple[Wear, ...] = ()
    clogging: Clogging = NO_CLOGGING
    steps: tuple[tuple[int, int], ...] = ()
    samples: int = 0
    first_at_us: int | None = None
    last_at_us: int | None = None


def join(done: Joined, section: Section, first: int, last: int, settings: GaugeSettings) -> Joined:
    """`done`, and what a stretch says of its samples from `first` up to `last`, one past the end.

    first, last : places in the section's timeline; what lies outside them was read for its surroundings
    """
    line = section.timeline
    low, end = int(line.run_us[first]), len(line.run_us)
    high = int(line.run_us[last]) if last < end else int(line.run_us[-1])
    shift = 0 if done.until_us is None else done.until_us - low
    beyond = high if last < end else high + 1

    def own(found: list[Any], at: str = "start_us") -> list[Any]:
        inside = [one for one in found if low <= getattr(one, at) < beyond]
        return [_shifted(one, shift) for one in inside] if shift else inside

    def cut(spans: list[Any]) -> list[Any]:
        pieces = [
            msgspec.structs.replace(s, start_us=max(s.start_us, low), end_us=min(s.end_us, high))
            for s in spans
            if s.start_us < beyond and (s.end_us > low or s.start_us >= low)
        ]
        return [_shifted(one, shift) for one in pieces]

    strokes = _numbered(own(section.strokes), done, section, low)
    wear, clogging = done.wear, done.clogging
    for part in PARTS:
        wear += tuple(condition.find_wear([s for s in strokes if s.part == part], settings))
    for part in PARTS:
        running = [s for s in strokes if s.part == part]
        if running:
            found = condition.find_clogging(running, settings)
            if found.rise is not None:
                clogging = msgspec.structs.replace(found, spans=[*clogging.spans, *found.spans])
            break
    step_shift = [(low, recorded_at(line.steps, low) - low)] + [s for s in line.steps if low < s[0] < beyond]
    low_at, high_at = (recorded_at(line.steps, run) for run in (low, beyond))
    return replace(
        done,
        until_us=high + shift,
        states=_touching(done.states, cut(section.states)),
        reversals=done.reversals + tuple(own(section.reversals, "at_us")),
        strokes=done.strokes + tuple(strokes),
        changeovers=done.changeovers + tuple(own(section.changeovers)),
        faults=_going_on(done, cut(section.faults), low + shift),
        # A clock set back within the surroundings of a cut may hide a fault or show it twice.
        recorded_faults=done.recorded_faults
        + tuple(
            fault
            for fault in line.faults
            if (done.until_us is None or low_at <= fault.start_us)
            and (last == end or fault.start_us < high_at)
        ),
        leaks=done.leaks + tuple(own(section.leaks)),
        wear=wear,
        clogging=clogging,
        steps=_steps(done.steps, [(since + shift, behind - shift) for since, behind in step_shift]),
        samples=done.samples + last - first,
        first_at_us=int(line.at_us[first]) if done.first_at_us is None else done.first_at_us,
        last_at_us=int(line.at_us[last - 1]),
    )


def _shifted(one: Finding, shift: int) -> Finding:
    if not shift:
        return one
    times = {
        name: getattr(one, name) + shift for name in ("start_us", "end_us", "at_us") if hasattr(one, name)
    }
    return msgspec.structs.replace(one, **times)


def _numbered(strokes: list[Stroke], done: Joined, section: Section, low: int) -> list[Stroke]:
    """Strokes numbered on from those before, and their directions in turn with them."""
    if done.until_us is None:
        return strokes
    later: dict[Part, int] = {}
    turned: dict[Part, int] = {}
    of_parts = [reversal.part for reversal in done.reversals]
    for part in PARTS:
        last = next((s.no for s in reversed(done.strokes) if s.part == part), 0)
        # A stroke that was settled is here too, if it lies in what is read before the cut.
        known = [s.no for s in section.strokes if s.part == part and s.start_us < low]
        first = min((s.no for s in strokes if s.part == part), default=1)
        later[part] = last - (max(known) if known else first - 1)
        turned[part] = [r.part for r in section.reversals if r.at_us < low].count(part) + of_parts.count(part)
    return [
        msgspec.structs.replace(s, no=s.no + later[s.part], direction=(s.direction + turned[s.part]) % 2)
        for s in strokes
    ]


def _touching(before: tuple[StateSpan, ...], after: list[StateSpan]) -> tuple[StateSpan, ...]:
    """Spans back to back, those of one type that meet as one."""
    after = [span for span in after if span.end_us > span.start_us]
    if before and after and before[-1].type == after[0].type:
        joined = msgspec.structs.replace(before[-1], end_us=after[0].end_us)
        return (*before[:-1], joined, *after[1:])
    return (*before, *after)


def _going_on(done: Joined, after: list[SensorFault], at_us: int) -> tuple[SensorFault, ...]:
    """Faults of both; one that reaches up to the cut and the same from there on are one."""
    before = list(done.faults)
    for fault in after:
        same = [
            place
            for place, one in enumerate(before)
            if one.end_us == at_us == fault.start_us and (one.gauge, one.type) == (fault.gauge, fault.type)
        ]
        if same and done.until_us is not None:
            before[same[0]] = msgspec.structs.replace(before[same[0]], end_us=fault.end_us)
        else:
            before.append(fault)
    return tuple(before)


def _steps(before: tuple[tuple[int, int], ...], after: list[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Steps of the clock, without those that change nothing."""
    steps = list(before)
    for since, behind in after:
        if behind != (steps[-1][1] if steps else 0):
            steps.append((since, behind))
    return tuple(steps)


def quiet_cut(section: Section, first: int, least_us: int, most_us: int) -> int:
    """Where a stretch is best cut: a place in its timeline, one past its own last sample.

    In the longest time without flow between `least_us` and `most_us` from its first own sample; at the end of
    that window where material flows all the time. At its end only where rows are so mixed that no place
    parts earlier from later ones.
    """
    line = section.timeline
    low, high = (int(line.run_us[first]) + us for us in (least_us, most_us))
    spans = [
        (min(s.end_us, high) - max(s.start_us, low), s)
        for s in section.states
        if s.type not in FLOWING and s.end_us > low and s.start_us < high
    ]
    wanted = high
    if spans:
        _, longest = max(spans, key=lambda one: (one[0], -one[1].start_us))
        # A gap has no row inside: then it is the first one after it.
        wanted = (max(longest.start_us, low) + min(longest.end_us, high)) // 2
    place = int(np.searchsorted(line.run_us, wanted))
    if line.plain:
        return max(first + 1, min(place, len(line.run_us)))
    before = np.maximum.accumulate(line.order)[:-1]
    after = np.minimum.accumulate(line.order[::-1])[::-1][1:]
    clean = np.flatnonzero(before < after) + 1
    clean = clean[clean > first]
    return int(clean[np.argmin(np.abs(clean - place))]) if len(clean) else len(line.run_us)
