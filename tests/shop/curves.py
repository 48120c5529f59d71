"""How does the pressure at a piston pump's outlet move while nothing changes? The hose's equation, solved.

One volume, the hose with its compliance C, lies between pump and outlet:

    C dP/dt = Q_pump(P) - Q_slip(P) - Q_out(P)
    Q_pump = a sqrt(1 - P / P_stall)    the air motor behind its needle valve, an orifice
    Q_out  = (P / k)^(1/n)              line and mixer, power-law fluid
    Q_slip = w P                        past a worn check valve, on the downward stroke alone

While the piston turns it delivers nothing, for `dead_s`: that is a reversal's dip.

Here and in hydraulics.py pressure is in units of the nominal running pressure, flow in units of the nominal
flow, volume in seconds of nominal flow. Sources: power-law pipe loss (Metzner, Reed 1955, from memory);
orifice flow; the rest is common practice, no source.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.shop.pump_params import PartParams

STEPS = 180  # of a curve: five time constants at least, more often twenty

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Hose:
    """theta_s : its compliance, as seconds of nominal flow that change it by the running pressure
    dead_s : how long a piston that turns delivers nothing
    """

    theta_s: float
    dead_s: float


def fit_hose(part: PartParams, thinning: float) -> Hose:
    """The compliance and the turn's length that give a dip of the set depth, and the set width at half.

    Raises ValueError if the dip would be no dip, or the pump has no pressure to spare.
    """
    if not 0 < part.dip_share < 1 or part.run_psi >= part.stall_psi:
        raise ValueError(f"dip_share {part.dip_share}, run_psi {part.run_psi}, stall_psi {part.stall_psi}")
    m, s, d = 1 / thinning, part.stall_psi / part.run_psi, part.dip_share
    fall = ((1 - d) ** (1 - m) - 1) / (m - 1)
    half_fall = ((1 - d / 2) ** (1 - m) - 1) / (m - 1)
    p = np.linspace(1 - d, 1 - d / 2, 400)
    slope = 1 / (np.sqrt((s - p) / (s - 1)) - p**m)
    rise = float(np.sum((slope[1:] + slope[:-1]) / 2 * np.diff(p)))
    theta = part.dip_s / (fall - half_fall + rise)
    return Hose(theta, theta * fall)


@dataclass
class Stretch:
    """A time without a change at this pump.

    outlet : 'open', 'shut' or 'vent', where it is relieved; k : its resistance, 1 nominal
    needle : a of the pump's curve; stall : P_stall
    fill : how full a stroke is at the start, at the end, and how raggedly; None where the pump is fed
    """

    start: float
    end: float
    outlet: str
    k: float = 1.0
    needle: float = 1.0
    stall: float = 1.25
    fill: tuple[float, float, float] | None = None


class Curves:
    """Solutions of the equation for open stretches, both directions, from below and from above.

    p, v, slip : (stretches, 2 directions, 2 sides, STEPS) pressure, volume pumped and slipped
    h, settled, flow, slip_flow : (stretches, 2 directions) step [s]; pressure and flows they tend to
    """

    def __init__(self, stretches: list[Stretch], part: PartParams, hose: Hose, thinning: float) -> None:
        k = np.array([s.k for s in stretches])[:, None, None]
        needle = np.array([s.needle for s in stretches])[:, None, None]
        down_up = np.array([-0.5, 0.5])[None, :, None] * part.asymmetry
        stall = np.array([s.stall for s in stretches])[:, None, None] * (1 + down_up)
        worn = np.array([part.wear, 0.0])[None, :, None]

        def pumped(p: Array) -> Array:
            flow: Array = needle * np.sqrt(np.maximum(0.0, 1 - p / stall))
            return flow

        def rate(p: Array) -> Array:
            change: Array = (pumped(p) - worn * p - (np.maximum(p, 0.0) / k) ** (1 / thinning)) / hose.theta_s
            return change

        low, high = np.zeros(stall.shape), 1.2 * stall
        settled = _settled(rate, low, high)
        steep = (rate(settled * 0.999) - rate(settled * 1.001)) / (0.002 * settled)
        # An eighth of the time constant near the settled pressure, but no more than the quick start allows.
        quick = 0.35 * np.maximum(settled, 0.2) / np.maximum(np.abs(rate(low)), np.abs(rate(high)))
        h = np.minimum(0.12 / steep, quick)
        p = np.concatenate((low, high), axis=2)
        ps, vs, slips = [p], [np.zeros(p.shape)], [np.zeros(p.shape)]
        k1 = rate(p)
        for _ in range(STEPS - 1):
            # Runge and Kutta's fourth order; the volumes by Simpson's rule over a cubic's middle.
            k2 = rate(p + h / 2 * k1)
            k3 = rate(p + h / 2 * k2)
            after = p + h / 6 * (k1 + 2 * k2 + 2 * k3 + rate(p + h * k3))
            k1, before = rate(after), k1
            middle = (p + after) / 2 + h / 8 * (before - k1)
            ps.append(after)
            vs.append(vs[-1] + h / 6 * (pumped(p) + 4 * pumped(middle) + pumped(after)))
            slips.append(slips[-1] + h / 6 * worn * (p + 4 * middle + after))
            p = after
        self.p, self.v, self.slip = (np.stack(steps, axis=-1) for steps in (ps, vs, slips))
        self.h, self.settled = h[..., 0], settled[..., 0]
        self.flow, self.slip_flow = pumped(settled)[..., 0], (worn * settled)[..., 0]


def _settled(rate: Callable[[Array], Array], low: Array, high: Array) -> Array:
    """Where pressure neither rises nor falls, by halving."""
    for _ in range(50):
        middle = (low + high) / 2
        rises = rate(middle) > 0
        low, high = np.where(rises, middle, low), np.where(rises, high, middle)
    return (low + high) / 2
