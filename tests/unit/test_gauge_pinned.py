"""Is a reading far above all that a gauge feels told: a broken loop, or a full scale?"""

import numpy as np
import pytest

from edge.units import PA_PER_BAR, PA_PER_PSI
from edge.words import Fault, Gauge
from pipeline.derive.gauges.analyse import analyse
from pipeline.derive.gauges.pinned import is_rating
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.settings import GaugeSettings
from tests.shop.plain_pump import START_US, Plain, play, work

SCRIPT = [("off", 120), ("stalled", 60), *work(600, 1), ("stalled", 120), *work(300, 2), ("off", 120)]


# NE 43 (from memory): a transmitter that failed reads 21 mA or more, 106.25 % of its span.
@pytest.mark.parametrize(
    ("psi", "fault"), [(5000.0, Fault.SATURATION), (5312.5, Fault.WIRE_BREAK), (5468.75, Fault.WIRE_BREAK)]
)
@pytest.mark.parametrize(("first", "last"), [(40, 43), (30, 100), (130, 150), (300, 420)])
@pytest.mark.parametrize("gauge", [Gauge.BASE, Gauge.CATALYST_2], ids=str)
@pytest.mark.parametrize("hz", [10, 50])
def test_a_reading_far_above_all_pressure_is_one_fault(hz, gauge, first, last, psi, fault):
    recording, _ = play(SCRIPT, Plain(hz=hz))
    seconds = (recording.at_us - START_US) / 1e6
    during = (seconds >= first) & (seconds < last)
    values = recording.gauges[gauge].copy()
    # The last digit of a converter flickers.
    values[during] = PA_PER_PSI * (psi + np.random.default_rng(1).choice([0.0, 0.04], during.sum()))
    found = analyse(Recording(recording.at_us, {**recording.gauges, gauge: values}), GaugeSettings())
    (told,) = found.sensor_faults
    assert (told.type, told.gauge) == (fault, gauge)
    assert [(at - START_US) / 1e6 for at in (told.start_us, told.end_us)] == pytest.approx(
        [first, last], abs=0.2
    )
    assert found.balance_events == []


def test_a_pump_that_stands_far_above_where_it_runs_once_only_stands():
    script = [("dispensing", 900.0), ("stalled", 20.0)]
    recording, _ = play(script, Plain(run_share=0.6, noise_psi=0.0, lag_s=0.02))
    assert analyse(recording, GaugeSettings()).sensor_faults == []


@pytest.mark.parametrize(
    "pressure", [5000 * PA_PER_PSI, 7500 * PA_PER_PSI, 400 * PA_PER_BAR, 25 * PA_PER_BAR]
)
def test_a_rating_is_round(pressure):
    assert is_rating(pressure)
    assert not is_rating(pressure * 1.0625)
