"""Which machine is it? The figures of one meter-mix pump and its gauges, chosen or drawn at random.

Pressures in psi, volumes in millilitres, times in seconds, as the shop says them. Ranges are common practice,
no published source.
"""

from dataclasses import dataclass, field, replace

import numpy as np

GAUGES = ("base", "catalyst_1", "catalyst_2")


@dataclass(frozen=True)
class PartParams:
    """One of the two piston pumps with its line. Nominal: at PumpParams.flow_ml_s, through a new mixer."""

    stall_psi: float  # what the air regulator is set to, gun shut
    run_psi: float  # at the nominal flow
    stroke_ml: float  # swept in one travel
    mixer_share: float = 0.35  # of run_psi that is lost in the mixer, the rest in the line
    dip_share: float = 0.15  # depth of a reversal's dip at the nominal flow, of run_psi
    dip_s: float = 0.18  # its width at half depth
    asymmetry: float = 0.01  # upward stroke's air pressure over the downward one's, share
    wear: float = 0.0  # share of the nominal flow that slips back past a worn check valve, going down
    leak_psi_min: float = 4.0  # lost while standing
    stiction_share: float = 0.03  # how far below stall before a standing piston moves again


@dataclass(frozen=True)
class GaugeParams:
    """One transmitter, 4 to 20 mA over PumpParams.span_psi."""

    zero_psi: float = 0.0
    gain: float = 1.0
    noise_psi: float = 4.0
    lag_s: float = 0.015


@dataclass(frozen=True)
class PumpParams:
    """A whole machine."""

    base: PartParams
    catalyst: PartParams
    flow_ml_s: float = 22.0  # nominal mixed flow
    ratio_by_volume: float = 10.0  # base to curing agent
    thinning: float = 0.45  # exponent of the power law: pressure loss grows as flow to this power
    holds_flow: float = 1.0  # 1: the operator opens the needle until the bead runs as before; 0: never
    wobble_share: float = 0.006  # of the resistance, from one few seconds to the next
    ripple_share: float = 0.002  # stick-slip of the seals while the piston moves
    air_swing_share: float = 0.008  # the compressor's cycle, of the stall pressure
    air_cycle_s: float = 210.0
    crosstalk: float = 0.5  # how much of the mixer inlet's pressure the curing agent's gauges see
    metering_psi: float = 15.0  # lost between the two catalyst gauges at the nominal flow
    metering_lag_s: float = 0.025
    gauges: dict[str, GaugeParams] = field(default_factory=lambda: dict.fromkeys(GAUGES, GaugeParams()))
    span_psi: float = 5000.0
    step_psi: float = 1.0  # resolution of the logger
    jitter_s: float = 0.0  # of the logger's time stamps

    def part_flow_ml_s(self, part: str) -> float:
        """Nominal flow of one part."""
        share = self.ratio_by_volume if part == "base" else 1.0
        return self.flow_ml_s * share / (self.ratio_by_volume + 1.0)


def random_params(rng: np.random.Generator, hz: float = 10.0) -> PumpParams:
    """A machine that nobody tuned on.

    hz : the logger's rate; no dip is narrower at half its depth than 1.6 samples, or 50 ms
    """
    ratio = float(rng.uniform(7.0, 14.0))
    flow = float(rng.uniform(8.0, 60.0))
    stall = float(rng.uniform(1000, 4000))
    parts = {}
    for part, share in (("base", ratio / (ratio + 1)), ("catalyst", 1 / (ratio + 1))):
        stands = min(4600.0, stall * float(rng.uniform(0.8, 1.2)))
        parts[part] = PartParams(
            stall_psi=stands,
            run_psi=stands * float(rng.uniform(0.6, 0.9)),
            stroke_ml=flow * share * float(rng.uniform(1.8, 12.0)),
            mixer_share=float(rng.uniform(0.2, 0.5)),
            dip_share=float(rng.uniform(0.05, 0.25)),
            dip_s=float(rng.uniform(max(0.05, 1.6 / hz), 0.25)),
            asymmetry=float(rng.uniform(-0.02, 0.02)),
            wear=float(rng.choice([0.0, 0.0, 0.0, rng.uniform(0.02, 0.15)])),
            leak_psi_min=float(rng.uniform(0.5, 20.0)),
            stiction_share=float(rng.uniform(0.01, 0.06)),
        )
    offset = float(rng.uniform(-45, 45))
    gauge = GaugeParams(
        noise_psi=stall * float(rng.uniform(0.0008, 0.004)), lag_s=float(rng.uniform(0.003, 0.02))
    )
    return PumpParams(
        base=parts["base"],
        catalyst=parts["catalyst"],
        flow_ml_s=flow,
        ratio_by_volume=ratio,
        thinning=float(rng.uniform(0.3, 0.7)),
        holds_flow=float(rng.uniform(0.5, 1.0)),
        wobble_share=float(rng.uniform(0.0, 0.015)),
        ripple_share=float(rng.uniform(0.0, 0.004)),
        air_swing_share=float(rng.uniform(0.0, 0.015)),
        air_cycle_s=float(rng.uniform(60, 600)),
        crosstalk=float(rng.uniform(0.0, 0.8)),
        metering_psi=float(rng.uniform(0.0, 40.0)),
        metering_lag_s=float(rng.uniform(0.01, 0.05)),
        gauges={
            "base": replace(gauge, zero_psi=float(rng.uniform(-15, 15))),
            "catalyst_1": replace(gauge, gain=float(rng.uniform(0.996, 1.004))),
            "catalyst_2": replace(gauge, zero_psi=offset, gain=float(rng.uniform(0.996, 1.004))),
        },
        step_psi=float(rng.choice([0.1, 1.0, 2.0, 5.0])),
        jitter_s=float(rng.choice([0.0, 0.001, 0.003])),
    )
