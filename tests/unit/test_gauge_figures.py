"""Are volumes, ratios, forecasts, leaks and purges due what arithmetic says they are?"""

import pytest

from edge.units import PA_PER_PSI
from pipeline.derive.gauges.analyse import analyse
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.report import as_json, leak_json, summary_lines
from pipeline.derive.gauges.settings import GaugeSettings
from tests.shop.plain_pump import START_US, Plain, play, work

PLATE = GaugeSettings(base_stroke_ml=160.0, catalyst_stroke_ml=20.0)
MINUTE = 60_000_000


def hour_of_work(**changed):
    script = [
        ("stalled", 60),
        *work(1500, 1),
        ("stalled", 400),
        ("purging", 25),
        *work(1300, 2),
        ("stalled", 90),
    ]
    return play(script, Plain(hz=10.0, **changed))[0]


@pytest.mark.parametrize("catalyst_stroke_s", [4.1, 6.1, 8.7])
def test_the_ratio_by_strokes_brackets_the_true_one(catalyst_stroke_s):
    found = analyse(hour_of_work(base_stroke_s=4.7, catalyst_stroke_s=catalyst_stroke_s), PLATE)
    true = (160 / 4.7) / (20 / catalyst_stroke_s)
    assert found.volume_ratio
    for hour in found.volume_ratio:
        assert hour.low <= true <= hour.high
        assert (hour.high - hour.low) / true < 0.15
        assert hour.start_us % (60 * MINUTE) == 0 and hour.end_us - hour.start_us == 60 * MINUTE


def test_a_leak_moves_the_ratio_out_of_what_counting_explains():
    # A valve that lets every fifth stroke back shows in strokes, not in sealant: the pump strokes more.
    found = analyse(hour_of_work(base_stroke_s=4.7 * 0.8, catalyst_stroke_s=6.1), PLATE)
    sound = (160 / 4.7) / (20 / 6.1)
    assert all(hour.low > sound for hour in found.volume_ratio)


def test_no_ratio_without_displacements_or_strokes():
    assert analyse(hour_of_work(), GaugeSettings()).volume_ratio == []
    assert analyse(play([("stalled", 200)], Plain(hz=10.0))[0], PLATE).volume_ratio == []


@pytest.mark.parametrize(("rate", "every"), [(0.0, 50), (12.0, 1000), (40.0, 50), (90.0, 50)])
def test_leak_down_is_the_fall_between_top_ups(rate, every):
    rows = play([*work(120, 1), ("stalled", 240), *work(120, 2), ("stalled", 180)], Plain(hz=10.0))[0]
    t = (rows.at_us - START_US) / 1e6
    # Both lines fall, and are topped up every so many seconds.
    fall = -((t % every) * rate / 60) * PA_PER_PSI
    gauges = {gauge: values + fall for gauge, values in rows.gauges.items()}
    found = analyse(Recording(rows.at_us, gauges), GaugeSettings())
    leaks = {leak["channel"]: leak for leak in leak_json(found)}
    assert set(leaks) == {"base", "catalyst_1", "catalyst_2"}
    for leak in leaks.values():
        assert leak["stalls"] == 2
        # Noise of 6 psi at both ends of some minutes.
        assert leak["psi_per_min"] == pytest.approx(rate, abs=3.0)
    assert all(leak.end_us - leak.start_us > 60e6 for leak in found.leaks)


def test_a_pump_that_stands_is_told_when_its_purge_is_due():
    rows, truth = play([("stalled", 20), *work(120, 1), ("stalled", 100)], Plain(hz=10.0))
    found = analyse(rows, GaugeSettings())
    stopped = max(end for _, end, state in truth["states"] if state == "dispensing")
    assert (found.purge_due.since_us - START_US) / 1e6 == pytest.approx(stopped, abs=0.5)
    assert found.purge_due.due_us - found.purge_due.since_us == 5 * MINUTE
    assert any("in " in text for what, text in summary_lines(found) if what == "base purge due")


@pytest.mark.parametrize("last", [("purging", 25), ("dispensing", 20)])
def test_nothing_is_due_after_a_purge_nor_while_dispensing(last):
    rows, _ = play([("stalled", 20), *work(120, 1), ("stalled", 100), last], Plain(hz=10.0))
    assert analyse(rows, GaugeSettings()).purge_due is None
    rows, _ = play([("stalled", 120)], Plain(hz=10.0))
    assert analyse(rows, GaugeSettings()).purge_due is None


def test_an_overdue_purge_says_by_how_much():
    rows, _ = play([("stalled", 20), *work(120, 1), ("stalled", 420)], Plain(hz=10.0))
    assert any("overdue by 2." in text for what, text in summary_lines(analyse(rows, GaugeSettings())))


def test_new_keys_come_after_the_fixed_ones():
    fixed = ["states", "reversals", "balance_events", "idle_spans", "changeovers", "sensor_faults", "strokes"]
    fixed += ["wear", "clogging", "dispensed_l"]
    said = as_json(analyse(hour_of_work(), PLATE))
    assert list(said)[: len(fixed)] == fixed
    assert {"volume_ratio", "leak_down", "purge_due"} <= set(said)
