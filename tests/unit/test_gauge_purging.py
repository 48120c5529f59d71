"""Is a base purge told where there was one, and never where there was none?"""

import numpy as np
import pytest

from edge.units import PA_PER_PSI
from edge.words import Gauge
from pipeline.derive.gauges.analyse import analyse
from pipeline.derive.gauges.flow import line_relieved
from pipeline.derive.gauges.frames import make_frames
from pipeline.derive.gauges.purging import bled, purges, with_catalyst, without_base
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.settings import GaugeSettings
from pipeline.derive.gauges.states import without_pressure
from pipeline.derive.gauges.timeline import find_timeline
from tests.shop.plain_pump import START_US, Plain, play, work

STANDS, RUNS = 2700.0, 2300.0
AT = np.arange(0, 300, 0.1)
SPAN = (AT >= 100) & (AT < 130)  # where the base flows
TURNS = np.arange(150, 1000, 60)  # of the catalyst, each 6 s
NO_TURNS = np.array([], dtype=np.int64)
UNKNOWN = np.full(len(AT), np.nan)


def signals(*levels):
    """Frames of 0.1 s whose gauges show these levels [psi], and their signals."""
    noise = np.random.default_rng(1).normal(0, 4, (len(levels), len(AT)))
    gauges = {
        gauge: (level + own) * PA_PER_PSI
        for gauge, level, own in zip((Gauge.CATALYST_1, Gauge.CATALYST_2), levels, noise, strict=False)
    }
    timeline = find_timeline((AT * 1e6).astype(np.int64), list(gauges.values()))
    frames = make_frames(timeline, gauges, {gauge: np.zeros(len(AT), dtype=bool) for gauge in gauges})
    return frames, list(frames.signals.values())


def flows(*levels, flow, alone=SPAN, place=UNKNOWN, turns=TURNS):
    frames, own = signals(*levels)
    return with_catalyst(frames, alone, flow, place, turns, own)


BEFORE = (AT >= 10) & (AT < 99)  # an earlier pull
INTO = (AT >= 10) & (AT < 100)  # one that goes over into the span


def test_a_catalyst_that_stays_where_it_stood_stands_though_it_leaked_to_its_running_level():
    leaked = np.where(AT < 99, STANDS, RUNS)
    still = flows(leaked, leaked, flow=BEFORE, place=np.where(AT < 99, 1.0, 0.0))
    assert not still.any()


def test_a_catalyst_that_falls_with_the_base_flows():
    pull = np.where(SPAN, RUNS, STANDS)
    short = SPAN & (AT < 108)
    found = flows(pull, pull, flow=BEFORE, alone=short, place=np.where(SPAN, 0.0, 1.0))
    assert (found == short).all()


def test_a_catalyst_that_falls_as_the_trigger_is_pulled_flows_however_long_it_shows_no_turn():
    pull = np.where(SPAN, STANDS - 120, STANDS)
    assert flows(pull, pull, flow=BEFORE)[SPAN].all()


def test_catalyst_gauges_that_part_in_a_purge_have_not_fallen():
    one, two = np.where(SPAN, STANDS + 90, STANDS), np.where(SPAN, STANDS - 90, STANDS)
    assert not flows(one, two, flow=BEFORE).any()


def test_a_catalyst_that_went_on_flowing_does_not_stop_without_a_rise():
    pull = np.where((AT >= 10) & (AT < 130), RUNS, STANDS)
    assert flows(pull, pull, flow=INTO, place=np.where(SPAN, 1.0, 0.0), turns=NO_TURNS)[SPAN].all()


def test_a_catalyst_closed_in_the_pull_rises_and_stands():
    pull = np.where((AT >= 10) & (AT < 100), RUNS, STANDS)
    assert not flows(pull, pull, flow=INTO, place=np.where(SPAN, 1.0, 0.0), turns=TURNS[:10]).any()


def test_one_gauge_that_runs_as_high_as_it_stands_does_not_speak_for_both():
    one = np.where(SPAN, RUNS, STANDS)
    two = np.full(len(AT), STANDS)
    short = SPAN & (AT < 108)
    assert flows(one, two, flow=BEFORE, alone=short)[short].all()


def test_a_catalyst_that_turns_flows():
    still = np.full(len(AT), STANDS)
    turned = np.union1d(TURNS, [1100])
    assert flows(still, still, flow=BEFORE, place=np.ones(len(AT)), turns=turned)[SPAN].all()


