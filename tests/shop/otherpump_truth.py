"""What is true of a recording? Shaped as `inspect --json`, times in seconds from its start by the true clock.

`unsure` spans have no state that the words tell: a pump that is bled, or one part without pressure.
"""

import itertools
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.shop.otherpump_gauges import GRID_S, Fault, Logged, apart_psi
from tests.shop.otherpump_params import PARTS, OtherPump, Part
from tests.shop.otherpump_physics import Played, Turn
from tests.shop.otherpump_plan import POURS, Plan

CAUTION_PSI, OUT_PSI, IDLE_S, EVENT_S, AGAIN_S = (
    200.0,
    300.0,
    300.0,
    10.0,
    300.0,
)  # common practice, no published source
BLINDS = ("missing", "stuck", "wire_break")
STATE = {
    "off": "off",
    "stand": "stalled",
    "isolated": "stalled",
    "pull": "dispensing",
    "purge": "purging",
    "cavitate": "dispensing",
    "silent": "unsure",
    "bleed": "unsure",
}


@dataclass
class Truth:
    """What really happened."""

    seconds: float
    states: list[tuple[float, float, str]]
    reversals: dict[Part, list[float]]
    unclear: dict[Part, list[float]]  # turns that leave hardly a dip: gun moving, shut, or a drum run dry
    balance: list[tuple[float, float, str, float]]
    idle: list[tuple[float, float, bool, float | None]]  # with the purge's start
    changeovers: list[tuple[float, float, Part]]
    faults: list[Fault]
    wear: list[dict[str, Any]] = field(default_factory=list)
    clogging: dict[str, float] = field(default_factory=dict)
    dispensed_ml: dict[Part, float] = field(default_factory=dict)


def truth_of(plan: Plan, pump: OtherPump, played: Played, logged: Logged) -> Truth:
    """Told from what was played, not from what was logged."""
    rough = [(act.start, act.end) for act in plan.acts if act.kind in ("cavitate", "bleed", "silent")]
    # The base has one gauge: while it says nothing nobody can see what the base did.
    blind = [(f.start, f.end) for f in logged.faults if f.channel == "base" and f.kind in BLINDS]
    rough += [(f.start, f.end) for f in logged.faults if f.kind == "gap"]
    clear: dict[Part, list[float]] = {part: [] for part in PARTS}
    unclear: dict[Part, list[float]] = {part: [] for part in PARTS}
    for part in PARTS:
        for turn in played.turns[part]:
            hidden = rough + blind if part == "base" else rough
            sure = turn.flowing and turn.clear and not any(s <= turn.at <= e for s, e in hidden)
            (clear if sure else unclear)[part].append(turn.at)
    return Truth(
        plan.seconds,
        _states(plan, logged, blind),
        clear,
        unclear,
        _balance(plan, pump, played),
        [_idle(plan, start, end, blind) for start, end in plan.stops() if end - start > IDLE_S],
        _changeovers(plan),
        logged.faults,
        [_wear(plan, part, played.turns[part], played) for part in plan.wear],
        _clogging(plan, pump),
        played.out_ml,
    )


def _states(plan: Plan, logged: Logged, blind: list[tuple[float, float]]) -> list[tuple[float, float, str]]:
    spans: list[tuple[float, float, str]] = []
    for act in plan.acts:
        kind = STATE[act.kind]
        if kind == "purging" and any(s < act.end and act.start < e for s, e in blind):
            kind = "unsure"
        if spans and spans[-1][2] == kind:
            spans[-1] = (spans[-1][0], act.end, kind)
        else:
            spans.append((act.start, act.end, kind))
    silence = [(f.start, f.end, "no_data") for f in logged.faults if f.kind == "gap"]
    return spans + silence  # what comes later holds


