"""What is this pump like? Pistons, hoses, mixer and gauges of one machine, drawn at random.

Pressures [psi], volumes [ml], times [s]. Ranges are those of the trade's air-driven metering machines as far
as common practice tells; no published source.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

Part = Literal["base", "catalyst"]
PARTS: tuple[Part, Part] = ("base", "catalyst")


@dataclass(frozen=True)
class Side:
    """One air-driven double-acting piston pump, its hose, and what stands in its way."""

    stall_psi: float  # what the air can hold up when nothing flows
    run_psi: float  # what is left at the rated flow
    flow_ml_s: float  # rated flow
    stroke_ml: float
    dwell_s: float  # the air valve changes over: nothing is pumped
    hose_ml_psi: float  # compliance of hose and chamber
    friction: float  # share of the stall pressure by which up and down differ
    stick: float  # a standing piston moves again when this share of the pressure is lost
    leak_s: float  # a standing hose loses its pressure with this time constant


@dataclass(frozen=True)
class Transmitter:
    """One pressure gauge and its logger channel."""

    span_psi: float
    lag_s: float
    noise_psi: float
    wander_psi: float
    step_psi: float
    zero_psi: float
    gain: float


@dataclass(frozen=True)
class OtherPump:
    """The whole machine; a `locked` catalyst is metered by the base's flow, another by its own pressure."""

    base: Side
    catalyst: Side
    ratio: float  # base to catalyst, by volume
    locked: bool
    thinning: float  # flow index n of the power law, pressure = K * flow ** n
    mixer_share: float  # of the running pressure, lost in the static mixer
    open_s: float  # a trigger takes this long
    lag_2_s: float  # catalyst_2 sits at a longer hose
    closes_catalyst: bool  # in a base purge the catalyst's air is shut too
    compressor_s: float
    compressor: float  # share by which the air line saws up and down
    warmth: float  # share by which the day's temperature changes every resistance
    apart_psi: float  # the two catalyst gauges never agree quite
    hz: float
    gauges: dict[str, Transmitter]


def random_pump(rng: np.random.Generator) -> OtherPump:
    """One machine and its logger."""
    hz = float(rng.choice([10.0, 10.0, 12.5, 20.0, 25.0, 50.0]))
    ratio = float(rng.choice([8.0, 10.0, 10.0, 12.0]))
    locked = bool(rng.random() < 0.5)
    thinning = rng.uniform(0.35, 0.65)
    flow = float(np.exp(rng.uniform(np.log(8), np.log(60))))
    stall = rng.uniform(900, 4200)
    sides = {}
    for part, share in (("base", 1.0), ("catalyst", 1 / ratio)):
        sides[part] = _random_side(
            rng,
            stall * rng.uniform(0.75, 1.2),
            flow * share,
            # A metered flow goes on while the pressure dips, as if the fluid were very thick.
            20.0 if locked and part == "catalyst" else thinning,
        )
    top = 1.25 * max(side.stall_psi for side in sides.values()) * 1.15
    span = next((s for s in (2000.0, 3000.0, 5000.0, 7500.0) if s > top), 10_000.0)
    bits = int(rng.choice([10, 12, 12, 14, 16]))
    noise = stall * np.exp(rng.uniform(np.log(0.0004), np.log(0.005)))
    gauges = {
        name: Transmitter(
            span_psi=span,
            lag_s=rng.uniform(0.005, 0.05 if hz > 12 else 0.08),
            noise_psi=noise * rng.uniform(0.7, 1.5),
            wander_psi=span * rng.uniform(0, 0.0006),
            step_psi=span * 1.25 / 2**bits,
            zero_psi=rng.normal(0, span * 0.0015),
            gain=rng.normal(1, 0.002),
        )
        for name in ("base", "catalyst_1", "catalyst_2")
    }
    return OtherPump(
        base=sides["base"],
        catalyst=sides["catalyst"],
        ratio=ratio,
        locked=locked,
        thinning=thinning,
        mixer_share=rng.uniform(0.25, 0.5),
        open_s=rng.uniform(0.05, 0.3),
        lag_2_s=rng.uniform(0.0, 0.06),
        closes_catalyst=bool(rng.random() < 0.4),
        compressor_s=rng.uniform(40, 300),
        compressor=rng.uniform(0, 0.012),
        warmth=rng.uniform(0, 0.05),
        apart_psi=rng.uniform(-60, 60),
        hz=hz,
        gauges=gauges,
    )


def _random_side(rng: np.random.Generator, stall: float, flow: float, thinning: float) -> Side:
    """A pump whose dip in running is what its hose lets it be: 5 to 25 % in 50 to 250 ms."""
    run = stall * rng.uniform(0.55, 0.92)
    dwell, depth = rng.uniform(0.05, 0.25), rng.uniform(0.06, 0.25)
    index = 1 / thinning - 1
    # The hose empties through a power law: p / p0 = (1 + index * flow * t / (C * p0)) ** (-1 / index).
    hose = index * flow * dwell / (run * ((1 - depth) ** -index - 1))
    stroke_s = float(np.exp(rng.uniform(np.log(1.6), np.log(14.5))))
    return Side(
        stall_psi=stall,
        run_psi=run,
        flow_ml_s=flow,
        stroke_ml=stroke_s * flow,
        dwell_s=dwell,
        hose_ml_psi=hose,
        friction=rng.uniform(0, 0.01),
        stick=rng.uniform(0.005, 0.04),
        leak_s=float(np.exp(rng.uniform(np.log(1500), np.log(40000)))),
    )
