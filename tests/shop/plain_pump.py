"""What would a pump's gauges read if pressures were plain formulas? Levels, lags and notches, and the truth.

Independent of the physical simulator: no fluid, no valves. Standing and running levels with a first-order
lag, notches at equal steps of flowing time, white noise. Good for signals of which every number is known.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

from edge.units import PA_PER_PSI
from edge.words import Gauge
from pipeline.derive.gauges.recording import Recording

START_US = 1_792_000_000_000_000  # 2026-10-14


@dataclass
class Plain:
    """Levels in psi, times in seconds. run_share : running over standing pressure."""

    hz: float = 20.0
    base_psi: float = 2600.0
    catalyst_psi: float = 2300.0
    run_share: float = 0.82
    base_stroke_s: float = 4.7
    catalyst_stroke_s: float = 6.1
    dip_share: float = 0.14
    dip_s: float = 0.16
    lag_s: float = 0.15
    noise_psi: float = 6.0
    seed: int = 1
    # Psi on catalyst_2 while dispensing, by time: pairs (time, psi), linear between.
    apart: list[tuple[float, float]] = field(default_factory=lambda: [(0.0, 0.0)])


def play(script: list[tuple[str, float]], plain: Plain) -> tuple[Recording, dict]:
    """A recording of states one after another.

    script : (state, seconds); states dispensing, stalled, purging, off
    Returns the recording and its truth: states, reversals [s], per part
    """
    rng = np.random.default_rng(plain.seed)
    seconds = sum(length for _, length in script)
    t = np.arange(int(seconds * plain.hz)) / plain.hz
    state = np.empty(len(t), dtype="U10")
    at, states = 0.0, []
    for name, length in script:
        state[(t >= at - 1e-9) & (t < at + length - 1e-9)] = name
        states.append((at, at + length, name))
        at += length
    dispensing = state == "dispensing"
    reversals, signals = {}, {}
    for part, standing, stroke_s in (
        ("base", plain.base_psi, plain.base_stroke_s),
        ("catalyst", plain.catalyst_psi, plain.catalyst_stroke_s),
    ):
        flow = dispensing | (state == "purging") if part == "base" else dispensing
        target = np.where(flow, plain.run_share * standing, standing)
        target[state == "off"] = 0.0
        k = 1 - np.exp(-1 / (plain.hz * plain.lag_s))
        level = lfilter([k], [1, k - 1], target, zi=[(1 - k) * target[0]])[0]
        travel = np.cumsum(flow) / plain.hz / stroke_s + rng.uniform(0.2, 0.8)
        turns = np.flatnonzero(np.diff(np.floor(travel)) > 0) + 1
        notch = np.zeros(len(t))
        reach = int(plain.dip_s * plain.hz * 1.5) + 2
        for turn in turns:
            # A reversal is at no sample's time: put it anywhere between two.
            true = t[turn] + rng.uniform(-0.5, 0.5) / plain.hz
            around = slice(max(0, turn - reach), turn + reach)
            notch[around] += plain.dip_share * np.exp(-((2 * (t[around] - true) / plain.dip_s) ** 2))
        signals[part] = level * (1 - notch)
        reversals[part] = t[turns]
    times, psi = np.array(plain.apart).T
    apart = np.where(dispensing, np.interp(t, times, psi), 0.0)
    noise = rng.normal(0, plain.noise_psi, (3, len(t)))
    gauges = {
        Gauge.BASE: signals["base"] + noise[0],
        Gauge.CATALYST_1: signals["catalyst"] + noise[1],
        Gauge.CATALYST_2: signals["catalyst"] + apart + noise[2],
    }
    recording = Recording(
        (START_US + np.round(t * 1e6)).astype(np.int64), {g: v * PA_PER_PSI for g, v in gauges.items()}
    )
    return recording, {"states": states, "reversals": reversals}


def work(seconds: float, seed: int = 1, pull: tuple[float, float] = (4.0, 40.0)) -> list[tuple[str, float]]:
    """Pulls of the trigger with short pauses, ending in a pull."""
    rng = np.random.default_rng(seed)
    script: list[tuple[str, float]] = []
    left = seconds
    while left > 0:
        script += [("dispensing", float(rng.uniform(*pull))), ("stalled", float(rng.uniform(2.0, 25.0)))]
        left -= script[-1][1] + script[-2][1]
    return script[:-1]
