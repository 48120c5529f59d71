"""Is a zero that moves told from pressures that do: by the catalyst's air, a purge or a new drum?"""

import numpy as np
import pytest

from edge.units import PA_PER_PSI
from edge.words import Fault, Gauge
from pipeline.derive.gauges.analyse import analyse
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.settings import GaugeSettings
from tests.shop.plain_pump import START_US, Plain, play, work

BASE, ONE, TWO = Gauge.BASE, Gauge.CATALYST_1, Gauge.CATALYST_2


def faults_of(script, change, plain):
    """What is told of the script's recording after `change(psi by gauge, seconds)`."""
    recording, _ = play(script, plain)
    psi = {gauge: values / PA_PER_PSI for gauge, values in recording.gauges.items()}
    change(psi, (recording.at_us - START_US) / 1e6)
    gauges = {gauge: values * PA_PER_PSI for gauge, values in psi.items()}
    found = analyse(Recording(recording.at_us, gauges), GaugeSettings())
    return [(f.type, f.gauge) for f in found.sensor_faults]


@pytest.mark.parametrize("share", [0.9, 0.94, 1.07])
def test_the_catalysts_air_set_otherwise_is_no_drift_of_the_base_gauge(share):
    def other_air(psi, seconds):
        for gauge in (ONE, TWO):
            psi[gauge][seconds > 1300] *= share

    script = [("stalled", 60), *work(1200, 1), ("off", 300), ("stalled", 60), *work(1800, 2), ("stalled", 30)]
    assert faults_of(script, other_air, Plain()) == []


@pytest.mark.parametrize("size", [180, 300, -250])
def test_a_drift_of_the_base_gauge_is_no_jump_where_a_purge_takes_the_base_down_alone(size):
    def drifts(psi, seconds):
        psi[BASE] += np.interp(seconds, [700, 1900], [0, size])

    script = [("stalled", 60), *work(900, 1)]
    for seed in (2, 3, 4, 5):
        script += [("stalled", 90), ("purging", 30), ("stalled", 40), *work(250, seed)]
    script += [("stalled", 120), ("purging", 30), ("off", 300)]
    assert faults_of(script, drifts, Plain()) == [(Fault.DRIFT, BASE)]


@pytest.mark.parametrize("gauge", [ONE, TWO], ids=str)
def test_a_sunk_zero_reads_low_while_a_new_drum_is_bled_and_that_is_no_second_fault(gauge):
    rng = np.random.default_rng(4)

    def empty_drum(psi, seconds):
        # The pump runs ragged on air, stands without pressure, and is bled in bursts.
        ragged = np.zeros(len(seconds))
        for start in np.arange(900, 930, 0.8) + rng.uniform(0, 0.3, 38):
            ragged[(seconds >= start) & (seconds < start + 0.4)] = 1.0
        for one in (ONE, TWO):
            psi[one] *= 1 - 0.9 * ragged
            psi[one][(seconds > 930) & (seconds < 1100)] = 0.0
            psi[one][(seconds > 1060) & (seconds < 1100)] = (
                1700 * (np.sin(2 * seconds) > 0)[(seconds > 1060) & (seconds < 1100)]
            )
            psi[one] += rng.normal(0, 6, len(seconds))
        psi[gauge][seconds > 600] -= 420

    script = [
        ("stalled", 60),
        *work(830, 1),
        ("stalled", 10),
        ("dispensing", 30),
        ("stalled", 200),
        *work(900, 2),
    ]
    told = faults_of(script, empty_drum, Plain())
    assert (Fault.WIRE_BREAK, gauge) not in told and (Fault.JUMP, gauge) in told


def test_a_coarse_base_gauge_that_stands_while_the_catalyst_is_bled_is_not_stuck():
    def bled(psi, seconds):
        psi[BASE] = np.round(psi[BASE] / 6) * 6
        during = (seconds > 940) & (seconds < 1000)
        for one in (ONE, TWO):
            psi[one][during] = 1700 * (np.sin(seconds[during]) > 0)

    script = [("stalled", 60), *work(840, 1), ("stalled", 200), *work(600, 2)]
    told = faults_of(script, bled, Plain(noise_psi=1.5))
    assert (Fault.STUCK, BASE) not in told


@pytest.mark.parametrize("share", [0.85, 1.12])
def test_the_bases_air_set_otherwise_is_no_drift_where_its_gauge_reads_nothing_at_rest(share):
    early = [("stalled", 120), *work(1180, 1)]
    begins = sum(seconds for _, seconds in early)

    def other_air(psi, seconds):
        psi[BASE][seconds > begins + 150] *= share

    script = [*early, ("off", 300), *work(1200, 2), ("off", 200), *work(600, 3), ("stalled", 30)]
    assert faults_of(script, other_air, Plain()) == []


@pytest.mark.parametrize("size", [250, -250])
def test_a_drift_that_comes_right_while_there_is_no_pressure_is_one(size):
    early = [("stalled", 120), *work(2400, 1), ("stalled", 40)]
    ends = sum(seconds for _, seconds in early)

    def drifts(psi, seconds):
        psi[ONE] += np.interp(seconds, [600, ends, ends + 5, ends + 6], [0, size, size, 0])

    script = [*early, ("off", 300), *work(600, 2), ("stalled", 30)]
    assert faults_of(script, drifts, Plain()) == [(Fault.DRIFT, ONE)]


@pytest.mark.parametrize("share", [0.85, 1.12])
def test_so_it_is_where_its_drum_runs_empty(share):
    def other_air(psi, seconds):
        psi[BASE][seconds > 1300] *= share
        psi[BASE][(seconds > 2900) & (seconds < 3000)] = 0.0

    script = [("stalled", 60), *work(1180, 1), ("off", 300), *work(1300, 2), ("stalled", 400), *work(600, 3)]
    assert (Fault.DRIFT, BASE) not in faults_of(script, other_air, Plain())


def test_a_drift_on_which_an_imbalance_comes_is_one_and_not_two():
    def drifts(psi, seconds):
        psi[ONE] += np.interp(seconds, [600, 4200], [0, 420])

    plain = Plain(apart=[(0, 0), (1900, 0), (1901, -300), (2700, -300), (2701, 0)])
    script = [("stalled", 60), *work(4000, 1), ("stalled", 60), ("off", 60)]
    assert faults_of(script, drifts, plain) == [(Fault.DRIFT, ONE)]
