"""What do the gauges of a two-part meter-mix pump read, and what was true? A script, played by a machine.

`simulate` gives a recording as a logger would write it, and the truth it is held against. Nothing here knows
how the analysis looks at pressures.
"""

import numpy as np

from tests.shop.curves import Stretch
from tests.shop.faults import NE43_HIGH, NE43_LOW, plant
from tests.shop.hydraulics import FINE_S, PartSolver
from tests.shop.pump_params import PumpParams, random_params
from tests.shop.recording import Recording
from tests.shop.script import Act, Script, random_script
from tests.shop.taps import at_the_taps
from tests.shop.truth import Played, Truth, truth_of

__all__ = [
    "Played",
    "Recording",
    "Truth",
    "play",
    "random_params",
    "random_script",
    "read_gauges",
    "simulate",
    "truth_of",
]

PARTS = ("base", "catalyst")
NEAR_STALL = 0.96  # of the stall pressure: a needle can't be opened further
BLEED_RESISTANCE = 0.3
# How full a stroke is when the pump starts to draw air, when it ends, and the scatter.
RUNNING_OUT = (0.95, 0.1, 0.1)
BLEEDING = (0.25, 0.95, 0.15)


def simulate(script: Script, params: PumpParams, seed: int, hz: float) -> tuple[Recording, Truth]:
    """A recording and its truth; the same for the same arguments.

    hz : the logger's rate, 10 to 50
    """
    played = play(script, params, seed)
    return read_gauges(played, seed, hz), truth_of(played)


def play(script: Script, params: PumpParams, seed: int) -> Played:
    """What really happened, at FINE_S."""
    rng = np.random.default_rng(seed)
    acts = _split(script, params, rng)
    starts = np.array([act.start for act in acts])
    clogging = sum((t.at(starts) for t in script.trends if t.kind == "clogging"), np.zeros(len(acts)))
    wobble = 1 + rng.normal(0, params.wobble_share, len(acts)) if params.wobble_share else np.ones(len(acts))
    phase = rng.uniform()
    swing = 1 + params.air_swing_share * (np.abs(2 * ((starts / params.air_cycle_s + phase) % 1) - 1) - 0.5)
    runs = {}
    for name in PARTS:
        stretches = [
            _stretch(name, act, params, float(clog), float(shaken), float(air))
            for act, clog, shaken, air in zip(acts, clogging, wobble, swing, strict=True)
        ]
        part = getattr(params, name)
        stroke_s = part.stroke_ml / params.part_flow_ml_s(name)
        runs[name] = PartSolver(stretches, part, stroke_s, params.thinning, rng).solve()
    edges = np.ceil(np.append(starts, script.seconds) / FINE_S - 1e-9).astype(np.int64)
    edges[-1] = len(runs["base"].p)
    length = np.diff(edges)
    dispensing = np.repeat([act.kind in ("pull", "cavitate") for act in acts], length)
    purging = np.repeat([act.kind == "purge" for act in acts], length)
    psi = at_the_taps(script, params, runs, length, dispensing, purging, rng)
    return Played(script, params, tuple(acts), runs, dispensing, psi)


def _split(script: Script, params: PumpParams, rng: np.random.Generator) -> list[Act]:
    """Acts cut into pieces short enough for resistance and air to change in between."""
    pieces = []
    for act in script.acts:
        start = act.start
        while start < act.end:
            length = rng.uniform(3, 8) if act.kind in ("pull", "purge") else rng.uniform(15, 30)
            if act.kind in ("cavitate", "vent", "off") or act.end - start < 1.5 * length:
                length = act.end - start
            end = act.end if act.end - start - length < 1e-9 else start + length
            pieces.append(Act(act.kind, start, end, act.flow, act.part))
            start = end
    return pieces


def _stretch(name: str, act: Act, params: PumpParams, clogging: float, wobble: float, air: float) -> Stretch:
    """What an act means for one of the two pumps."""
    part = getattr(params, name)
    stall = part.stall_psi / part.run_psi * air
    n, mixer = params.thinning, part.mixer_share
    known = 1 + mixer * clogging * params.holds_flow  # what the needle was set upon
    need = min(known * act.flow**n, NEAR_STALL * stall)
    needle = (need / known) ** (1 / n) / np.sqrt(1 - need / stall)
    resistance = 1 + mixer * clogging
    if act.kind == "purge":
        # The mixer passes the base alone.
        alone = (params.ratio_by_volume / (params.ratio_by_volume + 1)) ** n
        resistance = 1 - mixer + mixer * (1 + clogging) * alone
    mine = act.part == name
    outlet, fill = "shut", None
    if act.kind == "off" or (act.kind == "vent" and mine):
        outlet = "vent"
    elif act.kind in ("pull", "cavitate") or (act.kind == "purge" and name == "base"):
        outlet = "open"
        fill = RUNNING_OUT if act.kind == "cavitate" and mine else None
    elif act.kind == "bleed" and mine:
        outlet, resistance, fill = "open", BLEED_RESISTANCE, BLEEDING
    return Stretch(act.start, act.end, outlet, resistance * wobble, float(needle), stall, fill)


def read_gauges(played: Played, seed: int, hz: float) -> Recording:
    """The gauges as the logger writes them: at its rate, with noise, within the span, with their faults."""
    script, params = played.script, played.params
    rng = np.random.default_rng([seed, 1])
    count = int(script.seconds * hz)
    at_us = np.round(np.arange(count) / hz * 1e6).astype(np.int64)
    read_at = np.arange(count) / hz
    stamps = at_us
    if params.jitter_s:
        # The logger reads late by some milliseconds and stamps what its clock then says.
        late = rng.uniform(0, params.jitter_s, count)
        read_at = read_at + late
        stamps = at_us + np.round(late * 1e6).astype(np.int64)
    fine = np.arange(len(played.dispensing)) * FINE_S
    psi = {}
    for gauge, signal in played.psi.items():
        noisy = np.interp(read_at, fine, signal) + rng.normal(0, params.gauges[gauge].noise_psi, count)
        psi[gauge] = np.clip(noisy, NE43_LOW * params.span_psi, NE43_HIGH * params.span_psi)
    return plant(Recording(script.start_us + stamps, psi), script.faults, params, script.start_us)
