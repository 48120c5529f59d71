"""Is flow told from pressures that fall, leak or rise for another reason?"""

import numpy as np
import pytest

from edge.words import PumpState
from pipeline.derive.gauges.analyse import analyse
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.settings import GaugeSettings
from tests.shop.plain_pump import START_US, Plain, play, work

SETTINGS = GaugeSettings()


def states_of(recording, least_s=0.0):
    return [
        (span.type.value, (span.start_us - START_US) / 1e6, (span.end_us - START_US) / 1e6)
        for span in analyse(recording, SETTINGS).states
        if span.end_us - span.start_us > least_s * 1e6
    ]


def test_a_pump_relieved_right_after_its_purge_has_not_dispensed():
    script = [("stalled", 60), *work(300, 1), ("stalled", 40), ("purging", 26), ("off", 400)]
    recording, truth = play(script, Plain(lag_s=1.2))
    purge = truth["states"][-2]
    after = [kind for kind, start, _ in states_of(recording) if start > purge[0] - 1]
    assert PumpState.DISPENSING not in after and PumpState.OFF in after
    (idle,) = analyse(recording, SETTINGS).idle_spans
    assert idle.purged
    assert (idle.purge_start_us - START_US) / 1e6 == pytest.approx(purge[0], abs=1.0)


def test_a_pump_shut_off_for_the_night_that_leaks_down_below_its_running_level_stands():
    script = [("stalled", 60), *work(400, 1), ("stalled", 1800), *work(300, 2)]
    recording, _ = play(script, Plain())
    seconds = (recording.at_us - START_US) / 1e6
    stop = next(start for kind, start, end in states_of(recording, 600) if kind == "stalled")
    stood = np.clip(seconds - stop - 5, 0, 1800)
    share = np.where(seconds < stop + 1790, np.exp(-stood / 2500), 1.0)
    leaking = Recording(recording.at_us, {gauge: psi * share for gauge, psi in recording.gauges.items()})
    (span,) = states_of(leaking, 600)
    assert span[0] == PumpState.STALLED
    assert span[2] - span[1] == pytest.approx(1800, abs=15)


def test_a_slow_stroke_is_flow_from_turn_to_turn():
    # Pulled at half its usual flow, a pump of 14 s strokes takes 24 s for each.
    script = [("stalled", 60), *([("dispensing", 100), ("stalled", 20)] * 6)]
    recording, truth = play(script, Plain(catalyst_stroke_s=24.0, base_stroke_s=24.0))
    spans = [span for span in states_of(recording) if span[0] == "dispensing"]
    assert len(spans) == 6
    assert sum(end - start for _, start, end in spans) == pytest.approx(600, rel=0.02)
    turns = [r for r in analyse(recording, SETTINGS).reversals if r.part == "catalyst"]
    assert len(turns) == len(truth["reversals"]["catalyst"])
