"""What would a textbook's pump have its gauges read? Plateaus, notches, exponentials: recordings and truth.

By formulas of time alone, so that a recording's truth is the same at any rate: running and standing levels,
rectangular, Gaussian or triangular dips at each reversal, a fast fall and an exponential return.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

FINE_HZ = 100  # the formulas are followed at this; a logger takes every tenth, fifth or second value
GAUGES = ("base", "catalyst_1", "catalyst_2")
SHAPES = ("rectangle", "gauss", "triangle")


@dataclass
class Part:
    """A pump of the two. Pressures [psi], times [s]; dip_share of the running pressure."""

    stands: float
    runs: float
    stroke_s: float
    jitter: float
    shape: str
    dip_share: float
    dip_s: float

    @property
    def stall_psi(self) -> float:
        return self.stands


@dataclass
class Book:
    """One recording as it is planned.

    script : (state, seconds); apart : corners [s, psi] of the difference in flow; transient : start, length
    [s], size [psi]; changeovers : start, empty from, until [s], part
    """

    base: Part
    catalyst: Part
    returns_s: float
    noise_psi: float
    step_psi: float
    script: list[tuple[str, float]]
    apart: list[tuple[float, float]]
    transient: list[tuple[float, float, float]]
    changeovers: list[tuple[float, float, float, str]] = field(default_factory=list)


@dataclass
class Played:
    """The gauges at FINE_HZ without noise [psi], the state, the turns [s], the planted difference [psi]."""

    psi: dict[str, np.ndarray]
    state: np.ndarray
    turns: dict[str, np.ndarray]
    apart: np.ndarray


def random_book(rng: np.random.Generator) -> Book:
    """A pump within the design's ranges and some two hours of its day."""

    def part(level: float) -> Part:
        stands = level * rng.uniform(0.8, 1.2)
        return Part(
            stands,
            stands * rng.uniform(0.7, 0.95),
            float(np.exp(rng.uniform(np.log(1.5), np.log(15)))),
            rng.uniform(0, 0.04),
            str(rng.choice(SHAPES)),
            rng.uniform(0.05, 0.25),
            rng.uniform(0.05, 0.25),
        )

    level = rng.uniform(1200, 3800)
    base, catalyst = part(level), part(level * rng.uniform(0.8, 1.2))
    script: list[tuple[str, float]] = [
        ("off", rng.uniform(30, 200)),
        ("stalled", rng.uniform(20, 90)),
        ("purging", rng.uniform(15, 40)),
        ("stalled", rng.uniform(5, 60)),
    ]
    changeovers = []
    for _ in range(rng.integers(4, 7)):
        longest = float(rng.choice([10.0, 40.0, 240.0]))
        left = rng.uniform(400, 1300)
        while left > 0:
            pull, pause = rng.uniform(3, longest), rng.uniform(2, 30)
            script += [("dispensing", pull), ("stalled", pause)]
            left -= pull + pause
        script.pop()
        kind = str(rng.choice(["280 s", "purged", "unpurged", "late", "off", "changeover"]))
        if kind == "280 s":
            script.append(("stalled", 280.0))
        elif kind == "unpurged":
            script.append(("stalled", rng.uniform(320, 1500)))
        elif kind == "changeover":
            name = str(rng.choice(["base", "catalyst"]))
            ragged, empty = rng.uniform(8, 30), rng.uniform(60, 200)
            begin = sum(seconds for _, seconds in script)
            script += [("dispensing", ragged), ("stalled", empty), ("stalled", rng.uniform(10, 60))]
            changeovers.append((begin, begin + ragged, begin + ragged + empty, name))
            script += [("purging", rng.uniform(15, 40)), ("stalled", rng.uniform(10, 40))]
        else:
            before = rng.uniform(320, 700) if kind == "late" else rng.uniform(2, 280)
            script += [("stalled", before)]
            if kind == "off":
                script += [("off", rng.uniform(100, 900)), ("stalled", rng.uniform(60, 200))]
            script += [("purging", rng.uniform(15, 40)), ("stalled", rng.uniform(30, 900))]
    script += [("dispensing", 40.0), ("stalled", 30.0)]
    seconds = sum(length for _, length in script)
    apart = [(0.0, 0.0)]
    if rng.random() < 0.7:
        at, size = rng.uniform(0.15, 0.6) * seconds, rng.choice([-1, 1]) * rng.uniform(150, 600)
        ramp = rng.choice([0.0, rng.uniform(60, 900)])
        stays = rng.uniform(120, 1500)
        ends = at + ramp + stays
        apart += [(at, 0.0), (at + ramp + 0.01, size), (ends, size), (ends + 0.01, 0.0)]
    transient = [(rng.uniform(0.05, 0.95) * seconds, rng.uniform(1, 5), rng.uniform(-600, 600))]
    returns_s, noise_psi = rng.uniform(0.15, 1.0), level * rng.uniform(0.0005, 0.004)
    step_psi = float(rng.choice([0.01, 0.1, 1.0, 2.0]))
    return Book(base, catalyst, returns_s, noise_psi, step_psi, script, apart, transient, changeovers)


