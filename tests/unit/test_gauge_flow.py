"""Is flow told from pressures that fall, leak or rise for another reason?"""

import numpy as np
import pytest

from edge.units import PA_PER_PSI
from edge.words import Gauge, PumpState
from pipeline.derive.gauges.analyse import analyse
from pipeline.derive.gauges.frames import Frames
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.settings import GaugeSettings
from pipeline.derive.gauges.strokes import find_reversals
from tests.benchmarks.gauge_validation import other_case, score
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


def test_a_line_with_one_gauge_off_zero_is_relieved_too():
    script = [("stalled", 60), *work(300, 1), ("stalled", 40), ("purging", 26), ("off", 400)]
    recording, truth = play(script, Plain(lag_s=1.2))
    gauges = {**recording.gauges, Gauge.CATALYST_1: recording.gauges[Gauge.CATALYST_1] + 250 * PA_PER_PSI}
    purge = truth["states"][-2]
    after = [kind for kind, start, _ in states_of(Recording(recording.at_us, gauges)) if start > purge[0] - 1]
    assert PumpState.DISPENSING not in after and PumpState.PURGING in after


@pytest.mark.parametrize("share", [0.35, 0.9])
def test_a_level_that_falls_too_far_at_the_start_of_every_pull_is_no_reversal(share):
    # Of dips near the trigger's pull those that are deep are reversals; shallow ones in every pull are not.
    flow = np.zeros(2000, dtype=bool)
    for start in range(100, 2000, 100):
        flow[start : start + 60] = True
    turns = np.arange(130, 2000, 100)
    depth = np.zeros(2000)
    depth[turns] = 0.1
    depth[np.arange(108, 2000, 100)] = 0.1 * share
    dips = np.flatnonzero(depth)
    frames = Frames(np.arange(2000), 2000, np.arange(2000) * 100_000, np.arange(2000) * 100_000, 0.1, {})
    kept = find_reversals(frames, depth, dips, flow)
    assert kept.tolist() == (turns.tolist() if share < 0.5 else dips.tolist())


def test_a_slow_pull_near_the_standing_level_goes_on_after_its_reversal():
    # The gun is hardly open: the level stands at three quarters of the way up, and a stroke takes 30 s.
    script = [("stalled", 60), *work(600, 1), ("stalled", 60), ("dispensing", 70), ("stalled", 60)]
    recording, truth = play(script, Plain(catalyst_stroke_s=6.0, base_stroke_s=30.0))
    start, end, _ = truth["states"][-2]
    seconds = (recording.at_us - START_US) / 1e6
    slow = (seconds > start + 0.6) & (seconds < end)
    base = recording.gauges[Gauge.BASE]
    lifted = np.where(slow, base + 0.6 * 0.18 * 2600 * PA_PER_PSI, base)
    found = states_of(Recording(recording.at_us, {Gauge.BASE: lifted}), 40)
    assert [(round(s), round(e)) for kind, s, e in found if kind == "dispensing"][-1][1] == pytest.approx(
        end, abs=2
    )


def test_a_gauge_that_rises_with_flow_leaves_the_word_to_the_other():
    """Imbalance lifts one catalyst gauge of a pump by the laws of `otherpump` over its own stall pressure."""
    case = other_case(3022)
    found = score(case, analyse(case.recording, SETTINGS))
    matched, true, told = found["balance"][:3]
    assert (matched, true, told) == (1, 1, 1)
    assert found["iou dispensing"] > 0.95


def test_a_gauge_that_is_silent_in_every_reversal_leaves_the_word_to_the_other_of_its_part():
    recording, truth = play([("stalled", 60), *work(300, 1)], Plain())
    seconds = (recording.at_us - START_US) / 1e6
    two = recording.gauges[Gauge.CATALYST_2].copy()
    for start, end, kind in truth["states"]:
        if kind == "dispensing":
            two[(seconds > start - 1) & (seconds < end + 1)] = np.nan
    found = analyse(Recording(recording.at_us, recording.gauges | {Gauge.CATALYST_2: two}), SETTINGS)
    turns = [r for r in found.reversals if r.part == "catalyst"]
    assert len(turns) == pytest.approx(len(truth["reversals"]["catalyst"]), abs=2)


def test_an_imbalance_of_a_pump_that_stands_no_higher_than_it_runs_is_no_standing_level():
    # Its gauges show flow by their dips alone; one of them rises in flow for a while.
    script = [("stalled", 60), *work(600, 2), ("stalled", 900), *work(600, 3), ("stalled", 60)]
    seconds = sum(length for _, length in script)
    apart = [(0.0, 0.0), (200.0, 0.0), (200.1, 420.0), (500.0, 420.0), (500.1, 0.0), (seconds, 0.0)]
    recording, truth = play(script, Plain(run_share=1.0, apart=apart, noise_psi=1.5))
    stop = max(truth["states"], key=lambda span: span[1] - span[0])
    told = [span for span in states_of(recording, 600) if span[0] == "stalled"]
    assert len(told) == 1
    # A pull of less than three dips beside the stop is not seen.
    assert told[0][1:] == (pytest.approx(stop[0], abs=35), pytest.approx(stop[1], abs=35))
    (idle,) = analyse(recording, SETTINGS).idle_spans
    assert not idle.purged


@pytest.mark.parametrize("stroke_s", [2.2, 3.0, 3.4])
def test_short_pulls_with_a_reversal_each_are_no_train_of_strokes(stroke_s):
    """Their dips come as regularly as a slow pump's, and the level between them stands."""
    script = [("stalled", 60), *[("dispensing", 2.8), ("stalled", 13)] * 20, ("stalled", 60)]
    recording, _ = play(script, Plain(base_stroke_s=stroke_s, catalyst_stroke_s=stroke_s))
    states = analyse(recording, SETTINGS).states
    pulls = [(s.end_us - s.start_us) / 1e6 for s in states if s.type == PumpState.DISPENSING]
    assert len(pulls) == 20
    assert max(pulls) < 3.1


@pytest.mark.parametrize("size", [480, 600])
def test_a_gauge_that_an_imbalance_lifts_over_its_standing_level_leaves_the_word_to_the_other(size):
    pulls = [("dispensing", 5.0), ("stalled", 6.0)]
    script = [("stalled", 60), *pulls * 12, ("stalled", 45), *pulls * 4, ("stalled", 400), *pulls * 10]
    plain = Plain(
        catalyst_psi=1100,
        base_psi=1400,
        run_share=0.79,
        catalyst_stroke_s=8.2,
        base_stroke_s=11,
        lag_s=0.6,
        apart=[(0, 0), (190, 0), (250, size), (650, size), (651, 0)],
    )
    recording, _ = play(script, plain)
    found = analyse(recording, SETTINGS)
    pulls_s = [(s.end_us - s.start_us) / 1e6 for s in found.states if s.type == PumpState.DISPENSING]
    assert len(pulls_s) == 26
    assert max(pulls_s) < 5.5
    assert [event.type for event in found.balance_events] == ["out_of_balance"]
