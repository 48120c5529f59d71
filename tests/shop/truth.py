"""What is true of a recording? States, reversals, imbalance, stops, faults, as told by `inspect --json`."""

import itertools
import json
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.shop.faults import said
from tests.shop.hydraulics import FINE_S, PartRun
from tests.shop.pump_params import PumpParams
from tests.shop.script import Act, PlantedFault, Script

CAUTION_PSI, OUT_PSI, IDLE_S = 200.0, 300.0, 300.0  # common practice, no published source
STATE = {
    "off": "off",
    "stand": "stalled",
    "pull": "dispensing",
    "purge": "purging",
    "cavitate": "dispensing",
    "vent": "stalled",
    "bleed": "stalled",
}
JOIN_S = 120.0
SILENT_S = 1.0  # a gap this long is a state of its own
Span = tuple[float, float]


@dataclass
class Played:
    """What really happened.

    acts : as cut for the solver; psi : what sound gauges without noise show, at FINE_S
    """

    script: Script
    params: PumpParams
    acts: tuple[Act, ...]
    runs: dict[str, PartRun]
    dispensing: NDArray[np.bool_]
    psi: dict[str, NDArray[np.float64]]


@dataclass
class Truth:
    """Shaped as `inspect --json` gives its findings; what goes beyond it is said where it is made."""

    states: list[dict[str, Any]] = field(default_factory=list)
    reversals: list[dict[str, Any]] = field(default_factory=list)
    balance_events: list[dict[str, Any]] = field(default_factory=list)
    idle_spans: list[dict[str, Any]] = field(default_factory=list)
    changeovers: list[dict[str, Any]] = field(default_factory=list)
    sensor_faults: list[dict[str, Any]] = field(default_factory=list)
    strokes: dict[str, int] = field(default_factory=dict)
    unseen_turns: dict[str, int] = field(default_factory=dict)
    wear: list[dict[str, Any]] = field(default_factory=list)
    clogging: dict[str, Any] = field(default_factory=dict)
    dispensed_l: dict[str, float] = field(default_factory=dict)
    swept_l: dict[str, float] = field(default_factory=dict)

    def to_json(self) -> str:
        """One line a list's element, so that a difference can be read."""
        parts = []
        for name, value in vars(self).items():
            if isinstance(value, list) and value:
                lines = ",\n".join("  " + json.dumps(one) for one in value)
                parts.append(f'"{name}": [\n{lines}\n]')
            else:
                parts.append(f'"{name}": {json.dumps(value)}')
        return "{" + ",\n".join(parts) + "}"


