"""Is a gauge that stands still told from a pressure that does, with noise, with little, and with none?"""

import numpy as np
import pytest

from edge.units import PA_PER_PSI
from edge.words import Fault, Gauge
from pipeline.derive.gauges.analyse import analyse
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.settings import GaugeSettings
from tests.shop.plain_pump import START_US, Plain, play, work

SETTINGS = GaugeSettings()
SCRIPT = [("off", 60), ("stalled", 60), ("purging", 20), ("stalled", 30), *work(900, 1), ("stalled", 60)]
BASE, ONE, TWO = Gauge.BASE, Gauge.CATALYST_1, Gauge.CATALYST_2
# Noise [psi], step of the logger [psi], lag of the line [s].
LOGGERS = {
    "no noise": (0.0, 0.0, 0.15),
    "square": (0.0, 0.0, 1e-3),
    "whole psi": (0.0, 1.0, 0.15),
    "coarse": (1.0, 5.0, 0.15),
    "coarser": (1.0, 10.0, 0.15),
    "fine": (6.0, 0.0, 0.15),
}


def recorded(logger, change=None, hz=20.0):
    """The script as a logger writes it, after `change(psi by gauge, seconds)`."""
    noise, step, lag = LOGGERS[logger]
    recording, truth = play(SCRIPT, Plain(hz=hz, noise_psi=noise, lag_s=lag))
    psi = {gauge: values / PA_PER_PSI for gauge, values in recording.gauges.items()}
    if step:
        psi = {gauge: np.round(values / step) * step for gauge, values in psi.items()}
    if change:
        change(psi, (recording.at_us - START_US) / 1e6)
    gauges = {gauge: values * PA_PER_PSI for gauge, values in psi.items()}
    return analyse(Recording(recording.at_us, gauges), SETTINGS), truth


def faults(found):
    return [(fault.type, fault.gauge) for fault in found.sensor_faults]


@pytest.mark.parametrize("hz", [10, 50])
@pytest.mark.parametrize("logger", LOGGERS)
def test_a_clean_recording_is_no_stuck_gauge(logger, hz):
    found, truth = recorded(logger, hz=hz)
    assert faults(found) == [] and found.balance_events == []
    for part, true in truth["reversals"].items():
        assert sum(r.part == part for r in found.reversals) == pytest.approx(len(true), rel=0.01, abs=1)


@pytest.mark.parametrize("gauge", [BASE, ONE, TWO], ids=str)
@pytest.mark.parametrize("logger", LOGGERS)
def test_a_stuck_gauge_is_told_by_what_the_others_feel(logger, gauge):
    def change(psi, seconds):
        during = (seconds >= 400) & (seconds < 520)
        psi[gauge][during] = psi[gauge][during][0]

    found, _ = recorded(logger, change)
    assert faults(found) == [(Fault.STUCK, gauge)] and found.balance_events == []
    (fault,) = found.sensor_faults
    # Without noise a gauge may have stood still since it last moved, and until its next stroke.
    assert (fault.start_us - START_US) / 1e6 == pytest.approx(400, abs=0.2 if logger == "fine" else 30)
    assert (fault.end_us - START_US) / 1e6 == pytest.approx(520, abs=0.2 if logger == "fine" else 7)


@pytest.mark.parametrize("logger", LOGGERS)
def test_an_imbalance_is_no_stuck_gauge(logger):
    noise, _, lag = LOGGERS[logger]
    apart = [(0.0, 0.0), (400.0, 0.0), (400.1, 350.0), (600.0, 350.0), (600.1, 0.0), (9e9, 0.0)]
    recording, _ = play(SCRIPT, Plain(noise_psi=noise, lag_s=lag, apart=apart))
    found = analyse(recording, SETTINGS)
    assert faults(found) == []
    assert [event.type for event in found.balance_events] == ["out_of_balance"]


@pytest.mark.parametrize("gauge", [BASE, ONE, TWO], ids=str)
@pytest.mark.parametrize("reads", [0.0, -62.5, -125.0, -1250.0])
@pytest.mark.parametrize("noise", [0.0, 3.0])
def test_a_gauge_that_loses_its_pressure_at_once_has_lost_its_wire(gauge, reads, noise):
    def change(psi, seconds):
        during = (seconds >= 400) & (seconds < 460)
        psi[gauge][during] = reads + noise * np.random.default_rng(1).normal(size=during.sum())

    found, _ = recorded("fine", change)
    assert faults(found) == [(Fault.WIRE_BREAK, gauge)] and found.balance_events == []


@pytest.mark.parametrize("gauge", [ONE, TWO], ids=str)
def test_a_gauge_that_stays_at_no_pressure_is_stuck(gauge):
    def change(psi, seconds):
        during = (seconds >= 30) & (seconds < 100)  # the pump is off until 60 s
        psi[gauge][during] = psi[gauge][during][0]

    found, _ = recorded("fine", change)
    assert faults(found) == [(Fault.STUCK, gauge)]
    assert (found.sensor_faults[0].start_us - START_US) / 1e6 == pytest.approx(30, abs=0.2)


def test_a_relieved_gauge_that_no_longer_wavers_is_stuck_unless_it_is_cut_off_at_zero():
    def sticks(psi, seconds):
        psi[ONE][(seconds >= 20) & (seconds < 50)] = 9.0  # the pump is off until 60 s

    def cut_off(psi, seconds):
        for gauge in psi:
            np.maximum(psi[gauge] - (20 if gauge == ONE else 0), 0.0, out=psi[gauge])

    assert faults(recorded("fine", sticks)[0]) == [(Fault.STUCK, ONE)]
    assert faults(recorded("fine", cut_off)[0]) == []