def _balance(plan: Plan, pump: OtherPump, played: Played) -> list[tuple[float, float, str, float]]:
    """Means over catalyst strokes; neighbours of one sign are one event, and so is what is soon over again.

    Told from what parts slowly alone: a transient is no imbalance.
    """
    apart = apart_psi(plan, pump, played, transients=False)
    at = np.arange(len(apart)) * GRID_S
    # Zero and gain of two gauges set them apart as well, and the gauges are all there is to see.
    one, two = pump.gauges["catalyst_1"], pump.gauges["catalyst_2"]
    level = np.interp(at, played.at, played.psi["catalyst"])
    apart = apart + one.zero_psi - two.zero_psi + (one.gain - two.gain) * level
    pouring = np.zeros(len(apart), dtype=bool)
    for act in plan.acts:
        if act.kind in POURS:
            pouring[int(act.start / GRID_S) : int(act.end / GRID_S)] = True
    cuts = sorted([t.at for t in played.turns["catalyst"]] + [s for s, e in plan.stops() if e - s > IDLE_S])
    stroke = np.searchsorted(cuts, at, side="right")
    count = np.bincount(stroke[pouring], minlength=len(cuts) + 1)
    total = np.bincount(stroke[pouring], apart[pouring], minlength=len(cuts) + 1)
    known = np.flatnonzero(count)
    mean = total[known] / count[known]
    first = np.searchsorted(stroke[pouring], known)
    moments = at[pouring]
    bounds = [*first, len(moments)]
    found: list[tuple[float, float, float, float]] = []  # start, end, signed peak, seconds over the limit
    number = 0
    while number < len(known):
        sign, begin = np.sign(mean[number]), number
        while number < len(known) and abs(mean[number]) > CAUTION_PSI and np.sign(mean[number]) == sign:
            number += 1
        if number == begin:
            number += 1
            continue
        start, end = float(moments[bounds[begin]]), float(moments[bounds[number] - 1])
        peak = float(np.abs(mean[begin:number]).max())
        seconds = (bounds[number] - bounds[begin]) * GRID_S
        if found and start - found[-1][1] < AGAIN_S and sign == np.sign(found[-1][2]):
            before = found.pop()
            start, peak, seconds = before[0], max(peak, abs(before[2])), seconds + before[3]
        found.append((start, end, float(sign * peak), seconds))
    return [
        (start, end, "out_of_balance" if abs(peak) > OUT_PSI else "caution", abs(peak))
        for start, end, peak, seconds in found
        if seconds >= EVENT_S
    ]


def _idle(
    plan: Plan, start: float, end: float, blind: list[tuple[float, float]]
) -> tuple[float, float, bool, float | None]:
    """Purged where a purge came in time, and its gauge could show it."""
    purges = [act for act in plan.acts if act.kind == "purge" and start <= act.start < end]
    seen = [act.start for act in purges if not any(s < act.end and act.start < e for s, e in blind)]
    purge = seen[0] if seen else None
    return start, end, purge is not None and purge - start <= IDLE_S, purge


def _changeovers(plan: Plan) -> list[tuple[float, float, Part]]:
    """From the first stroke that sucks air to the end of bleeding."""
    found = []
    for act in plan.acts:
        if act.kind == "bleed" and act.part:
            starts = [a.start for a in plan.acts if a.kind == "cavitate" and a.start < act.start]
            found.append((_first_of_run(starts), act.end, act.part))
    return found


def _first_of_run(starts: list[float]) -> float:
    """The first of the starts that follow each other within a minute, counted from the last."""
    first = starts[-1]
    for start in reversed(starts):
        if first - start > 60:
            break
        first = start
    return first


def _wear(plan: Plan, part: Part, turns: list[Turn], played: Played) -> dict[str, Any]:
    """The leak planted, and what it does: travels in flow of the last third, worn way against the other."""
    first, last, worn_up = plan.wear[part]
    times: dict[bool, list[float]] = {True: [], False: []}
    means: dict[bool, list[float]] = {True: [], False: []}
    open_at = np.concatenate(([0.0], np.cumsum(np.diff(played.at, prepend=0.0) * (played.opening > 0.5))))
    for before, after in itertools.pairwise(turns):
        if not (before.flowing and after.flowing) or before.at < plan.seconds * 2 / 3:
            continue
        rows = slice(*np.searchsorted(played.at, [before.at + 0.4, after.at]))
        flowing = played.opening[rows] > 0.5
        if flowing.any():
            times[before.upwards].append(open_at[rows.stop] - open_at[rows.start] + 0.4)
            means[before.upwards].append(float(played.psi[part][rows][flowing].mean()))
    way, other = bool(worn_up), not bool(worn_up)
    told: dict[str, Any] = {"pump": part, "leak_start": round(first, 3), "leak_end": round(last, 3)}
    if times[way] and times[other]:
        told["shorter"] = round(1 - float(np.median(times[way]) / np.median(times[other])), 4)
        told["lower"] = round(1 - float(np.median(means[way]) / np.median(means[other])), 4)
    return told


def _clogging(plan: Plan, pump: OtherPump) -> dict[str, float]:
    """By which share the running pressure for the rated flow rises, start to end."""
    if plan.clogging is None:
        return {}
    start, end, factor = plan.clogging
    return {"start": start, "end": end, "factor": factor, "rise": pump.mixer_share * (factor - 1)}


def state_array(truth: Truth, hz: float = 10.0) -> NDArray[np.str_]:
    """The state at each moment, a word each."""
    states = np.full(round(truth.seconds * hz), "unsure", dtype="U10")
    for start, end, kind in truth.states:
        states[round(start * hz) : round(end * hz)] = kind
    return states
