"""What does the logger write? Three transmitters, their channel, and the faults of gauges and clock."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.shop.otherpump_params import OtherPump, Transmitter
from tests.shop.otherpump_physics import Played
from tests.shop.otherpump_plan import Plan

GRID_S = 0.01
GAUGES = ("base", "catalyst_1", "catalyst_2")
LENGTHS = {  # [s], least and most
    "missing": (2, 400),
    "stuck": (60, 900),
    "spike": (0.001, 0.002),
    "jump": (300, 2400),
    "drift": (1800, 6000),
    "saturation": (900, 5400),
    "wire_break": (3, 900),
}
CLOCK_FAULTS = ("gap", "duplicate", "out_of_order", "clock_step")


@dataclass(frozen=True)
class Fault:
    """Planted from `start` to `end` [s of the true clock]; `size` [psi], or [s] for a clock step."""

    start: float
    end: float
    channel: str
    kind: str
    size: float = 0.0


@dataclass
class Logged:
    """Rows as written: `clock` [s] is what the logger said, `true` [s] when it was."""

    clock: NDArray[np.float64]
    true: NDArray[np.float64]
    psi: dict[str, NDArray[np.float64]]
    faults: list[Fault] = field(default_factory=list)


def apart_psi(plan: Plan, pump: OtherPump, played: Played, transients: bool) -> NDArray[np.float64]:
    """How far catalyst_1 runs above catalyst_2 [psi], on a grid of GRID_S."""
    at = np.arange(0, plan.seconds, GRID_S)
    flow = np.minimum(1.0, np.interp(at, played.at, played.opening))
    flow = _lag(flow, 0.25)
    held = np.interp(at, played.at, played.psi["catalyst"]) / (0.3 * pump.catalyst.stall_psi)
    apart = np.zeros(len(at))
    for one in plan.apart:
        if one.transient and not transients:
            continue
        fall = min(one.rise, 10.0)
        moments = np.cumsum([one.start, one.rise + 1e-6, one.stay, fall + 1e-6])
        shape = one.psi * np.interp(at, moments, [0, 1, 1, 0])
        apart += shape * (one.standing + (1 - one.standing) * flow)
    # A hose without pressure shows no difference.
    return (pump.apart_psi + apart) * np.minimum(1.0, held)


def log(plan: Plan, pump: OtherPump, played: Played, rng: np.random.Generator) -> Logged:
    """Sample the gauges, then spoil some of it."""
    at = np.arange(0, plan.seconds, GRID_S)
    base = np.interp(at, played.at, played.psi["base"])
    catalyst = np.interp(at, played.at, played.psi["catalyst"])
    half = apart_psi(plan, pump, played, transients=True) / 2
    shown = {
        "base": base,
        "catalyst_1": np.maximum(0.0, catalyst + half),
        "catalyst_2": np.maximum(0.0, _lag(catalyst, pump.lag_2_s) - half),
    }
    rows = int(plan.seconds * pump.hz)
    true = (np.arange(rows) + rng.uniform(-0.04, 0.04, rows)) / pump.hz
    true = np.round(np.clip(true, 0, at[-1]), 3)
    psi = {}
    for name, gauge in pump.gauges.items():
        psi[name] = _read(gauge, np.interp(true, at, _lag(shown[name], gauge.lag_s)), rng)
    logged = Logged(true.copy(), true, psi)
    if rng.random() < 0.65:
        for _ in range(rng.integers(1, 4)):
            _spoil_gauge(logged, plan, pump, rng)
    for name, gauge in pump.gauges.items():
        low, high = -0.3 * gauge.span_psi, 1.15 * gauge.span_psi
        psi[name][:] = np.clip(np.round(psi[name] / gauge.step_psi) * gauge.step_psi, low, high)
    if rng.random() < 0.35:
        _spoil_clock(logged, pump, rng)
    return logged


def _lag(values: NDArray[np.float64], seconds: float) -> NDArray[np.float64]:
    keep = np.exp(-GRID_S / max(seconds, 1e-4))
    return lfilter([1 - keep], [1, -keep], values, zi=[keep * values[0]])[0]


def _read(gauge: Transmitter, psi: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """What the transmitter says: its zero and gain, white noise and a slow wander."""
    wander = np.interp(np.arange(len(psi)), np.linspace(0, len(psi), 60), rng.normal(0, gauge.wander_psi, 60))
    return gauge.zero_psi + gauge.gain * psi + wander + rng.normal(0, gauge.noise_psi, len(psi))


def _spoil_gauge(logged: Logged, plan: Plan, pump: OtherPump, rng: np.random.Generator) -> None:
    kind, name = str(rng.choice(list(LENGTHS))), str(rng.choice(GAUGES))
    gauge, psi = pump.gauges[name], logged.psi[name]
    stall = pump.base.stall_psi if name == "base" else pump.catalyst.stall_psi
    whole = len(psi) / pump.hz
    low, high = np.log(LENGTHS[kind])
    start = rng.uniform(0.06, 0.85) * whole
    end = min(start + float(np.exp(rng.uniform(low, high))), 0.97 * whole)
    if kind in ("jump", "drift") and rng.random() < 0.4:
        end = whole  # nobody mends it
    if any(start < f.end + 90 and f.start < end + 90 for f in logged.faults):
        return
    rows = slice(round(start * pump.hz), max(round(end * pump.hz), round(start * pump.hz) + 1))
    size = 0.0
    sign = rng.choice([-1, 1])
    if kind == "missing":
        psi[rows] = np.nan
    elif kind == "stuck":
        pours = (min(a.end, end) - max(a.start, start) for a in plan.acts if a.kind == "pull")
        if sum(seconds for seconds in pours if seconds > 0) < 10:
            return  # a gauge that stands while all stands is not to be told from a sound one
        psi[rows] = psi[rows.start]
    elif kind == "spike":
        rows = slice(rows.start, rows.start + int(rng.integers(1, 4 if pump.hz > 15 else 2)))
        size = sign * stall * rng.uniform(0.35, 1.2)
        psi[rows] += size
        end = rows.stop / pump.hz
    elif kind == "jump":
        size = sign * stall * rng.uniform(0.07, 0.25)
        psi[rows] += size
    elif kind == "drift":
        size = sign * stall * rng.uniform(0.08, 0.3)
        long = rows.stop - rows.start
        psi[rows] += size * np.minimum(1.0, np.arange(long) / (long * rng.uniform(0.5, 1.0)))
    elif kind == "saturation":
        top = np.nanquantile(psi[rows], rng.uniform(0.35, 0.75))
        at_top = np.flatnonzero(psi[rows] >= top) + rows.start
        if top < 0.35 * stall or len(at_top) < 20 * pump.hz:
            return
        psi[rows] = np.minimum(psi[rows], top)
        start, end = at_top[0] / pump.hz, at_top[-1] / pump.hz
    else:
        # NAMUR NE 43: no current at all, or a failure signal below or above the live range.
        current = rng.choice([0.0, 3.5, 21.5], p=[0.5, 0.25, 0.25])
        size = (current - 4) / 16 * gauge.span_psi
        psi[rows] = size + rng.normal(0, gauge.step_psi * 0.3, rows.stop - rows.start)
    logged.faults.append(Fault(start, end, name, kind, round(float(size), 1)))


def _spoil_clock(logged: Logged, pump: OtherPump, rng: np.random.Generator) -> None:
    kind = str(rng.choice(CLOCK_FAULTS))
    count = len(logged.true)
    row = int(rng.uniform(0.15, 0.85) * count)
    rows = np.arange(count)
    start = end = float(logged.true[row])
    size = 0.0
    if kind == "gap":
        lost = round(float(np.exp(rng.uniform(np.log(1.5), np.log(900)))) * pump.hz)
        rows = np.delete(rows, slice(row, min(count - 10, row + lost)))
        end = start + lost / pump.hz
    elif kind == "duplicate":
        rows = np.insert(rows, row, rows[row - int(rng.integers(1, 8)) : row])
    elif kind == "out_of_order":
        wide = int(rng.integers(2, 8))
        part = rng.permutation(wide)
        if (part == np.arange(wide)).all():
            part = part[::-1]
        rows[row : row + wide] = rows[row : row + wide][part]
    else:
        size = float(rng.choice([3600.0, -3600.0, rng.uniform(20, 600), -rng.uniform(2, 600)]))
        logged.clock[row:] += size
        start = end = start + min(0.0, size)
    logged.clock, logged.true = logged.clock[rows], logged.true[rows]
    logged.psi = {name: values[rows] for name, values in logged.psi.items()}
    logged.faults.append(Fault(start, end, "all", kind, size))