def truth_of(played: Played, start: float = 0.0, end: float | None = None) -> Truth:
    """The truth of the recording from `start` to `end` [s], as if it were a file of its own.

    A reversal carries its dip's depth: one in the moment when the trigger moves is hardly seen. Turns made
    with the gun shut, while a pump fills its hose or bleeds its air, and in gaps are `unseen_turns`.
    """
    end = played.script.seconds if end is None else end
    silent = [
        (f.start, f.end) for f in played.script.faults if _is_silence(f.kind, f.channel) and f.end > f.start
    ]
    hidden = silent + [(act.start, act.end) for act in played.script.acts if act.kind == "bleed"]
    clock = _Clock(played.script)
    truth = Truth()
    truth.states = [_span(clock, s, e, type=t) for s, e, t in _states(played, start, end, silent)]
    reversals: list[tuple[float, dict[str, Any]]] = []
    for part, run in played.runs.items():
        psi = getattr(played.params, part).run_psi
        turns = [t for t in run.turns if start <= t.at < end]
        seen = [t for t in turns if t.flowing and not any(s <= t.at < e for s, e in hidden)]
        truth.strokes[part] = len(seen)
        truth.unseen_turns[part] = len(turns) - len(seen)
        reversals += [
            (t.at, {"at": clock(t.at), "pump": part, "depth_psi": round(t.depth * psi, 1)}) for t in seen
        ]
        ml = played.params.part_flow_ml_s(part)
        inside = np.array([start <= act.start < end for act in played.acts])
        gun = np.array([STATE[act.kind] in ("dispensing", "purging") for act in played.acts])
        out = (
            run.out
            if part == "base"
            else np.where([act.kind == "purge" for act in played.acts], 0.0, run.out)
        )
        truth.dispensed_l[part] = round(float(out[inside & gun].sum()) * ml / 1000, 4)
        truth.swept_l[part] = round(float(run.swept[inside].sum()) * ml / 1000, 4)
        wear = getattr(played.params, part).wear
        if wear:
            truth.wear.append({"pump": part, "share": round(wear, 4)})
    truth.reversals = [turn for _, turn in sorted(reversals, key=lambda pair: pair[0])]
    truth.balance_events = [
        _span(clock, s, e, type="out_of_balance" if peak > OUT_PSI else "caution", peak_psi=round(peak, 1))
        for s, e, peak in _balance(played, start, end, silent)
    ]
    truth.idle_spans = [_idle(clock, played, s, e, end) for s, e in _stops(played, start, end)]
    truth.changeovers = [
        _span(clock, s, e, pump=part) for s, e, part in _changeovers(played) if start <= s < end
    ]
    truth.sensor_faults = [
        _fault(clock, f, played)
        for f in played.script.faults
        if f.start < end and max(f.end, f.start + 1e-9) > start
    ]
    for trend in played.script.trends:
        if trend.kind == "clogging" and trend.start < end and trend.end > start:
            truth.clogging = _span(clock, max(trend.start, start), min(trend.end, end), share=trend.size)
    return truth


class _Clock:
    """Seconds of the script as the logger's clock would say them."""

    def __init__(self, script: Script) -> None:
        self.start_us = script.start_us
        self.steps = [(f.start, f.size) for f in script.faults if f.kind == "clock_step"]

    def __call__(self, seconds: float) -> str:
        shift = sum(size for at, size in self.steps if seconds >= at)
        us = self.start_us + round((seconds + shift) * 1e6)
        return f"{np.datetime64(us, 'us').astype('datetime64[ms]')}Z"


def _span(clock: _Clock, start: float, end: float, **more: Any) -> dict[str, Any]:
    return {"start": clock(start), "end": clock(end), **more}


def _is_silence(kind: str, channel: str) -> bool:
    return kind == "gap" or (kind == "missing" and channel == "all")


def _states(played: Played, start: float, end: float, silent: list[Span]) -> list[tuple[float, float, str]]:
    """The five states, one after another, covering all from start to end."""
    pieces = [(max(a.start, start), min(a.end, end), STATE[a.kind]) for a in played.acts]
    for quiet_from, quiet_to in silent:
        if quiet_to - quiet_from < SILENT_S:
            continue
        kept = []
        for s, e, state in pieces:
            kept += [(s, min(e, quiet_from), state), (max(s, quiet_to), e, state)]
        pieces = [*kept, (max(quiet_from, start), min(quiet_to, end), "no_data")]
    pieces = sorted(p for p in pieces if p[1] > p[0])
    joined: list[tuple[float, float, str]] = []
    for s, e, state in pieces:
        if joined and joined[-1][2] == state:
            joined[-1] = (joined[-1][0], e, state)
        else:
            joined.append((s, e, state))
    return joined