def test_without_its_pressure_a_catalyst_is_known_to_stand_after_two_strokes_without_a_turn():
    silent = np.where((AT > 90) & (AT < 140), np.nan, STANDS)
    assert not flows(silent, flow=BEFORE).any()
    short = SPAN & (AT < 109)
    assert flows(silent, flow=BEFORE, alone=short)[short].all()


def purged(base, place, turns=NO_TURNS, off=AT < 0):
    frames, own = signals(base)
    return purges(frames, SPAN, BEFORE | SPAN, place, turns, off, own)


FALLEN = np.where(SPAN, 0.0, 1.0)


def test_a_base_that_falls_to_its_running_level_is_purged():
    assert (purged(np.where(SPAN, RUNS, STANDS), FALLEN) == SPAN).all()


def test_a_zero_that_jumps_down_while_the_pump_stands_is_no_purge_for_it_shows_no_stroke():
    # As far as flow lets it fall, for five strokes of the base without one reversal.
    assert not purged(np.where(SPAN, RUNS, STANDS), FALLEN, turns=np.arange(150, 950, 60)).any()


def test_a_zero_that_jumps_down_and_stays_is_no_purge():
    assert not purged(np.where(AT >= 100, RUNS, STANDS), FALLEN).any()


def test_a_catalyst_that_rises_as_the_gun_is_shut_has_flowed_though_it_began_at_its_running_level():
    rises, short = np.where(AT < 107, RUNS, STANDS), SPAN & (AT < 107)
    assert flows(rises, rises, flow=BEFORE, alone=short)[short].all()


def test_a_stroke_a_little_higher_than_the_last_is_no_closed_catalyst():
    pull = np.where((AT >= 10) & (AT < 130), np.where(AT >= 100, RUNS + 50, RUNS), STANDS)
    assert flows(pull, pull, flow=INTO, place=np.where(SPAN, 0.2, 0.0), turns=TURNS[:10])[SPAN].all()


def test_a_fall_that_a_zero_taken_off_has_made_is_no_purge():
    assert not purged(np.where(SPAN, STANDS + 400, STANDS), FALLEN).any()


def test_a_base_that_loses_its_pressure_with_the_catalyst_is_relieved_not_purged():
    assert not purged(np.where(SPAN, 0.0, STANDS), FALLEN, off=SPAN).any()


def test_noise_that_looks_like_strokes_makes_no_purge_of_a_base_that_stands():
    assert not purged(np.full(len(AT), STANDS), FALLEN, turns=np.arange(1000, 1300, 40)).any()


def test_the_last_reversal_of_the_pull_before_makes_no_purge_of_a_level_that_sank():
    sank = np.where(SPAN, STANDS - 60, STANDS)
    place = np.where(SPAN, 0.8, 1.0)
    assert not purged(sank, place, turns=np.array([1001])).any()
    assert (purged(sank, place, turns=np.array([1100])) == SPAN).all()


def test_a_purge_of_seconds_while_the_catalyst_gauges_are_silent_is_none():
    script = [("stalled", 60), *work(400, 1), ("stalled", 100)]
    at = sum(seconds for _, seconds in script)
    recording, _ = play([*script, ("purging", 9), ("stalled", 300), *work(200, 2)], Plain())
    seconds = (recording.at_us - START_US) / 1e6
    gauges = dict(recording.gauges)
    for gauge in (Gauge.CATALYST_1, Gauge.CATALYST_2):
        gauges[gauge] = np.where((seconds > at - 20) & (seconds < at + 30), np.nan, gauges[gauge])
    assert analyse(Recording(recording.at_us, gauges), GaugeSettings()).purges == []


def mixed(base, flow, turns=NO_TURNS, base_flow=AT < 0):
    frames, own = signals(base)
    return without_base(frames, flow, base_flow, turns, own)


def test_catalyst_gauges_that_move_while_the_base_rests_have_mixed_nothing():
    assert not mixed(np.full(len(AT), STANDS), SPAN).any()


def test_the_catalyst_flows_where_either_part_turns_or_the_base_moves():
    still, pull = np.full(len(AT), STANDS), np.where(SPAN, RUNS, STANDS)
    assert (mixed(still, SPAN, turns=np.array([1100])) == SPAN).all()
    assert (mixed(pull, SPAN) == SPAN).all()
    assert (mixed(still, SPAN, base_flow=SPAN) == SPAN).all()
    silent = np.where((AT > 90) & (AT < 140), np.nan, STANDS)
    assert (mixed(silent, SPAN) == SPAN).all()


