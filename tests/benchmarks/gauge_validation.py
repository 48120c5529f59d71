"""How often is the gauge analysis right on pumps that nobody tuned it on?

Random pumps, rates, shifts and faults, played through tests/shop/lumped_pump.py, with --hydraulic through
tests/shop/pump.py, with --other through tests/shop/otherpump.py; findings are held against the truth. Run as
`python -m tests.benchmarks.gauge_validation [--seeds FIRST COUNT] [--wild | --hydraulic | --other | --plain]
[--each]`; --plain is the textbook's pump of tests/shop/textbook.py, of which 0 to 599 are development data.
Seeds below 1000, 3000 to 5059, and of --wild (wider ranges) 4000 to 4059 were looked at while this was
written; 6000 to 6199 of all, 7000 to 7099 of all and 3000 to 3059 of --hydraulic are development data too;
8000 to 8109 were scored and are development data now: start the next at 8110. Of --other 3000 to 3979 are
development data, 3980 and up are not looked at before the last score.
"""

import argparse
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from edge.units import PA_PER_PSI
from edge.words import Gauge
from pipeline.derive.gauges.analyse import analyse
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.results import GaugeAnalysis
from pipeline.derive.gauges.settings import GaugeSettings
from tests.shop import otherpump, pump, textbook
from tests.shop.lumped_pump import STEP_S, PartParams, Pulls, PumpParams, pressures, sample
from tests.shop.otherpump_truth import state_array

START_US = 1_792_000_000_000_000
FAULTS = ("missing", "stuck", "spike", "jump", "drift", "saturation", "wire_break")
CLOCK = ("gap", "duplicate", "out_of_order", "clock_step")
GAUGES = ("base", "catalyst_1", "catalyst_2")
# What must be told of wear and clogging: half as much again as the sites' defaults. Less may be.
WORN_SHARE, CLOGGED_SHARE = 0.12, 0.18


@dataclass
class Case:
    """A recording and its truth, times in seconds from the start."""

    recording: Recording
    hz: float
    seconds: float
    states: np.ndarray  # at 10 Hz
    reversals: dict[str, np.ndarray]
    balance: list[tuple[float, float, str]]
    idle: list[tuple[float, float, bool]]
    faults: list[tuple[float, float, str, str]]
    changeovers: list[tuple[float, float]]
    about: dict[str, Any] = field(default_factory=dict)


def random_params(rng: np.random.Generator, wild: bool) -> tuple[PumpParams, float]:
    """A pump within the trade's ranges, and its logger's rate."""
    flow = rng.uniform(8, 60)
    parts = {}
    stall = rng.uniform(700, 4600) if wild else rng.uniform(1200, 4000)
    for name, share in (("base", 10 / 11), ("catalyst", 1 / 11)):
        stands = stall * rng.uniform(0.75, 1.25)
        runs = stands * (rng.uniform(0.4, 0.95) if wild else rng.uniform(0.55, 0.9))
        stroke_s = rng.uniform(1.6, 14.5) if wild else rng.uniform(2.0, 12.0)
        dip_s = rng.uniform(0.06, 0.25)
        lag = rng.uniform(0.02, 0.2)
        depth = rng.uniform(0.06, 0.25)
        parts[name] = PartParams(
            stall_psi=stands,
            line_psi=runs * 0.6,
            mixer_psi=runs * 0.4,
            stroke_ml=stroke_s * flow * share,
            share=share,
            dip_share=min(0.9, depth / (1 - np.exp(-dip_s / lag))),
            dip_s=dip_s,
            lag_s=lag,
            refill_s=rng.uniform(0.1, 0.8),
            leak_share=rng.uniform(0, 0.08),
            leak_s=rng.uniform(200, 2000),
            asymmetry=rng.uniform(0, 0.02),
        )
    params = PumpParams(
        parts["base"],
        parts["catalyst"],
        flow_ml_s=flow,
        flow_spread=rng.uniform(0.0, 0.2),
        offset_psi=rng.uniform(-60, 60),
        noise_psi=stall * rng.uniform(0.0005, 0.006 if wild else 0.004),
        step_psi=float(rng.choice([0.1, 1.0, 2.0, 5.0])),
        span_psi=10_000.0,
    )
    return params, float(rng.choice([10, 12.5, 16, 20, 25, 33.3, 50]))


