"""What does the operator do all day? Pulls, stops, purges, changeovers, and what goes wrong meanwhile."""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from tests.shop.otherpump_params import PARTS, Part

Kind = Literal["off", "stand", "isolated", "pull", "purge", "cavitate", "silent", "bleed"]
POURS = ("pull", "cavitate")


@dataclass(frozen=True)
class Act:
    """One thing from `start` to `end` [s]; `opening` is the gun's or valve's, 1 at rated flow."""

    start: float
    end: float
    kind: Kind
    opening: float = 0.0
    part: Part | None = None  # whose drum or pail is replaced


@dataclass(frozen=True)
class Apart:
    """The catalyst gauges part by `psi` in flow, over `rise` s, for `stay` s; by a share of it `standing`.

    One pump feeds both hoses, so that without flow little of a difference is left.
    """

    start: float
    rise: float
    stay: float
    psi: float
    standing: float
    transient: bool = False


@dataclass
class Plan:
    """A recording's script."""

    seconds: float
    acts: list[Act] = field(default_factory=list)
    apart: list[Apart] = field(default_factory=list)
    regulator: list[tuple[float, Part, float]] = field(default_factory=list)  # from when, share of the stall
    clogging: tuple[float, float, float] | None = (
        None  # start, end, factor of the mixer's resistance at its end
    )
    wear: dict[Part, tuple[float, float, int]] = field(
        default_factory=dict
    )  # leak at start, at end, direction

    def stops(self) -> list[tuple[float, float]]:
        """From the end of each pull to the next one, or to the recording's end."""
        pours = [act for act in self.acts if act.kind in POURS]
        ends = [*(act.start for act in pours[1:]), self.seconds]
        return [(act.end, end) for act, end in zip(pours, ends, strict=True) if end > act.end]


class _Clock:
    """Acts set one behind the other."""

    def __init__(self) -> None:
        self.acts: list[Act] = []
        self.now = 0.0

    def act(self, kind: Kind, seconds: float, opening: float = 0.0, part: Part | None = None) -> None:
        seconds = round(seconds, 2)
        self.acts.append(Act(self.now, self.now + seconds, kind, opening, part))
        self.now += seconds


def random_plan(rng: np.random.Generator, hours: float) -> Plan:
    """Days of a shop: the pump is off over night, comes up, works in blocks, and stands between them."""
    clock = _Clock()
    end = hours * 3600
    clock.act("off", rng.uniform(30, 400))
    while clock.now < end - 900:
        close = min(end - 500, clock.now + rng.uniform(7, 9.5) * 3600)
        _come_up(clock, rng)
        while clock.now < close:
            _work(clock, rng, min(close, clock.now + rng.uniform(400, 2400)))
            if clock.now < close - 600:
                _stop(clock, rng, close - clock.now)
        clock.act("stand", rng.uniform(5, 60))
        clock.act("purge", rng.uniform(12, 40), rng.uniform(0.8, 1.4))
        clock.act("off", rng.uniform(320, 460) if close >= end - 500 else rng.uniform(10, 14) * 3600)
    plan = Plan(clock.now, clock.acts)
    _go_wrong(plan, rng)
    return plan


def _come_up(clock: _Clock, rng: np.random.Generator) -> None:
    clock.act("stand", rng.uniform(20, 110))
    clock.act("purge", rng.uniform(12, 40), rng.uniform(0.8, 1.3))
    clock.act("stand", rng.uniform(5, 60))
    clock.act("pull", rng.uniform(2, 5), 1.0)  # a smear test
    clock.act("stand", rng.uniform(30, 120))


def _work(clock: _Clock, rng: np.random.Generator, until: float) -> None:
    """Frame by frame: some beads, a turn of the frame, now and then the next frame is fetched."""
    length, spread = rng.choice([4.0, 10.0, 25.0]), rng.uniform(0, 0.18)
    while clock.now < until:
        for _ in range(rng.integers(2, 7)):
            opening = float(np.clip(rng.normal(1, spread), 0.6, 1.5))
            clock.act("pull", max(2.0, rng.gamma(3, length / 3)), opening)
            if rng.random() < 0.1:
                clock.act(
                    "pull", rng.uniform(2, 12), float(np.clip(opening * rng.uniform(0.65, 1.5), 0.5, 1.6))
                )
            clock.act("stand", rng.uniform(1.5, 7))
        clock.act("stand", rng.uniform(4, 100))
    clock.act("pull", rng.uniform(3, 15), 1.0)