def test_catalyst_gauges_knocked_apart_do_not_end_a_stop():
    script = [("stalled", 60), *work(400, 1), ("stalled", 500), *work(200, 2)]
    recording, truth = play(script, Plain())
    start = next(s for s, e, name in truth["states"] if e - s == 500)
    seconds = (recording.at_us - START_US) / 1e6
    gauges = dict(recording.gauges)
    for gauge, psi in ((Gauge.CATALYST_1, -250.0), (Gauge.CATALYST_2, 250.0)):
        knocked = np.interp(seconds, start + 250 + np.array([0, 0.3, 4, 4.3]), [0, psi, psi, 0])
        gauges[gauge] = gauges[gauge] + knocked * PA_PER_PSI
    (stop,) = analyse(Recording(recording.at_us, gauges), GaugeSettings()).idle_spans
    assert (stop.start_us - START_US) / 1e6 == pytest.approx(start, abs=1)
    assert not stop.purged


def test_a_base_whose_line_is_open_is_bled_and_flows_through_no_gun():
    pull, open_line = (AT >= 30) & (AT < 60), (AT >= 100) & (AT < 130)
    level = np.where(open_line, 700.0, np.where(pull, RUNS, STANDS))
    (base,) = signals(level)[1]
    assert (bled(base, np.array([350, 400, 500, 550])) == open_line).all()
    assert not bled(base, NO_TURNS).any()


@pytest.mark.parametrize(("base_psi", "off"), [(450.0, True), (900.0, False)])
def test_a_pump_is_off_though_the_base_gauge_has_kept_a_zero(base_psi, off):
    _, own = signals(np.where(SPAN, base_psi, STANDS), np.where(SPAN, 0.0, STANDS))
    no_pressure, nothing = without_pressure(len(AT), [[own[0]], [own[1]]])
    assert no_pressure[SPAN].all() == off and not no_pressure[~SPAN].any()
    assert not nothing.any()


def test_a_gauge_that_shows_no_pressure_in_flow_relieves_no_line_that_the_other_feels():
    # Catalyst_2 runs so far under catalyst_1 that it shows none.
    _, own = signals(np.where(SPAN, 0.45 * STANDS, STANDS), np.where(SPAN, 20.0, STANDS))
    assert not line_relieved(own).any()
    _, own = signals(np.where(SPAN, 250.0, STANDS), np.where(SPAN, 20.0, STANDS))
    assert (line_relieved(own) == SPAN).all()


def test_under_a_ceiling_a_purge_reaches_no_farther_than_its_turns_tell():
    # Running and standing read alike: the base seems to flow through the stop, and turns late in it.
    frames, own = signals(np.full(len(AT), RUNS))
    stop = AT >= 100
    turns = np.concatenate((np.arange(20, 1000, 50), np.arange(2500, 2801, 50)))
    purge = purges(frames, stop, AT >= 2, UNKNOWN, turns, AT < 0, own)
    assert not purge[AT < 225].any() and purge[2500:2801].all()


@pytest.mark.parametrize("then", [[("off", 700)], [("stalled", 700), *work(200, 2)]], ids=["off", "stands"])
@pytest.mark.parametrize("psi", [120.0, -250.0])
def test_a_purge_in_which_the_catalyst_gauges_part_is_one(psi, then):
    """A valve that leaks takes one of them down as it lifts the other: nothing flows that turns no pump."""
    script = [("stalled", 60), *work(600, 1), ("stalled", 40), ("purging", 16), *then]
    recording, truth = play(script, Plain())
    start, end = next((begin, end) for begin, end, state in truth["states"] if state == "purging")
    seconds = (recording.at_us - START_US) / 1e6
    gauges = dict(recording.gauges)
    flows = np.zeros(len(seconds))
    for begin, stop, state in truth["states"]:
        if state == "purging" or (state == "dispensing" and begin > 300):
            flows += np.interp(seconds, [begin, begin + 0.4, stop, stop + 0.4], [0, 1, 1, 0])
    for gauge, apart in ((Gauge.CATALYST_1, psi), (Gauge.CATALYST_2, -psi)):
        parts = apart * flows
        gauges[gauge] = gauges[gauge] + parts * PA_PER_PSI
    found = analyse(Recording(recording.at_us, gauges), GaugeSettings())
    (purge,) = found.purges
    assert [(at - START_US) / 1e6 for at in (purge.start_us, purge.end_us)] == pytest.approx(
        [start, end], abs=1
    )
    (stop,) = found.idle_spans
    assert stop.purged and (stop.start_us - START_US) / 1e6 == pytest.approx(start - 40, abs=1)