def _balance(
    played: Played, start: float, end: float, silent: list[Span]
) -> list[tuple[float, float, float]]:
    """Catalyst strokes whose mean of catalyst_1 - catalyst_2, while dispensing, is beyond the limit.

    Returns start, end, and the greatest of the means [psi]. Neighbouring strokes are one event, though a stop
    lie between; so are those less than JOIN_S apart, for on a slow ramp they go over the limit and back.
    """
    seconds = np.arange(len(played.dispensing)) * FINE_S
    use = played.dispensing & (seconds >= start) & (seconds < end)
    for quiet_from, quiet_to in silent:
        use &= (seconds < quiet_from) | (seconds >= quiet_to)
    at = np.flatnonzero(use)
    turns = [turn.at for turn in played.runs["catalyst"].turns]
    stroke = np.searchsorted(turns, seconds[at], side="right")
    size = np.bincount(stroke)
    apart = (played.psi["catalyst_1"] - played.psi["catalyst_2"])[at]
    mean = np.abs(np.bincount(stroke, apart)) / np.maximum(size, 1)
    mean[size * FINE_S < 1.0] = np.nan  # too little of a stroke to have an average
    known = np.flatnonzero(np.isfinite(mean))
    events: list[tuple[float, float, float]] = []
    for over, group in itertools.groupby(known, key=lambda number: bool(mean[number] > CAUTION_PSI)):
        if over:
            numbers = list(group)
            first = at[np.searchsorted(stroke, numbers[0], side="left")]
            last = at[np.searchsorted(stroke, numbers[-1], side="right") - 1]
            begin, peak = first * FINE_S, float(mean[numbers].max())
            if events and begin - events[-1][1] < JOIN_S:
                begin, peak = events[-1][0], max(peak, events.pop()[2])
            events.append((begin, (last + 1) * FINE_S, peak))
    return events


def _stops(played: Played, start: float, end: float) -> list[Span]:
    """Stands longer than five minutes after mixed material went through the gun, up to the next."""
    flows = [a for a in played.acts if STATE[a.kind] == "dispensing" and a.end > start and a.start < end]
    if not flows:
        return []
    ends = [min(a.end, end) for a in flows]
    begins = [*(max(a.start, start) for a in flows[1:]), end]
    return [(s, e) for s, e in zip(ends, begins, strict=True) if e - s > IDLE_S]


def _idle(clock: _Clock, played: Played, start: float, stop_end: float, end: float) -> dict[str, Any]:
    """`open` where the recording ends before the stop does."""
    purges = [a for a in played.acts if a.kind == "purge" and start <= a.start < stop_end]
    first = purges[0].start if purges else None
    last = _end_of_run(purges) if purges else None
    return {
        "start": clock(start),
        "end": clock(stop_end),
        "purged": first is not None and first - start <= IDLE_S,
        "purge_start": None if first is None else clock(first),
        "purge_end": None if last is None else clock(min(last, end)),
        "open": stop_end == end,
    }


def _end_of_run(acts: list[Act]) -> float:
    """The end of the first acts that follow each other without a pause."""
    end = acts[0].end
    for act in acts[1:]:
        if act.start > end + 1e-6:
            break
        end = act.end
    return end


def _changeovers(played: Played) -> list[tuple[float, float, str]]:
    """From the first stroke that draws air to the end of the first whole stroke on the new drum or pail."""
    spans: list[tuple[float, float, str]] = []
    for act in played.script.acts:
        if act.kind == "cavitate":
            back = next(
                (a.start for a in played.script.acts if a.kind == "pull" and a.start > act.start), act.end
            )
            turns = [t.at for t in played.runs[act.part].turns if t.at > back and t.flowing]
            spans.append((act.start, turns[1] if len(turns) > 1 else back, act.part))
    return spans


def _fault(clock: _Clock, fault: PlantedFault, played: Played) -> dict[str, Any]:
    """`effect_psi` where a gauge lies: how far it was from the truth at most. Small, and nobody can tell."""
    found: dict[str, Any] = {"channel": fault.channel, "type": fault.kind}
    if fault.kind == "clock_step":
        # On the logger's own clock: what it left out, or what it says twice.
        sides = sorted((clock(fault.start - 1e-6), clock(fault.start)))
        return {"start": sides[0], "end": sides[1], **found}
    if fault.channel != "all" and fault.kind != "missing":
        first, last = (
            round(fault.start / FINE_S),
            max(round(fault.end / FINE_S), round(fault.start / FINE_S) + 1),
        )
        sound = played.psi[fault.channel][first:last]
        found["effect_psi"] = round(float(np.abs(said(fault, sound, played.params) - sound).max()), 1)
    return _span(clock, fault.start, fault.end, **found)
