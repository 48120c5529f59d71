"""What is the pressure at one piston pump's outlet, all day long? Curves put together from turn to turn.

Between a trigger's move and a piston's turn the hose's equation (curves.py) does not change, so it is solved
once for each stretch and direction, for all stretches at a time, and entered where the last piece ended. The
volumes are exact to the solver's step: what was swept went out, slipped back, was void or is in the hose.
"""

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.shop.curves import STEPS, Curves, Stretch, fit_hose
from tests.shop.pump_params import PartParams

FINE_S = 0.01  # pressures are given at this step, whatever the gauges' rate
BLOCK = 400  # stretches solved at a time
VENT_S = 0.7  # time constant of a line that is relieved
SLUGS = 4  # into which air parts the material of a travel

Array = NDArray[np.float64]


@dataclass
class Turn:
    """A piston changes its direction, in the middle of its dead time. flowing : its outlet was open."""

    at: float
    depth: float  # of the dip, in running pressures
    flowing: bool
    up: bool  # of the travel that begins
    void: bool  # the travel before ended in a void


@dataclass
class PartRun:
    """What one pump did. p : at FINE_S; volumes in seconds of nominal flow, by stretch.

    swept : by the piston; void : of it without material; slip : of it back past valves and seals;
    stored : what the hose took up; swept - void - slip - stored went out
    settled : pressure that each open stretch tends to, NaN for others; stall : stall pressure, by stretch
    """

    p: Array
    turns: list[Turn] = field(default_factory=list)
    swept: Array = field(default_factory=lambda: np.zeros(0))
    void: Array = field(default_factory=lambda: np.zeros(0))
    slip: Array = field(default_factory=lambda: np.zeros(0))
    stored: Array = field(default_factory=lambda: np.zeros(0))
    settled: Array = field(default_factory=lambda: np.zeros(0))
    stall: Array = field(default_factory=lambda: np.zeros(0))

    @property
    def out(self) -> Array:
        """What went out through the outlet, by stretch."""
        return self.swept - self.void - self.slip - self.stored


