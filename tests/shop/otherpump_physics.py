"""What are the pressures? Two piston pumps, their hoses and one mixer, as an ordinary differential equation.

A pump is a source that can hold up its stall pressure and loses some of it to its own speed; a hose swells; a
gun and a mixer let a power-law fluid through. Solved by one linearly implicit Euler step of 10 ms after the
other (100 ms while all stands), for a check valve and a reversal make it stiff. Nothing draws a dip here:
it is what the hose loses while the air valve changes over.
"""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.shop.otherpump_params import PARTS, OtherPump, Part, Side
from tests.shop.otherpump_plan import Act, Plan

STEP_S, SLOW_S, SETTLED_S = 0.01, 0.1, 4.0
RELIEF_S = 1.2  # a relieved hose is empty after a few of these
MIXER_S = 0.05
VOID_SPEED = 4.0  # a piston that has sucked air runs through it at so many times its rated flow


@dataclass(frozen=True)
class Turn:
    """A reversal, `at` the middle of the changeover; `clear` where the trigger rested with the gun open."""

    at: float
    flowing: bool
    clear: bool
    upwards: bool


@dataclass
class Played:
    """Pressures [psi] at `at` [s], and all that the truth is told from."""

    at: NDArray[np.float64]
    psi: dict[Part, NDArray[np.float64]]
    opening: NDArray[np.float64]
    turns: dict[Part, list[Turn]]
    out_ml: dict[Part, float] = field(default_factory=lambda: {"base": 0.0, "catalyst": 0.0})


class Piston:
    """One pump and its hose as they stand now."""

    def __init__(self, side: Side, rng: np.random.Generator) -> None:
        self.side, self.rng = side, rng
        self.psi = 0.0
        self.travel = side.stroke_ml * rng.random()
        self.upwards = bool(rng.integers(2))
        self.dwell = self.void = 0.0
        self.stuck = False
        self.give = side.flow_ml_s / (
            side.stall_psi - side.run_psi
        )  # [ml / (s psi)] piston speed a psi to spare

    def step(
        self, seconds: float, source: float, out: float, slope: float, fill: float, leak: tuple[float, int]
    ) -> bool:
        """Go on by `seconds`, `out` [ml/s] leaving with `slope` [ml / (s psi)]. True if it reversed."""
        side = self.side
        worn = leak[0] if self.upwards == bool(leak[1]) else 0.0
        push = source * (1 + (side.friction if self.upwards else -side.friction) / 2)
        give = 0.0
        if self.dwell > 0:
            self.dwell -= seconds
        elif self.void > 0:
            self.void -= VOID_SPEED * side.flow_ml_s * seconds
            self.travel -= VOID_SPEED * side.flow_ml_s * seconds
        elif push > self.psi * (1 + (side.stick if self.stuck else 0.0)):
            give = self.give * (1 - worn)
            self.stuck = False
        inflow = give * (push - self.psi)
        lost = side.hose_ml_psi / side.leak_s
        change = (
            seconds * (inflow - out - lost * self.psi) / (side.hose_ml_psi + seconds * (give + slope + lost))
        )
        self.psi = max(0.0, self.psi + change)
        inflow = give * (push - self.psi)
        if give and inflow < 0.004 * side.flow_ml_s:
            self.stuck = True
        self.travel -= max(0.0, inflow) * seconds / (1 - worn)
        if self.travel > 0:
            return False
        self.upwards = not self.upwards
        self.travel = side.stroke_ml
        self.dwell = side.dwell_s * self.rng.uniform(0.9, 1.1)
        self.void = max(0.0, 1 - fill) * side.stroke_ml
        return True