def play(book: Book, rng: np.random.Generator) -> Played:
    """The formulas over time."""
    state = np.concatenate([np.full(round(seconds * FINE_HZ), name) for name, seconds in book.script])
    t = np.arange(len(state)) / FINE_HZ
    psi, turns = {}, {}
    for name, part in (("base", book.base), ("catalyst", book.catalyst)):
        flow = state == "dispensing"
        if name == "base":
            flow |= state == "purging"
        empty = np.zeros(len(t), dtype=bool)
        for _, ragged, end, whose in book.changeovers:
            if whose == name:
                empty |= (t >= ragged) & (t < end)
        target = np.where(flow, part.runs, part.stands)
        target[(state == "off") | empty] = 0.0
        level = _follow(target, book.returns_s)
        share, at = _dips(part, flow, t, rng)
        for begin, ragged, _, whose in book.changeovers:
            if whose == name:
                air = (t >= begin) & (t < ragged)
                knots = np.arange(begin, ragged + 0.3, 0.3)
                share[air] = np.interp(t[air], knots, rng.uniform(0, 0.6, len(knots)))
                at = at[(at < begin) | (at > ragged)]
        psi[name] = level * (1 - share)
        turns[name] = at
    times, sizes = np.array(book.apart).T
    apart = np.interp(t, times, sizes)
    jolts = np.zeros(len(t))
    for at, lasts, size in book.transient:
        jolts[(t >= at) & (t < at + lasts)] = size
    flows = state == "dispensing"
    gauges = {
        "base": psi["base"],
        "catalyst_1": psi["catalyst"].copy(),
        "catalyst_2": psi["catalyst"] - np.where(flows, apart + jolts, 0.0),
    }
    return Played(gauges, state, turns, apart)


def _follow(target: np.ndarray, tau: float) -> np.ndarray:
    """Down within a frame or two as the trigger opens, back exponentially after it is let go."""
    k = 1 - np.exp(-1 / (FINE_HZ * tau))
    slow = lfilter([k], [1, k - 1], target, zi=[(1 - k) * target[0]])[0]
    k = 1 - np.exp(-1 / (FINE_HZ * 0.05))
    fast = lfilter([k], [1, k - 1], target, zi=[(1 - k) * target[0]])[0]
    return np.minimum(slow, fast)


def _dips(part: Part, flow: np.ndarray, t: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, ...]:
    """Share by which pressure is down at each moment, and the turns [s]."""
    travel = np.cumsum(flow) / FINE_HZ
    lengths = part.stroke_s * rng.normal(1, part.jitter, int(travel[-1] / part.stroke_s) + 10)
    due = np.cumsum(lengths) - rng.uniform(0, part.stroke_s)
    due = due[(due > 0) & (due < travel[-1])]
    at = t[np.searchsorted(travel, due)] + rng.uniform(-0.5, 0.5, len(due)) / FINE_HZ
    share = np.zeros(len(t))
    for moment in at:
        near = slice(max(0, int((moment - 0.6) * FINE_HZ)), int((moment + 0.6) * FINE_HZ))
        x = (t[near] - moment) / part.dip_s
        shape = {
            "rectangle": (np.abs(x) <= 0.5).astype(float),
            "gauss": np.exp(-4 * np.log(2) * x**2),
            "triangle": np.clip(1 - np.abs(x), 0, 1),
        }[part.shape]
        share[near] = np.maximum(share[near], part.dip_share * shape)
    return share, at


def sample(played: Played, book: Book, hz: float, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """What a logger writes at its rate [psi], by gauge."""
    every = round(FINE_HZ / hz)
    return {
        name: np.round((v[::every] + rng.normal(0, book.noise_psi, len(v[::every]))) / book.step_psi)
        * book.step_psi
        for name, v in played.psi.items()
    }


def stops(script: list[tuple[str, float]], limit_s: float = 300.0) -> list[tuple[float, float, bool]]:
    """Stops longer than the limit between dispensings, or to the end: start, end [s], purged within it."""
    found: list[tuple[float, float, bool]] = []
    now, since, purge = 0.0, None, None
    for name, seconds in [*script, ("dispensing", 0.0)]:
        if name == "dispensing":
            if since is not None and now - since > limit_s:
                found.append((since, now, purge is not None and purge - since <= limit_s))
            since, purge = now + seconds, None
        elif name == "purging" and purge is None:
            purge = now
        now += seconds
    return found