class PartSolver:
    """Puts one pump's stretches together, from turn to turn."""

    def __init__(
        self,
        stretches: list[Stretch],
        part: PartParams,
        stroke_s: float,
        thinning: float,
        rng: np.random.Generator,
    ) -> None:
        self.stretches, self.part, self.rng = stretches, part, rng
        self.hose = fit_hose(part, thinning)
        self.m = 1 / thinning
        self.stroke = stroke_s  # displacement, in seconds of nominal flow
        self.thinning = thinning
        self.open = [i for i, stretch in enumerate(stretches) if stretch.outlet == "open"]
        self.block: dict[int, int] = {}  # stretch -> its row in self.curves
        count = round(stretches[-1].end / FINE_S)
        self.run = PartRun(np.zeros(count))
        for name in ("swept", "void", "slip", "stored"):
            setattr(self.run, name, np.zeros(len(stretches)))
        self.run.settled = np.full(len(stretches), np.nan)
        self.run.stall = np.array([stretch.stall for stretch in stretches])
        self.p = 0.0
        self.up = bool(rng.random() < 0.5)
        self.left = (
            float(rng.uniform(0.2, 0.8)) * stroke_s
        )  # material before the piston meets a void or turns
        # What follows in this travel: voids, each but the last with material after it.
        self.slugs: list[tuple[float, float]] = [(0.0, 0.0)]
        self.dead_left = 0.0  # of a turn or a fall through a void: nothing is delivered
        self.turning = False
        self.moving = True

    def solve(self) -> PartRun:
        """The whole run."""
        for number, stretch in enumerate(self.stretches):
            at = stretch.start
            before = self.p
            if stretch.outlet == "open" and number not in self.block:
                self._next_block(number)
            while at < stretch.end - 1e-9:
                at += self._piece(number, stretch, at, stretch.end - at)
            self.run.stored[number] = (self.p - before) * self.hose.theta_s
        return self.run

    def _next_block(self, number: int) -> None:
        """Solve the equation for the open stretches from this one on: some hundred, for the memory's sake."""
        first = bisect_left(self.open, number)
        ahead = self.open[first : first + BLOCK]
        self.curves = Curves([self.stretches[i] for i in ahead], self.part, self.hose, self.thinning)
        self.block = {i: row for row, i in enumerate(ahead)}
        self.run.settled[ahead] = self.curves.settled.mean(axis=1)

    def _piece(self, number: int, stretch: Stretch, at: float, longest: float) -> float:
        """One stretch of time without an event. Returns its length [s]."""
        if stretch.outlet == "vent":
            self.moving = True
            p = self.p
            self._draw(at, longest, lambda t: p * np.exp(-t / VENT_S))
            return longest
        if self.dead_left > 0:
            return self._turn(stretch, at, longest)
        if stretch.outlet == "open":
            return self._flow(number, stretch, at, longest)
        return self._stand(number, stretch, at, longest)

    def _turn(self, stretch: Stretch, at: float, longest: float) -> float:
        seconds = min(self.dead_left, longest)
        self.dead_left = self.dead_left - seconds if seconds < self.dead_left else 0.0
        p = self.p
        if stretch.outlet == "open" and p > 0:
            k, m, theta = stretch.k, self.m, self.hose.theta_s
            # theta dp/dt = -(p/k)^m, m > 1
            self._draw(
                at, seconds, lambda t: p * (1 + (m - 1) * t * p ** (m - 1) / (theta * k**m)) ** (-1 / (m - 1))
            )
            if self.turning:
                self.run.turns[-1].depth += p - self.p
        else:
            self._draw(at, seconds, lambda t: np.full(np.shape(t), p))
        return seconds

    def _flow(self, number: int, stretch: Stretch, at: float, longest: float) -> float:
        curves, row, way = self.curves, self.block[number], int(self.up)
        settled, h = curves.settled[row, way], curves.h[row, way]
        side = int(self.p > settled)
        ps, vs, slips = curves.p[row, way, side], curves.v[row, way, side], curves.slip[row, way, side]
        # Where on the curve are we? In steps; beyond its end it has settled.
        steps = np.arange(STEPS)
        begin = float(np.interp(self.p, ps, steps) if side == 0 else np.interp(-self.p, -ps, steps))
        begin_v = float(np.interp(begin, steps, vs))
        to_end_v = float(vs[-1]) - begin_v
        if self.left <= to_end_v:
            until_end = (float(np.interp(begin_v + self.left, vs, steps)) - begin) * h
        else:
            until_end = (STEPS - 1 - begin) * h + (self.left - to_end_v) / curves.flow[row, way]
        seconds = float(min(until_end, longest))
        over = max(0.0, begin + seconds / h - (STEPS - 1)) * h
        end = min(begin + seconds / h, STEPS - 1)
        ends = until_end <= longest
        swept = (
            self.left if ends else float(np.interp(end, steps, vs)) - begin_v + over * curves.flow[row, way]
        )
        slip = (
            float(np.interp(end, steps, slips) - np.interp(begin, steps, slips))
            + over * curves.slip_flow[row, way]
        )
        self._draw(at, seconds, lambda t: np.interp(begin + t / h, steps, ps))
        self.run.slip[number] += slip
        self.moving = True
        self._move(number, swept, ends, at + seconds, stretch)
        return seconds

    def _stand(self, number: int, stretch: Stretch, at: float, longest: float) -> float:
        part = self.part
        stall = stretch.stall * (1 + (0.5 if self.up else -0.5) * part.asymmetry)
        p = self.p
        if not self.moving and p > stall * (1 - part.stiction_share):
            leak = part.leak_psi_min / part.run_psi / 60 * (1.0 if self.up else 1 + 40 * part.wear)
            seconds = min(longest, (p - stall * (1 - part.stiction_share)) / leak + 1e-6)
            self._draw(at, seconds, lambda t: p - leak * t)
            self.run.slip[number] += leak * seconds * self.hose.theta_s
            return seconds
        # theta dp/dt = a sqrt(1 - p/stall): the root falls in a straight line, to a stall in finite time.
        if p >= stall:
            self.moving = False
            return 0.0
        root = float(np.sqrt(1 - p / stall))
        slope = stretch.needle / (2 * stall * self.hose.theta_s)
        until_stall = root / slope
        needed = (stall - p) * self.hose.theta_s
        ends = self.left <= needed
        until_end = (
            (root - np.sqrt(1 - (p + self.left / self.hose.theta_s) / stall)) / slope if ends else np.inf
        )
        seconds = float(min(until_stall, until_end, longest))
        self._draw(at, seconds, lambda t: stall * (1 - np.maximum(root - slope * t, 0.0) ** 2))
        ends = until_end <= longest
        swept = self.left if ends else (self.p - p) * self.hose.theta_s
        self.moving = ends or until_stall > longest
        self._move(number, swept, ends, at + seconds, stretch)
        return seconds

    def _move(self, number: int, swept: float, ends: bool, at: float, stretch: Stretch) -> None:
        """The piston has travelled.

        Where material ends it falls through the void, as quick as its needle lets it; at its travel's end it
        turns.
        """
        self.run.swept[number] += swept
        self.left -= swept
        if not ends:
            return
        void, self.left = self.slugs.pop(0)
        self.run.swept[number] += void
        self.run.void[number] += void
        self.dead_left = void / stretch.needle
        self.turning = not self.slugs
        if not self.turning:
            return
        dead = self.hose.dead_s * float(self.rng.uniform(0.9, 1.1))
        self.up = not self.up
        self.run.turns.append(
            Turn(at + self.dead_left + dead / 2, 0.0, stretch.outlet == "open", self.up, void > 0)
        )
        self.dead_left += dead
        self.left, self.slugs = self._fill(stretch, at)

    def _fill(self, stretch: Stretch, at: float) -> tuple[float, list[tuple[float, float]]]:
        """What the pump has drawn for its next travel: material up to the first void, then void by void."""
        if stretch.fill is None:
            return self.stroke, [(0.0, 0.0)]
        first, last, ragged = stretch.fill
        share = (at - stretch.start) / (stretch.end - stretch.start)
        full = float(np.clip(first + (last - first) * share + self.rng.normal(0, ragged), 0.04, 1.0))
        material = self.rng.dirichlet(np.full(SLUGS, 2.0)) * full * self.stroke
        void = self.rng.dirichlet(np.full(SLUGS, 2.0)) * (1 - full) * self.stroke
        return float(material[0]), list(zip(void.tolist(), [*material[1:].tolist(), 0.0], strict=True))

    def _draw(self, at: float, seconds: float, curve: Callable[[Array], Array]) -> None:
        """Write the pressure from `at` for `seconds`; the state moves on to its end."""
        first, last = int(np.ceil(at / FINE_S - 1e-9)), int(np.ceil((at + seconds) / FINE_S - 1e-9))
        last = min(last, len(self.run.p))
        if last > first:
            self.run.p[first:last] = curve(np.arange(first, last, dtype=np.float64) * FINE_S - at)
        self.p = float(curve(np.array(seconds)))