def test_a_gauge_stuck_at_nothing_while_nothing_is_there_is_no_fault():
    def change(psi, seconds):
        psi[ONE] = np.maximum(psi[ONE], 0.0)
        psi[ONE][seconds < 50] = 0.0

    assert faults(recorded("fine", change)[0]) == []


def test_the_sound_one_of_two_gauges_is_not_dead_beside_one_that_sticks():
    def change(psi, seconds):
        during = (seconds >= 1150) & (seconds < 1400)
        psi[ONE][during] = psi[ONE][during][0]

    noise, _, lag = LOGGERS["fine"]
    script = [*SCRIPT, ("off", 200), ("stalled", 60)]
    recording, _ = play(script, Plain(noise_psi=noise, lag_s=lag))
    psi = {gauge: values.copy() for gauge, values in recording.gauges.items()}
    change(psi, (recording.at_us - START_US) / 1e6)
    found = analyse(Recording(recording.at_us, psi), SETTINGS)
    assert faults(found) == [(Fault.STUCK, ONE)]


def test_a_base_drum_run_empty_is_no_broken_wire_while_the_catalyst_still_returns():
    script = [("stalled", 60), *work(600, 2), ("stalled", 200), *work(200, 3)]
    recording, _ = play(script, Plain(noise_psi=8.0, lag_s=1.0))
    seconds = (recording.at_us - START_US) / 1e6
    empty = np.cumsum([length for _, length in script])[-2 - len(work(200, 3))]
    base = recording.gauges[BASE].copy()
    drawn = (seconds > empty) & (seconds < empty + 150)
    base[drawn] = np.random.default_rng(1).normal(0, 8.0 * PA_PER_PSI, np.count_nonzero(drawn))
    found = analyse(Recording(recording.at_us, recording.gauges | {BASE: base}), SETTINGS)
    assert faults(found) == []


@pytest.mark.parametrize("share", [0.7, 0.78], ids=["under its running level", "a little under"])
def test_a_gauge_at_its_ceiling_does_not_gainsay_the_reversals_that_the_other_shows(share):
    def clip(psi, seconds):
        np.minimum(psi[TWO], share * 2300, out=psi[TWO])

    found, truth = recorded("fine", clip, hz=10.0)
    assert faults(found) == [(Fault.SATURATION, TWO)]
    turns = sum(reversal.part == "catalyst" for reversal in found.reversals)
    assert turns == pytest.approx(len(truth["reversals"]["catalyst"]), rel=0.02)


def test_two_gauges_at_the_same_ceiling_still_show_their_reversals():
    def clip(psi, seconds):
        for gauge in (ONE, TWO):
            np.minimum(psi[gauge], 0.9 * 2300, out=psi[gauge])

    found, truth = recorded("fine", clip, hz=10.0)
    turns = sum(reversal.part == "catalyst" for reversal in found.reversals)
    assert turns == pytest.approx(len(truth["reversals"]["catalyst"]), rel=0.02)


@pytest.mark.parametrize("seconds_down", [0.0, 1.5], ids=["its wire breaks", "it is relieved by a valve"])
def test_a_base_gauge_that_loses_all_at_once_while_the_pump_stands_has_lost_its_wire(seconds_down):
    script = [("off", 60), ("stalled", 60), *work(300, 2), ("stalled", 400), *work(100, 3)]
    recording, truth = play(script, Plain())
    seconds = (recording.at_us - START_US) / 1e6
    start = max(truth["states"], key=lambda span: span[1] - span[0])[0] + 100
    base = recording.gauges[BASE].copy()
    during = (seconds >= start) & (seconds < start + 200)
    falls = np.exp(-(seconds[during] - start) / 0.3) if seconds_down else 0.0
    noise = np.random.default_rng(1).normal(0, 6.0 if seconds_down else 0.0, np.count_nonzero(during))
    base[during] = base[during] * falls + noise * PA_PER_PSI
    found = analyse(Recording(recording.at_us, recording.gauges | {BASE: base}), SETTINGS)
    assert ((Fault.WIRE_BREAK, BASE) in faults(found)) == (not seconds_down)


def starved(*, broken):
    """Catalyst 2 without pressure from 415 to 700 s: while the gun is open, or throughout."""

    def change(psi, seconds):
        runs = psi[ONE] < 0.5 * (np.median(psi[ONE]) + psi[ONE].max())
        during = (seconds >= 415) & (seconds < 700) & (broken | runs)
        psi[TWO][during] = 12.0 + 6.0 * np.random.default_rng(3).normal(size=int(during.sum()))

    return change


def test_a_line_that_runs_empty_whenever_the_gun_is_open_is_an_imbalance_and_no_broken_wire():
    """A blocked filter, say: the line fills whenever the gun is shut, and a wire does not heal."""
    found, truth = recorded("fine", starved(broken=False))
    assert faults(found) == []
    assert [event.type for event in found.balance_events] == ["out_of_balance"]
    assert found.changeovers == []
    for part, true in truth["reversals"].items():
        assert sum(r.part == part for r in found.reversals) == pytest.approx(len(true), rel=0.02, abs=1)
    found, _ = recorded("fine", starved(broken=True))
    assert (Fault.WIRE_BREAK, TWO) in faults(found) and found.balance_events == []
