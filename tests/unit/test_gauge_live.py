"""Is a pump that is followed told as it is, a second behind, and as the look back has it afterwards?"""

import numpy as np
import pytest

from edge.units import pa_to_psi, psi_to_pa
from edge.words import Gauge, PumpState
from pipeline.derive.gauges.analyse import Reach, analyse
from pipeline.derive.gauges.live import Live
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.settings import GaugeSettings
from tests.shop.plain_pump import START_US, Plain, play, work

SETTINGS = GaugeSettings()
SHORT = Reach(least_s=500, most_s=800, before_s=120, ahead_s=120, offset_s=1500, least_rows=500)
SCRIPT = [
    ("stalled", 60),
    *work(400, 1),
    ("stalled", 420),
    ("purging", 30),
    ("stalled", 60),
    ("dispensing", 120),
    ("stalled", 200),
    ("off", 90),
]


@pytest.fixture(scope="module")
def followed():
    """Fed second by second: every fifth second's answer, by the seconds since the start."""
    rows, truth = play(SCRIPT, Plain(hz=10.0, apart=[(0.0, 120.0)]))
    live = Live(SETTINGS, SHORT)
    said = {}
    for second in range(1, len(rows.at_us) // 10 + 2):
        live.feed(rows.part(10 * second - 10, 10 * second))
        if second % 5 == 0:
            said[second] = live.now()
    return rows, truth, live, said


def before(second):
    """The last second up to this one that was asked."""
    return int(second) // 5 * 5


def test_the_state_is_told_within_seconds(followed):
    _, truth, _, said = followed
    for start, end, state in truth["states"]:
        # A change shows when its least stay is over; a purge is none until it has run for some seconds.
        late = {"purging": 14.0, "off": 8.0}.get(state, 4.0)
        for second, now in said.items():
            if start + late < second <= end:
                assert now.state == PumpState(state), (second, state)


def test_since_when_is_what_the_look_back_has(followed):
    rows, truth, _, said = followed
    back = analyse(rows, SETTINGS)
    for start, end, state in truth["states"]:
        if end - start < 30:
            continue
        span = next(
            s for s in back.states if s.type == PumpState(state) and s.end_us > START_US + start * 1e6 + 2e7
        )
        assert said[before(end - 1)].since_us == pytest.approx(span.start_us, abs=1.0e6)


def test_a_purge_is_due_from_the_stop_until_it_is_made(followed):
    _, truth, _, said = followed
    stop, purge = next((start, end) for start, end, state in truth["states"] if end - start == 420)
    for second in range(before(stop) + 10, before(purge) + 1, 5):
        due = said[second].purge_due
        assert due is not None and (due.due_us - START_US) / 1e6 == pytest.approx(stop + 300, abs=1.0)
    assert said[before(purge) + 25].purge_due is None
    assert said[before(stop)].purge_due is None


def test_the_balance_of_the_last_stroke(followed):
    _, _, _, said = followed
    assert said[30].balance_pa is None
    assert abs(pa_to_psi(said[400].balance_pa)) == pytest.approx(120, abs=10)


def test_in_the_end_all_is_as_the_look_back_has_it(followed):
    rows, _, live, _ = followed
    assert live.findings() == analyse(rows, SETTINGS, SHORT)


def test_a_clock_set_back_while_it_is_followed(followed):
    rows = followed[0]
    at_us = rows.at_us.copy()
    at_us[3000:] -= 3_600_000_000
    live = Live(SETTINGS, SHORT)
    for first in range(0, 3600, 10):
        live.feed(Recording(at_us, rows.gauges).part(first, first + 10))
    assert live.now().at_us == at_us[3599]


def test_nothing_is_known_before_the_first_row():
    assert Live(SETTINGS).now() is None


def test_a_noisy_gauge_at_night_shows_no_pressure():
    """Nothing but noise of 20 psi about nought: no usual pressure says how little that is."""
    rng = np.random.default_rng(11)
    at_us = START_US + np.arange(4000) * 100_000
    gauges = (Gauge.BASE, Gauge.CATALYST_1, Gauge.CATALYST_2)
    rows = Recording(at_us, {gauge: psi_to_pa(1.0) * rng.normal(0, 20, 4000) for gauge in gauges})
    assert {span.type for span in analyse(rows, SETTINGS).states} == {PumpState.OFF}
    live = Live(SETTINGS, SHORT)
    live.feed(rows)
    assert live.now().state == PumpState.OFF