def _stop(clock: _Clock, rng: np.random.Generator, left: float) -> None:
    """One stop between blocks of work. None ends, and no purge comes, within 16 s of the five minutes."""
    kinds = ["short", "4:40", "purged", "unpurged", "late", "isolated", "lunch", "base", "catalyst"]
    kind = str(rng.choice(kinds, p=[0.12, 0.12, 0.17, 0.14, 0.12, 0.1, 0.11, 0.06, 0.06]))
    most = min(3600.0, max(330.0, left - 300))
    long = float(np.clip(np.exp(rng.uniform(np.log(330), np.log(3600))), 330, most))
    if kind == "short":
        clock.act("stand", rng.uniform(100, 270))
    elif kind == "4:40":
        clock.act("stand", 280.0)
    elif kind == "purged":
        clock.act("stand", rng.uniform(5, 270))
        clock.act("purge", rng.uniform(10, 40), rng.uniform(0.8, 1.4))
        clock.act("stand", long)
    elif kind in ("unpurged", "isolated"):
        clock.act("stand", rng.uniform(2, 30))
        clock.act("stand" if kind == "unpurged" else "isolated", long)
        clock.act("stand", rng.uniform(3, 20))
    elif kind == "late":
        clock.act("stand", 325 + long)
        clock.act("purge", rng.uniform(12, 40), 1.0)
        clock.act("stand", rng.uniform(5, 60))
    elif kind == "lunch":
        clock.act("stand", rng.uniform(3, 40))
        if rng.random() < 0.6:
            clock.act("purge", rng.uniform(12, 40), 1.0)
        clock.act("off", long)
        _come_up(clock, rng)
    else:
        _changeover(clock, rng, "base" if kind == "base" else "catalyst", long)


def _changeover(clock: _Clock, rng: np.random.Generator, part: Part, long: float) -> None:
    """The pump sucks air, stands while the drum or pail is replaced, is bled, and is purged."""
    for _ in range(rng.integers(2, 4)):
        clock.act("cavitate", rng.uniform(6, 20), 1.0, part)
        clock.act("stand", rng.uniform(2, 6))
    clock.act("silent", rng.uniform(60, 150) if rng.random() < 0.4 else long, 0.0, part)
    clock.act("bleed", rng.uniform(20, 45), 1.0, part)
    clock.act("stand", rng.uniform(3, 15))
    clock.act("purge", rng.uniform(12, 30), 1.0)
    clock.act("stand", rng.uniform(4, 12))
    clock.act("pull", rng.uniform(3, 6), 1.0)
    clock.act("stand", rng.uniform(30, 100))


def _go_wrong(plan: Plan, rng: np.random.Generator) -> None:
    span = plan.seconds
    for _ in range(rng.choice([0, 1, 1, 2, 3])):
        rise = float(rng.choice([rng.uniform(0, 3), rng.uniform(60, 1500)]))
        sign = rng.choice([-1, 1])
        plan.apart.append(
            Apart(
                rng.uniform(0.08, 0.75) * span,
                rise,
                rng.uniform(200, 2400),
                sign * rng.choice([rng.uniform(60, 180), rng.uniform(220, 290), rng.uniform(310, 750)]),
                float(rng.choice([0.0, 0.0, 0.2])),
            )
        )
    for _ in range(rng.integers(0, 8)):
        plan.apart.append(
            Apart(
                rng.uniform(0.05, 0.95) * span,
                rng.uniform(0, 0.5),
                rng.uniform(0.5, 4.0),
                rng.choice([-1, 1]) * rng.uniform(150, 700),
                float(rng.choice([0.0, 1.0])),
                transient=True,
            )
        )
    for _ in range(rng.choice([0, 0, 1, 2])):
        at, factor = rng.uniform(0.1, 0.9) * span, rng.uniform(0.85, 1.15)
        for part in PARTS if rng.random() < 0.7 else [PARTS[rng.integers(2)]]:
            plan.regulator.append((at, part, factor))
    if rng.random() < 0.35:
        start = rng.uniform(0, 0.4) * span
        plan.clogging = (start, min(span, start + rng.uniform(0.3, 1) * span), rng.uniform(1.3, 3.0))
    if rng.random() < 0.35:
        part = PARTS[rng.integers(2)]
        plan.wear[part] = (rng.uniform(0, 0.05), rng.uniform(0.08, 0.35), int(rng.integers(2)))
