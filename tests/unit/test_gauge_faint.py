"""Are dips hardly deeper than a gauge's noise found where they come evenly, and noise left alone?"""

import numpy as np
import pytest

from edge.units import PA_PER_PSI
from edge.words import Gauge
from pipeline.derive.gauges.analyse import analyse
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.settings import GaugeSettings

HZ = 20
PULL_S, PAUSE_S = 40, 20
PULLS = 20


def recording(noise_psi, seed, base_dip_psi, dip_s=0.15, trigger=1.0):
    """Pulls and pauses; the base gauge dips every 4 s of flow by `base_dip_psi`, the catalysts by 200 psi.

    dip_s : how long; trigger : how far the pulls differ in flow, the widest over the least
    """
    rng = np.random.default_rng(seed)
    t = np.arange(PULLS * (PULL_S + PAUSE_S) * HZ) / HZ
    flow = t % (PULL_S + PAUSE_S) < PULL_S
    opening = trigger ** rng.uniform(-0.5, 0.5, PULLS)[(t // (PULL_S + PAUSE_S)).astype(int)]
    flowed = np.cumsum(flow * opening) / HZ
    psi, turns = {}, {}
    for part, every, dip in (("base", 4.0, base_dip_psi), ("catalyst", 5.5, 200.0)):
        since = (flowed + 1.0) % every
        turns[part] = t[1:][flow[1:] & (np.diff(since) < 0)]
        notch = np.where(flow & (since < 0.15), dip, 0.0)
        psi[part] = np.where(flow, 1500.0, 2000.0) - notch
    gauges = {
        gauge: (psi["base" if gauge == Gauge.BASE else "catalyst"] + rng.normal(0, noise_psi, len(t)))
        * PA_PER_PSI
        for gauge in (Gauge.BASE, Gauge.CATALYST_1, Gauge.CATALYST_2)
    }
    at_us = np.arange(len(t)) * (1_000_000 // HZ)
    return Recording(at_us, gauges), turns


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_even_dips_of_a_few_deviations_are_found(seed):
    noisy, turns = recording(15.0, seed, base_dip_psi=85.0)
    found = np.array([r.at_us / 1e6 for r in analyse(noisy, GaugeSettings()).reversals if r.part == "base"])
    near = np.abs(found[:, None] - turns["base"]).min(axis=0) < 0.3
    assert near.mean() > 0.97
    assert len(found) < 1.03 * len(turns["base"])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_noise_alone_turns_no_pump(seed):
    noisy, _ = recording(15.0, seed, base_dip_psi=0.0)
    found = [r for r in analyse(noisy, GaugeSettings()).reversals if r.part == "base"]
    assert len(found) <= 2


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_long_dips_under_noise_of_a_third_of_their_depth_are_found(seed):
    noisy, turns = recording(25.0, seed, base_dip_psi=85.0, dip_s=0.4)
    found = np.array([r.at_us / 1e6 for r in analyse(noisy, GaugeSettings()).reversals if r.part == "base"])
    near = np.abs(found[:, None] - turns["base"]).min(axis=0) < 0.4
    assert near.mean() > 0.92
    assert len(found) < 1.03 * len(turns["base"])


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_even_dips_are_so_by_the_pull_where_each_has_a_pace_of_its_own(seed):
    noisy, turns = recording(20.0, seed, base_dip_psi=85.0, dip_s=0.4, trigger=2.5)
    found = np.array([r.at_us / 1e6 for r in analyse(noisy, GaugeSettings()).reversals if r.part == "base"])
    near = np.abs(found[:, None] - turns["base"]).min(axis=0) < 0.4
    assert near.mean() > 0.97
    assert len(found) < 1.03 * len(turns["base"])


@pytest.mark.parametrize("noise_psi", [5.0, 25.0, 40.0])
@pytest.mark.parametrize("trigger", [1.0, 2.5])
def test_noise_turns_no_pump_whatever_it_is_and_however_the_trigger_is_held(noise_psi, trigger):
    noisy, _ = recording(noise_psi, 4, base_dip_psi=0.0, trigger=trigger)
    found = [r for r in analyse(noisy, GaugeSettings()).reversals if r.part == "base"]
    assert len(found) <= 2