def random_case(seed: int, wild: bool = False) -> Case:
    """Two to three hours at a pump, with an imbalance, stops, and faults of gauges and clock."""
    rng = np.random.default_rng([seed, int(wild)])
    params, hz = random_params(rng, wild)
    pulls, idle = _shift(rng, params)
    count = len(pulls.flow)
    apart = np.zeros(count)
    for _ in range(rng.integers(0, 3)):
        start = rng.uniform(0.1, 0.7) * count
        ramp, stay = rng.uniform(20, 500) / STEP_S, rng.uniform(120, 1200) / STEP_S
        size = rng.choice([-1, 1]) * rng.uniform(120, 600)
        apart += size * np.interp(
            np.arange(count),
            [start, start + ramp, start + ramp + stay, start + ramp + stay + 1],
            [0, 1, 1, 0],
        )
    planted = apart.copy()
    for _ in range(4):  # over in 5 s: no imbalance
        at = int(rng.uniform(0.05, 0.95) * count)
        apart[at : at + 500] += rng.uniform(-600, 600)
    signals, turns = pressures(pulls, params, np.zeros(count), apart, rng)
    gauges = sample(signals, params, hz, START_US, rng)
    recording = Recording(
        gauges.at_us, {Gauge(name): values * PA_PER_PSI for name, values in gauges.psi.items()}
    )
    state = np.full(count, "stalled", dtype="U10")
    state[pulls.flow > 0] = "dispensing"
    state[pulls.purge] = "purging"
    state[pulls.off] = "off"
    case = Case(
        recording,
        hz,
        count * STEP_S,
        state[:: round(0.1 / STEP_S)],
        {part: at * STEP_S for part, at in turns.items()},
        _balance_truth(planted + params.offset_psi, state == "dispensing", turns["catalyst"]),
        idle,
        [],
        [],
        {"params": params},
    )
    if rng.random() < 0.7:
        for _ in range(rng.integers(1, 4)):
            _spoil(case, rng, params)
    if rng.random() < 0.4:
        case = _spoil_clock(case, rng)
    return case


