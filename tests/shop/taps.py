"""What pressure stands at each gauge's tap? From the two pumps' outlets to what a sound gauge would show.

The base gauge sits at its pump's outlet, catalyst_1 at the other's, catalyst_2 past the metering. What lies
between the two costs pressure only while material moves, so they stand level when the gun is shut.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.shop.hydraulics import FINE_S, PartRun
from tests.shop.pump_params import PumpParams
from tests.shop.script import Script

LEVEL_S = 0.5  # how soon the two catalyst gauges are level again

Array = NDArray[np.float64]


def at_the_taps(
    script: Script,
    params: PumpParams,
    runs: dict[str, PartRun],
    length: NDArray[np.int64],
    dispensing: NDArray[np.bool_],
    purging: NDArray[np.bool_],
    rng: np.random.Generator,
) -> dict[str, Array]:
    """Pressures [psi] as gauges without noise show them, at FINE_S.

    length : of each stretch, in steps; dispensing, purging : (N,) whether the gun is open, and how
    """
    base = params.base.run_psi * _rippled(runs["base"].p, dispensing | purging, params, rng)
    first = params.catalyst.run_psi * _rippled(runs["catalyst"].p, dispensing, params, rng)
    # Where the base turns, the mixer's inlet falls too, and the curing agent has less to push against.
    short = np.where(
        dispensing, np.minimum(runs["base"].p - np.repeat(runs["base"].settled, length), 0.0), 0.0
    )
    inlet = _lagged(short, params.catalyst.dip_s / 2) * params.base.mixer_share * params.base.run_psi
    first = np.maximum(first + params.crosstalk * inlet, 0.0)
    seconds = np.arange(len(dispensing)) * FINE_S
    cost = np.full(len(dispensing), -params.metering_psi)
    for trend in script.trends:
        if trend.kind == "apart":
            cost += trend.at(seconds)
    cost *= _moving(runs["catalyst"], length, dispensing)
    second = np.maximum(_lagged(first + cost, params.metering_lag_s), 0.0)
    shown = {}
    for gauge, tap in (("base", base), ("catalyst_1", first), ("catalyst_2", second)):
        sensor = params.gauges[gauge]
        shown[gauge] = _lagged(tap, sensor.lag_s) * sensor.gain + sensor.zero_psi
    return shown


def _rippled(p: Array, flowing: NDArray[np.bool_], params: PumpParams, rng: np.random.Generator) -> Array:
    """Stick-slip of the seals, while the piston moves."""
    if not params.ripple_share:
        return p.copy()
    rippled = p.copy()
    ripple = lfilter([0.12], [1, -0.95], rng.normal(0, params.ripple_share, int(flowing.sum())))
    rippled[flowing] *= 1 + ripple
    return rippled


def _moving(run: PartRun, length: NDArray[np.int64], dispensing: NDArray[np.bool_]) -> Array:
    """How far flow has set in: 0 at stall, 1 where pressure has come down to what it tends to.

    Nearly 0 again soon after the gun is shut.
    """
    settled, stall = run.settled.copy(), run.stall
    known = np.flatnonzero(np.isfinite(settled))
    if not len(known):
        return np.zeros(len(dispensing))
    # While the hose fills again, the last flow's.
    last = known[np.maximum(np.searchsorted(known, np.arange(len(settled)), side="right") - 1, 0)]
    span = stall[last] - settled[last]
    share = np.clip((np.repeat(stall[last], length) - run.p) / np.repeat(span, length), 0.0, 1.0)
    steps = np.arange(len(dispensing))
    shut_for = steps - np.maximum.accumulate(np.where(dispensing, steps, -1_000_000))
    moving: Array = share * np.exp(-shut_for * (FINE_S / LEVEL_S))
    return moving


def _lagged(signal: Array, lag_s: float) -> Array:
    """First-order lag."""
    k = 1 - np.exp(-FINE_S / lag_s)
    out: Array = lfilter([k], [1, k - 1], signal, zi=[(1 - k) * signal[0]])[0]
    return out
