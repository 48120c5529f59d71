"""What do the gauges of a two-part meter-mix pump read? Pistons, regulators, line loss, compliance.

Two piston pumps, driven by air motors, feed base and curing agent at a set ratio. While the gun is shut each
stands at its regulator's stall pressure, leaking down a little; while it is open each gauge reads the loss in
line and mixer, shear-thinning, at that flow. Where a piston turns it delivers nothing for a moment and the
hose, which is compliant, gives way: a dip. Nothing here knows how the analysis looks at it.

Sources: power-law pipe loss (Metzner, Reed 1955, from memory); first-order lag of a compliant line; dips of
5 to 25 % for 50 to 250 ms and strokes of 1.5 to 15 s are common practice, no source.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

STEP_S = 0.01  # the hydraulics are followed at this step, whatever the gauges' rate
PARTS = ("base", "catalyst")

Array = NDArray[np.float64]


@dataclass(frozen=True)
class PartParams:
    """One of the two pumps. Pressures in psi, volumes in millilitres, times in seconds."""

    stall_psi: float
    line_psi: float  # loss in the line at the nominal flow
    mixer_psi: float  # loss in the mixer at the nominal flow, new
    stroke_ml: float
    share: float  # of the mixed flow
    dip_share: float = 0.22  # how far pressure would fall if the piston never came back
    dip_s: float = 0.2  # how long it delivers nothing
    lag_s: float = 0.12  # line resistance times hose compliance
    refill_s: float = 0.5  # the same when the gun shuts and the pump has to fill the hose
    leak_share: float = 0.02  # of the stall pressure lost while standing, within leak_s
    leak_s: float = 600.0
    asymmetry: float = 0.01  # pressure of the upward stroke above the downward one, share


@dataclass(frozen=True)
class PumpParams:
    """A whole machine and its gauges."""

    base: PartParams
    catalyst: PartParams
    flow_ml_s: float = 22.0  # nominal mixed flow
    flow_spread: float = 0.15  # from pull to pull
    thinning: float = 0.45  # exponent of the power law
    offset_psi: float = 25.0  # catalyst_2 over catalyst_1, static
    noise_psi: float = 5.0
    step_psi: float = 1.0  # resolution of the logger
    span_psi: float = 5000.0


@dataclass
class Pulls:
    """The gun over the day, at STEP_S. flow : share of nominal mixed flow; 0 where it is shut."""

    flow: Array
    purge: NDArray[np.bool_]
    off: NDArray[np.bool_]
    starved: Array  # 0 fed, 1 the catalyst pump draws nothing
    ragged: NDArray[np.bool_]  # the catalyst pump draws air with its material


@dataclass
class Gauges:
    """What was read. at_us : Unix [us]; psi : by gauge; truth : as `inspect --json` says things."""

    at_us: NDArray[np.int64]
    psi: dict[str, Array]
    truth: dict[str, Any] = field(default_factory=dict)


def pressures(
    pulls: Pulls, params: PumpParams, clogging: Array, apart_psi: Array, rng: np.random.Generator
) -> tuple[dict[str, Array], dict[str, NDArray[np.int64]]]:
    """Pressures [psi] by gauge at STEP_S, and the steps at which each pump turned.

    clogging : share by which the mixer's loss has grown
    apart_psi : catalyst_2 over catalyst_1 while dispensing
    """
    dispensing = (pulls.flow > 0) & ~pulls.purge
    signals, turns = {}, {}
    for name, part in (("base", params.base), ("catalyst", params.catalyst)):
        flows = (pulls.flow > 0) if name == "base" else dispensing & (pulls.starved < 1)
        flow = np.where(flows, pulls.flow, 0.0)
        mixer = np.where(pulls.purge, 0.5, 1.0 + clogging) * part.mixer_psi
        running = (part.line_psi + mixer) * np.power(
            flow, params.thinning, where=flows, out=np.zeros_like(flow)
        )
        running = np.minimum(running, 0.97 * part.stall_psi)
        shut_for = _since(flows)
        standing = part.stall_psi * (1 - part.leak_share * (1 - np.exp(-shut_for / part.leak_s)))
        target = np.where(flows, running, standing)
        stroke_ml = (
            np.where(pulls.ragged, 0.45, 1.0) * part.stroke_ml if name == "catalyst" else part.stroke_ml
        )
        travel = np.cumsum(flow * params.flow_ml_s * part.share / stroke_ml) * STEP_S + rng.uniform(0.1, 0.9)
        count = np.floor(travel).astype(np.int64)
        turned = np.flatnonzero(np.diff(count) > 0) + 1
        up = count % 2 == 0
        target = np.where(flows, target * (1 + np.where(up, 0.5, -0.5) * part.asymmetry), target)
        turning = np.zeros(len(flow), dtype=bool)
        for step in turned:
            turning[step : step + round(part.dip_s * rng.uniform(0.9, 1.1) / STEP_S)] = True
        target = np.where(turning & flows, target * (1 - part.dip_share), target)
        if name == "catalyst":
            air = lfilter([0.03], [1, -0.97], rng.normal(0, 1.6, len(flow)))
            target = np.where(pulls.ragged & flows, target * np.clip(0.72 + 0.5 * air, 0.2, 1.0), target)
            target = target * (1 - pulls.starved)
        target = np.where(pulls.off, 0.0, target)
        signals[name] = _lagged(target, flows, part)
        turns[name] = turned
    two = signals["catalyst"] + np.where(signals["catalyst"] > 100, params.offset_psi, 0.0)
    follow = lfilter([0.02], [1, -0.98], np.where(dispensing, apart_psi, 0.0))
    return {"base": signals["base"], "catalyst_1": signals["catalyst"], "catalyst_2": two + follow}, turns


def _lagged(target: Array, flows: NDArray[np.bool_], part: PartParams) -> Array:
    """First-order lag: quick while the hose empties into the gun, slow while the pump fills it."""
    quick, slow = (1 - np.exp(-STEP_S / s) for s in (part.lag_s, part.refill_s))
    out = np.empty_like(target)
    edges = np.flatnonzero(np.diff(flows.astype(np.int8))) + 1
    level = target[0]
    for start, end in zip([0, *edges], [*edges, len(target)], strict=True):
        k = quick if flows[start] else slow
        out[start:end], _ = lfilter([k], [1, k - 1], target[start:end], zi=[(1 - k) * level])
        level = out[end - 1]
    return out


def _since(flows: NDArray[np.bool_]) -> Array:
    """Seconds since the last flow, 0 while it flows."""
    steps = np.arange(len(flows))
    last = np.maximum.accumulate(np.where(flows, steps, 0))
    return (steps - last) * STEP_S


def sample(
    signals: dict[str, Array], params: PumpParams, hz: float, start_us: int, rng: np.random.Generator
) -> Gauges:
    """The gauges as the logger writes them: at its rate, with noise, its resolution, within the span."""
    count = int(len(signals["base"]) * STEP_S * hz)
    steps = np.minimum(np.round(np.arange(count) / hz / STEP_S).astype(np.int64), len(signals["base"]) - 1)
    at_us = start_us + np.round(np.arange(count) / hz * 1e6).astype(np.int64)
    psi = {}
    for name, signal in signals.items():
        read = signal[steps] + rng.normal(0, params.noise_psi, count)
        psi[name] = np.clip(np.round(read / params.step_psi) * params.step_psi, 0, params.span_psi)
    return Gauges(at_us, psi)