def plain_case(seed: int) -> Case:
    """Two to three hours of a textbook's pump at 10, 20 or 50 Hz, with faults as the others have them."""
    rng = np.random.default_rng([seed, 0x7B])
    hz = float(rng.choice([10, 20, 50]))
    book = textbook.random_book(rng)
    played = textbook.play(book, rng)
    psi = textbook.sample(played, book, hz, rng)
    rows = np.arange(len(psi["base"]))
    ragged = {
        part: [
            np.arange(begin - 0.5, empty + 1.5, 0.4)
            for begin, empty, _, whose in book.changeovers
            if whose == part
        ]
        for part in played.turns
    }
    good = {part: [*turns[turns > 0], np.inf, np.inf] for part, turns in played.turns.items()}
    case = Case(
        Recording(
            START_US + np.round(rows * 1e6 / hz).astype(np.int64),
            {Gauge(name): values * PA_PER_PSI for name, values in psi.items()},
        ),
        hz,
        len(played.state) / textbook.FINE_HZ,
        played.state[:: textbook.FINE_HZ // 10].astype("U10"),
        played.turns,
        _balance_truth(
            played.apart,
            played.state == "dispensing",
            np.round(played.turns["catalyst"] / STEP_S).astype(np.int64),
        ),
        textbook.stops(book.script),
        [],
        [
            (begin, sorted(turn for turn in good[part] if turn > until)[1])
            for begin, _, until, part in book.changeovers
        ],
        {"params": book, "unclear": {part: np.concatenate([[], *at]) for part, at in ragged.items()}},
    )
    if rng.random() < 0.7:
        for _ in range(rng.integers(1, 4)):
            _spoil(case, rng, book)
    if rng.random() < 0.4:
        case = _spoil_clock(case, rng)
    return case


def hydraulic_case(seed: int) -> Case:
    """Three hours of the hydraulic simulator: it has its own truth."""
    rng = np.random.default_rng([seed, 7])
    hz = float(rng.choice([10, 12.5, 16, 20, 25, 33.3, 50]))
    params = pump.random_params(rng, hz)
    script = pump.random_script(rng, 3.0)
    read, truth = pump.simulate(script, params, seed, hz)
    start_us = script.start_us

    def at(moment: str) -> float:
        return (int(np.datetime64(moment[:-1], "us").astype(np.int64)) - start_us) / 1e6

    states = np.full(round(script.seconds * 10), "no_data", dtype="U10")
    for span in truth.states:
        states[round(at(span["start"]) * 10) : round(at(span["end"]) * 10)] = span["type"]
    # Started at START_US like every other case.
    recording = Recording(
        read.at_us - start_us + START_US, {Gauge(g): psi * PA_PER_PSI for g, psi in read.psi.items()}
    )
    clock = next((f["type"] for f in truth.sensor_faults if f["channel"] == "all"), None)
    step = next((f for f in script.faults if f.kind == "clock_step"), None)
    return Case(
        recording,
        hz,
        script.seconds,
        states,
        {
            part: np.array([at(r["at"]) for r in truth.reversals if r["pump"] == part])
            for part in ("base", "catalyst")
        },
        [(at(b["start"]), at(b["end"]), b["type"], b["peak_psi"]) for b in truth.balance_events],
        [(at(i["start"]), at(i["end"]), i["purged"]) for i in truth.idle_spans],
        # What a gauge says within its own noise of the truth nobody can tell.
        [
            (at(f["start"]), at(f["end"]), f["channel"], f["type"])
            for f in truth.sensor_faults
            if f["type"] == "stuck"
            or f.get("effect_psi", np.inf) > 3 * params.gauges["base"].noise_psi + params.step_psi
        ],
        [(at(c["start"]), at(c["end"])) for c in truth.changeovers],
        {
            "params": params,
            "clock": clock,
            "back": (step.start, 0.0) if step else None,
            "wear": {one["pump"]: one["share"] for one in truth.wear},
            # By what the mixer's share of the running pressure grew for the same flow, at the end.
            "clogging": truth.clogging.get("share", 0.0) * params.base.mixer_share,
        },
    )


def other_case(seed: int) -> Case:
    """Three hours of the pump that stranger hands built; its times as the logger's clock says them."""
    told = otherpump.simulate(seed, 3.0)
    truth, logged = told.truth, told.logged
    clock = next((f for f in truth.faults if f.channel == "all"), None)
    step = clock if clock and clock.kind == "clock_step" else None
    stepped = (step.start - min(0.0, step.size), -step.size) if step else (np.inf, 0.0)

    def at(moment: float) -> float:
        return moment - stepped[1] if moment >= stepped[0] else moment

    faults = [(at(f.start), at(f.end), f.channel, f.kind) for f in truth.faults if f is not step]
    if step:
        # A clock set forward by any time but a summer's hour looks as a gap does.
        kind = "gap" if step.size > 0 and step.size != 3600 else "clock_step"
        faults.append((step.start, step.start + abs(step.size), "all", kind))
    silent = [f for f in truth.faults if f.kind == "gap"]
    return Case(
        Recording(
            START_US + np.round(logged.clock * 1e6).astype(np.int64),
            {Gauge(name): psi * PA_PER_PSI for name, psi in logged.psi.items()},
        ),
        told.pump.hz,
        truth.seconds,
        state_array(truth),
        {part: np.array(turns) for part, turns in truth.reversals.items()},
        [(at(b[0]), at(b[1]), *b[2:]) for b in truth.balance],
        [
            (at(i[0]), at(i[1]), i[2])
            for i in truth.idle
            if not any(f.start < i[1] and i[0] < f.end for f in silent)
        ],
        faults,
        [(at(c[0]), at(c[1])) for c in truth.changeovers],
        {
            "params": told.pump,
            "clock": clock.kind if clock else None,
            "back": stepped,
            "holes": [(at(f.start), at(f.end)) for f in silent],
            "unclear": {part: np.array([at(t) for t in turns]) for part, turns in truth.unclear.items()},
            "wear": {one["pump"]: one["leak_end"] for one in truth.wear},
            "clogging": truth.clogging.get("rise", 0.0),
        },
    )


def _shift(rng: np.random.Generator, params: PumpParams) -> tuple[Pulls, list[tuple[float, float, bool]]]:
    flow, purge, off = [], [], []
    idle = []

    def stay(seconds: float, share: float = 0.0, base_only: bool = False, no_pressure: bool = False) -> None:
        steps = round(seconds / STEP_S)
        flow.append(np.full(steps, share))
        purge.append(np.full(steps, base_only))
        off.append(np.full(steps, no_pressure))

    def now() -> float:
        return sum(map(len, flow)) * STEP_S

    stay(rng.uniform(20, 200), no_pressure=True)
    stay(rng.uniform(20, 120))
    stay(rng.uniform(15, 40), 1.0, base_only=True)
    stay(rng.uniform(5, 100))
    for _ in range(rng.integers(3, 7)):
        longest = rng.choice([8.0, 30.0, 90.0])
        until = now() + rng.uniform(300, 1500)
        while True:
            stay(rng.uniform(2.5, longest), float(np.clip(rng.normal(1, params.flow_spread), 0.6, 1.5)))
            if now() > until:
                break
            stay(rng.uniform(1.5, 50))
        begin = now()
        kind = rng.choice(["short", "purged", "unpurged", "late", "off"])
        if kind == "short":
            stay(rng.uniform(200, 285))
        else:
            before = {"purged": rng.uniform(0, 200), "late": rng.uniform(330, 900)}.get(kind, 200.0)
            stay(before)
            if kind in ("purged", "late"):
                stay(rng.uniform(12, 40), 1.0, base_only=True)
            if kind == "off":
                stay(rng.uniform(200, 900), no_pressure=True)
            stay(rng.uniform(320, 1200))
            idle.append((begin, now(), kind == "purged"))
    stay(30.0, 1.0)
    stay(20.0)
    flows = np.concatenate(flow)
    blank = np.zeros(len(flows))
    return Pulls(flows, np.concatenate(purge), np.concatenate(off), blank, blank > 0), idle


def _balance_truth(apart: np.ndarray, dispensing: np.ndarray, turns: np.ndarray) -> list[tuple]:
    """Stroke means of the planted difference, over 200 and 300 psi; events of 10 s or more."""
    at = np.flatnonzero(dispensing)
    restarts = at[1:][np.diff(at) * STEP_S > 300]
    turns = np.union1d(turns, restarts)
    stroke = np.searchsorted(turns, np.arange(len(apart)), side="right")
    seconds = np.bincount(stroke[dispensing], minlength=len(turns) + 1) * STEP_S
    mean = np.bincount(stroke[dispensing], apart[dispensing], minlength=len(turns) + 1)
    mean = mean * STEP_S / np.maximum(seconds, STEP_S)
    events: list[list[float]] = []
    known = np.unique(stroke[at])
    first = dict(zip(*np.unique(stroke[at], return_index=True), strict=True))
    for number, size in enumerate(mean):
        if abs(size) <= 200 or number not in first:
            continue
        start = at[first[number]] * STEP_S
        end = at[np.searchsorted(stroke[at], number, side="right") - 1] * STEP_S
        # Neighbouring strokes are one event, though a stop lie between; and what is over again at once.
        place = int(np.searchsorted(known, number))
        next_to = events and events[-1][5] == place - 1
        if events and (next_to or start - events[-1][1] < 300) and events[-1][4] * size > 0:
            events[-1][1:4] = [end, max(events[-1][2], abs(size)), events[-1][3] + seconds[number]]
            events[-1][5] = place
        else:
            events.append([start, end, abs(size), seconds[number], size, place])
    return [(e[0], e[1], "out_of_balance" if e[2] > 300 else "caution", e[2]) for e in events if e[3] >= 10]


def _spoil(case: Case, rng: np.random.Generator, params: PumpParams | textbook.Book) -> None:
    kind, gauge = str(rng.choice(FAULTS)), str(rng.choice(GAUGES))
    values = case.recording.gauges[Gauge(gauge)]
    plateau = (params.base if gauge == "base" else params.catalyst).stall_psi * PA_PER_PSI
    at = rng.uniform(0.1, 0.8) * case.seconds
    long = {"spike": 0.0, "drift": rng.uniform(1500, 4000), "jump": rng.uniform(300, 2000)}
    seconds = min(long.get(kind, rng.uniform(20, 300)), 0.95 * case.seconds - at)
    if any(at < end + 60 and start < at + seconds + 60 for start, end, _, _ in case.faults):
        return
    rows = slice(round(at * case.hz), round((at + seconds) * case.hz) + 1)
    if kind == "missing":
        values[rows] = np.nan
    elif kind == "stuck":
        values[rows] = values[rows.start]
    elif kind == "spike":
        values[rows] = values[rows] + plateau * rng.choice([-0.6, 0.3, 0.8])
    elif kind == "jump":
        values[rows] += rng.choice([-1, 1]) * rng.uniform(0.05, 0.25) * plateau
    elif kind == "drift":
        values[rows] += (
            np.linspace(0, rng.choice([-1, 1]) * rng.uniform(0.1, 0.25), len(values[rows])) * plateau
        )
    elif kind == "saturation":
        top = np.quantile(values[rows], rng.uniform(0.3, 0.6))
        if top < 0.3 * plateau or np.nanmax(values) - top < 0.02 * plateau:
            return
        np.minimum(values, top, out=values)
        at, seconds = 0.0, case.seconds
    else:
        values[rows] = rng.choice([-0.025, -0.25]) * 5000 * PA_PER_PSI
    case.faults.append((at, at + seconds, gauge, kind))


def _spoil_clock(case: Case, rng: np.random.Generator) -> Case:
    kind = str(rng.choice(CLOCK))
    at_us = case.recording.at_us.copy()
    row = int(rng.uniform(0.2, 0.8) * len(at_us))
    rows = np.arange(len(at_us))
    start = row / case.hz
    end = start
    if kind == "gap":
        end = start + rng.uniform(2, 100)
        rows = np.concatenate((rows[:row], rows[round(end * case.hz) :]))
    elif kind == "duplicate":
        rows = np.concatenate((rows[: row + 5], rows[row:]))
    elif kind == "out_of_order":
        rows[row : row + 4] = rows[[row + 2, row, row + 3, row + 1]]
    else:
        back = rng.uniform(3, 100)
        at_us[row:] -= round(back * 1e6)
        start, end = start - back, start
        case.about["back"] = (row / case.hz, back)
    recording = Recording(at_us[rows], {g: v[rows] for g, v in case.recording.gauges.items()})
    case.recording = recording
    case.faults.append((start, end, "all", kind))
    case.about["clock"] = kind
    return case


def hits(truth: list[float], found: list[float], within: float) -> tuple[int, int, int]:
    """Matched, true and found moments; each matches one at most."""
    truth, found = sorted(truth), sorted(found)
    used: set[int] = set()
    matched = 0
    for moment in found:
        near = int(np.searchsorted(truth, moment))
        for place in (near - 1, near):
            if 0 <= place < len(truth) and place not in used and abs(truth[place] - moment) <= within:
                used.add(place)
                matched += 1
                break
    return matched, len(truth), len(found)


def _without(times: list[float], unclear: np.ndarray, true: list[float]) -> list[float]:
    """What was found but for real turns that nobody can be asked to see."""
    return [
        t
        for t in times
        if np.abs(np.array(true) - t).min(initial=np.inf) <= 0.3
        or np.abs(unclear - t).min(initial=np.inf) > 0.5
    ]


def overlap(truth: list[tuple], found: list[tuple], same: Any) -> tuple[int, int, int, list, list]:
    """Matched, true and found spans; a match overlaps by half of the longer, or both are moments near by."""
    left = list(truth)
    extra = []
    for one in found:
        match = next((t for t in left if same(t, one) and _meets(t, one)), None)
        if match:
            left.remove(match)
        else:
            extra.append(one)
    return len(truth) - len(left), len(truth), len(found), left, extra


def _meets(one: tuple, other: tuple) -> bool:
    shared = min(one[1], other[1]) - max(one[0], other[0])
    return shared >= 0.5 * max(one[1] - one[0], other[1] - other[0]) - 2.0


def score(case: Case, found: GaugeAnalysis) -> dict[str, Any]:
    """Counts of what was matched, true and found, by measure."""

    def seconds(us: int) -> float:
        return (us - START_US) / 1e6

    scores: dict[str, Any] = {}
    turned_back = case.about.get("clock") == "clock_step"
    gap = next(((f[0], f[1]) for f in case.faults if f[3] == "gap"), None)
    for part in ("base", "catalyst"):
        times = [seconds(r.at_us) for r in found.reversals if r.part == part]
        true = list(case.reversals[part])
        if turned_back:
            at, back = case.about["back"]
            true = [t - back if t >= at else t for t in true]
        if gap:
            true = [t for t in true if not gap[0] <= t <= gap[1]]
        if "unclear" in case.about:
            times = _without(times, case.about["unclear"][part], true)
        scores[f"reversals {part}"] = hits(true, times, 0.3)
    if not turned_back:
        states = np.full(len(case.states), "no_data", dtype="U10")
        for span in found.states:
            states[round(seconds(span.start_us) * 10) : round(seconds(span.end_us) * 10)] = span.type.value
        states[case.states == "unsure"] = "unsure"
        for state in ("dispensing", "stalled", "purging", "off"):
            both = ((states == state) & (case.states == state)).sum()
            either = ((states == state) | (case.states == state)).sum()
            if (case.states == state).any():
                scores[f"iou {state}"] = both / either
    spans = [(seconds(b.start_us), seconds(b.end_us), b.type) for b in found.balance_events]
    # Within 20 psi of the limit either answer is right; with a catalyst gauge at fault none can be given.
    blind = [f for f in case.faults if f[2].startswith("catalyst") and f[3] not in ("spike", "saturation")]
    near = [
        t for t in case.balance if abs(t[3] - 200) <= 20 or any(f[0] < t[1] and t[0] < f[1] for f in blind)
    ]
    sure = [t for t in case.balance if t not in near]
    spans = [s for s in spans if not any(t[0] < s[1] and s[0] < t[1] for t in near)]
    # Held together over dispensing time: how long the pump stood within an event says nothing.
    flowing = np.concatenate(([0.0], np.cumsum(case.states == "dispensing") / 10))
    sure, spans = (
        [(*(float(flowing[min(round(10 * at), len(flowing) - 1)]) for at in s[:2]), *s[2:]) for s in them]
        for them in (sure, spans)
    )
    scores["balance"] = overlap(sure, spans, lambda t, f: t[2] == f[2] or abs(t[3] - 300) < 15)
    idle = [(seconds(i.start_us), seconds(i.end_us), i.purged) for i in found.idle_spans]
    # Of a stop with a hole in it the fourth pump's truth says nothing.
    holes = case.about.get("holes", [])
    idle = [i for i in idle if not any(start < i[1] and i[0] < end for start, end in holes)]
    scores["idle"] = overlap(case.idle, idle, lambda t, f: t[2] == f[2])
    faults = [
        (seconds(f.start_us), seconds(f.end_us), f.gauge.value if f.gauge else "all", f.type.value)
        for f in found.sensor_faults
    ]
    # A clock set forward and a gap look alike, but where the pressures go on.
    either = {"gap", "clock_step"} if case.about.get("clock") == "clock_step" else set()
    scores["faults"] = overlap(
        case.faults, faults, lambda t, f: t[2:] == f[2:] or (t[2] == f[2] and {t[3], f[3]} == either)
    )
    scores["changeovers"] = overlap(
        case.changeovers,
        [(seconds(c.start_us), seconds(c.end_us)) for c in found.changeovers],
        lambda *_: True,
    )
    if "wear" in case.about:
        worn = [part for part, share in case.about["wear"].items() if share >= WORN_SHARE]
        # Less wear, or less clogging, may be told or not.
        told = [one.part for one in found.wear if case.about["wear"].get(one.part, 1.0) >= WORN_SHARE]
        scores["wear"] = (
            len(set(worn) & set(told)),
            len(worn),
            len(told),
            [(part, case.about["wear"][part]) for part in worn if part not in told],
            [(part,) for part in told if part not in case.about["wear"]],
        )
        clogged = case.about["clogging"] >= CLOGGED_SHARE
        spans = found.clogging.spans if clogged or not case.about["clogging"] else []
        scores["clogging"] = (
            int(clogged and bool(spans)),
            int(clogged),
            int(bool(spans)),
            [case.about["clogging"]] if clogged and not spans else [],
            [spans[0].rise] if spans and not case.about["clogging"] else [],
        )
        if found.clogging.rise is not None:
            scores["clogging rise error"] = abs(found.clogging.rise - case.about["clogging"])
    return scores


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", nargs=2, type=int, default=(0, 40))
    parser.add_argument("--wild", action="store_true")
    parser.add_argument("--hydraulic", action="store_true")
    parser.add_argument("--other", action="store_true")
    parser.add_argument("--plain", action="store_true")
    parser.add_argument("--each", action="store_true")
    args = parser.parse_args()
    total: dict[str, Counter[str]] = {}
    iou: dict[str, list[float]] = {}
    stroke_error = []
    kinds: dict[str, Counter[str]] = {}
    for seed in range(args.seeds[0], sum(args.seeds)):
        if args.other:
            case = other_case(seed)
        elif args.plain:
            case = plain_case(seed)
        else:
            case = hydraulic_case(seed) if args.hydraulic else random_case(seed, args.wild)
        found = analyse(case.recording, GaugeSettings())
        for name, value in score(case, found).items():
            if isinstance(value, float):
                iou.setdefault(name, []).append(value)
                if args.each and (value < 0.95) == name.startswith("iou"):
                    print(seed, name, round(value, 3), case.hz)
                continue
            total.setdefault(name, Counter()).update(matched=value[0], true=value[1], found=value[2])
            if name.startswith("reversals"):
                stroke_error.append(abs(value[2] - value[1]) / max(1, value[1]))
            elif name == "faults":
                for _, _, _, kind in case.faults:
                    kinds.setdefault(kind, Counter()).update(true=1)
                for what, spans in (("missed", value[3]), ("false", value[4])):
                    for span in spans:
                        kinds.setdefault(span[-1], Counter()).update({what: 1})
            if args.each and not name.startswith("reversals") and (value[3] or value[4]):
                missed, false = (
                    [_short(t) if isinstance(t, tuple) else t for t in spans[:6]] for spans in value[3:]
                )
                print(seed, name, "missed", missed, "false", false)
            f1 = 2 * value[0] / max(1, value[1] + value[2])
            if args.each and name.startswith("reversals") and f1 < 0.98:
                part = getattr(case.about["params"], name.split()[1])
                print(seed, name, value, round(f1, 3), case.hz, part)
    for name, counts in total.items():
        f1 = 2 * counts["matched"] / max(1, counts["true"] + counts["found"])
        print(
            f"{name:20s} F1 {f1:.4f}  true {counts['true']}  found {counts['found']}"
            f"  matched {counts['matched']}"
        )
    for name, values in iou.items():
        worst = np.min(values) if name.startswith("iou") else np.max(values)
        print(f"{name:20s} mean {np.mean(values):.4f}  worst {worst:.3f}")
    print(f"stroke count error   mean {np.mean(stroke_error):.4f}  worst {np.max(stroke_error):.4f}")
    for kind, counts in sorted(kinds.items()):
        print(f"fault {kind:14s} true {counts['true']}  missed {counts['missed']}  false {counts['false']}")


def _short(span: tuple) -> tuple:
    return tuple(round(x, 1) if isinstance(x, float) else x for x in span)


if __name__ == "__main__":
    main()