def play(plan: Plan, pump: OtherPump, rng: np.random.Generator) -> Played:
    """Run the plan through the machine."""
    pistons = {part: Piston(getattr(pump, part), rng) for part in PARTS}
    fill = dict.fromkeys(PARTS, 1.0)  # share of its stroke that a pump sucks full
    psi: dict[Part, list[float]] = {part: [] for part in PARTS}
    at, openings = [], []
    played = Played(np.empty(0), {}, np.empty(0), {part: [] for part in PARTS})
    opening = now = mixer = 0.0  # mixer: what it holds up, as a share of the running pressure
    shut = False  # the catalyst's valve, for a base purge
    for act in plan.acts:
        ran = act.kind in ("pull", "cavitate", "purge")
        shut = act.kind == "purge" or (shut and not ran)
        while now < act.end - 1e-9:
            calm = now - act.start > SETTLED_S and not act.opening
            step = min(SLOW_S if calm else STEP_S, act.end - now)
            now += step
            wish = act.opening if ran else 0.0
            opening += math.copysign(min(abs(wish - opening), step / pump.open_s), wish - opening)
            warm = 1 + pump.warmth * math.sin(now / 4500)
            base_ml_s = 0.0
            for part in PARTS:
                piston = pistons[part]
                if part == "catalyst" and shut:
                    out = slope = 0.0
                elif part == "catalyst" and pump.locked:
                    out, slope = _metered(base_ml_s / pump.ratio, piston)
                else:
                    out, slope = _through(piston, opening, mixer, warm, pump)
                if part == "base":
                    base_ml_s = out
                played.out_ml[part] += out * step
                vent = _vent(act, part, piston.side)
                out, slope = out + vent * piston.psi, slope + vent
                source = _air(plan, pump, part, act, now)
                if piston.step(step, source, out, slope, fill[part], _worn(plan, part, now)):
                    clear = act.start + 0.35 < now < act.end - piston.side.dwell_s - 0.2
                    flowing = ran and not (part == "catalyst" and shut)
                    turned = Turn(now + piston.dwell / 2, flowing, clear, piston.upwards)
                    played.turns[part].append(turned)
                    fill[part] = _next_fill(fill[part], act, part, rng)
                psi[part].append(piston.psi)
            held = base_ml_s / pump.base.flow_ml_s
            held = pump.mixer_share * _clogged(plan, now) * warm * held**pump.thinning
            mixer += (held - mixer) * min(1.0, step / MIXER_S)
            at.append(now)
            openings.append(opening if ran else 0.0)
    played.at, played.opening = np.array(at), np.array(openings)
    played.psi = {part: np.array(values) for part, values in psi.items()}
    return played


def _through(
    piston: Piston, opening: float, mixer: float, warm: float, pump: OtherPump
) -> tuple[float, float]:
    """Flow [ml/s] through line and gun by the power law, and its slope [ml / (s psi)]."""
    spare = piston.psi - mixer * piston.side.run_psi
    if spare <= 1.0 or opening <= 0:
        return 0.0, 0.0
    rated = warm * piston.side.run_psi * (1 - pump.mixer_share)
    flow = opening * piston.side.flow_ml_s * (spare / rated) ** (1 / pump.thinning)
    return flow, flow / (pump.thinning * spare)


def _metered(flow: float, piston: Piston) -> tuple[float, float]:
    """A flow that the base's dictates, as far as there is pressure for it."""
    least = 0.15 * piston.side.run_psi
    return (flow, 0.0) if piston.psi >= least else (flow * piston.psi / least, flow / least)


def _vent(act: Act, part: Part, side: Side) -> float:
    """Conductance [ml / (s psi)] of a valve that relieves or bleeds this hose."""
    if act.kind == "off" or (act.kind == "silent" and part == act.part):
        return side.hose_ml_psi / RELIEF_S
    if act.kind == "bleed" and part == act.part:
        return 1.6 * side.flow_ml_s / (0.35 * side.stall_psi)
    return 0.0


def _next_fill(fill: float, act: Act, part: Part, rng: np.random.Generator) -> float:
    """Each stroke of an emptying drum sucks in less; a pump that is bled coughs."""
    if act.part != part or act.kind == "silent":
        return 1.0
    if act.kind == "bleed":
        return rng.uniform(0.2, 0.9)
    return max(0.1, fill - rng.uniform(0.1, 0.35))


def _air(plan: Plan, pump: OtherPump, part: Part, act: Act, now: float) -> float:
    """What the air would hold up at this pump [psi]."""
    if act.kind in ("off", "isolated") or (act.kind == "silent" and part == act.part):
        return 0.0
    if act.kind == "purge" and part == "catalyst" and pump.closes_catalyst:
        return 0.0
    side: Side = getattr(pump, part)
    saw = (now / pump.compressor_s) % 1.0
    factor = 1 - pump.compressor * saw
    for start, whose, size in plan.regulator:
        if whose == part and now > start:
            factor *= 1 + (size - 1) * min(1.0, (now - start) / 4.0)
    return side.stall_psi * factor


def _clogged(plan: Plan, now: float) -> float:
    """How many times the mixer's first resistance stands in the way."""
    if plan.clogging is None:
        return 1.0
    start, end, factor = plan.clogging
    return 1 + (factor - 1) * min(1.0, max(0.0, (now - start) / (end - start)))


def _worn(plan: Plan, part: Part, now: float) -> tuple[float, int]:
    """Share that the worn check valve lets back, and in which direction."""
    if part not in plan.wear:
        return 0.0, 0
    first, last, direction = plan.wear[part]
    return first + (last - first) * now / plan.seconds, direction
