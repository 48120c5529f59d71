"""Does the timeline tell a clock that steps from rows that are missing, late or sent twice?"""

import numpy as np
import pytest

from edge.words import Fault
from pipeline.derive.gauges.timeline import find_timeline, recorded_at

TENTH = 100_000


def timeline(at, values=None):
    at = np.asarray(at, dtype=np.int64) * TENTH
    values = np.arange(len(at), dtype=float) if values is None else np.asarray(values, dtype=float)
    return find_timeline(at, [values])


def kinds(found):
    return [fault.type for fault in found.faults]


def test_an_even_recording_has_no_fault():
    found = timeline(range(100))
    assert kinds(found) == []
    assert found.interval_us == TENTH


def test_jitter_is_no_gap():
    rng = np.random.default_rng(3)
    at = np.arange(1000) * TENTH + rng.integers(-40_000, 40_000, 1000)
    assert find_timeline(at, [np.zeros(1000)]).faults == []


def test_missing_rows_are_a_gap():
    found = timeline([*range(50), *range(150, 200)])
    (gap,) = found.faults
    assert (gap.start_us, gap.end_us, gap.gauge, gap.type) == (49 * TENTH, 150 * TENTH, None, Fault.GAP)


def test_a_row_sent_twice_is_left_out_and_named():
    found = timeline([0, 1, 2, 2, 3, 4, 5], [0, 1, 2, 2, 3, 4, 5])
    assert kinds(found) == [Fault.DUPLICATE]
    assert found.run_us.tolist() == [i * TENTH for i in range(6)]


def test_a_block_sent_twice_is_no_clock_step():
    at = [*range(50), *range(20, 50), *range(50, 80)]
    found = timeline(at, at)
    assert kinds(found) == [Fault.DUPLICATE]
    assert len(found.run_us) == 80


def test_late_rows_are_put_in_their_place():
    found = timeline([0, 1, 2, 4, 5, 6, 3, 7, 8, 9])
    assert kinds(found) == [Fault.OUT_OF_ORDER]
    assert found.order.tolist() == [0, 1, 2, 6, 3, 4, 5, 7, 8, 9]


def test_two_rows_swapped():
    assert kinds(timeline([0, 1, 3, 2, 4, 5, 6, 7])) == [Fault.OUT_OF_ORDER]


@pytest.mark.parametrize("back", [30, 300])
def test_a_clock_set_back_goes_on_from_there(back):
    at = [*range(1000), *range(1000 - back, 2000 - back)]
    found = timeline(at)
    assert kinds(found) == [Fault.CLOCK_STEP]
    assert (np.diff(found.run_us) == TENTH).all()
    assert recorded_at(found.steps, int(found.run_us[1500])) == at[1500] * TENTH


def test_a_file_in_reverse_is_disorder():
    found = timeline(range(5000)[::-1])
    assert set(kinds(found)) == {Fault.OUT_OF_ORDER}
    assert (np.diff(found.run_us) > 0).all()


@pytest.mark.parametrize("count", [0, 1, 2])
def test_hardly_any_rows(count):
    assert timeline(range(count)).faults == []


@pytest.mark.parametrize(
    ("leap_us", "level", "fault"),
    [
        (17_300_000 + 31_000, 0.0, Fault.CLOCK_STEP),  # off the logger's grid
        (3_600_000_000 + 50_000, 0.0, Fault.CLOCK_STEP),  # a whole hour
        (17_350_000, 0.0, Fault.GAP),  # so many rows
        (17_300_000 + 31_000, 3e5, Fault.GAP),  # the logger was started anew, and the pressure is another
    ],
)
def test_a_clock_set_forward_leaves_its_grid_and_no_mark_in_the_pressures(leap_us, level, fault):
    at_us = np.arange(2000) * 50_000
    at_us[1000:] += leap_us - 50_000
    values = np.random.default_rng(1).normal(1e7, 2e4, 2000)
    values[1000:] += level
    timeline = find_timeline(at_us, [values])
    assert [f.type for f in timeline.faults] == [fault]
    assert (timeline.run_us == at_us).all()


@pytest.mark.parametrize("wide", [3, 5, 7, 12, 30])
def test_rows_written_in_any_disorder_are_no_clock_step(wide):
    rng = np.random.default_rng(wide)
    for _ in range(20):
        at = np.round(np.arange(400) * 20_000 + rng.integers(-900, 900, 400), -3)
        shuffled = at.copy()
        part = rng.permutation(wide)
        shuffled[200 : 200 + wide] = at[200 : 200 + wide][part]
        found = find_timeline(shuffled.astype(np.int64), [np.arange(400.0)])
        assert found.at_us.tolist() == at.tolist()
        assert set(kinds(found)) == ({Fault.OUT_OF_ORDER} if (np.diff(part) < 0).any() else set())


@pytest.mark.parametrize("wide", [100, 600])
@pytest.mark.parametrize("every", [20_000, 1_000_000])
def test_rows_shuffled_over_many_seconds_are_one_disorder(wide, every):
    at = np.arange(2000) * every
    shuffled = at.copy()
    shuffled[700 : 700 + wide] = np.random.default_rng(wide).permutation(at[700 : 700 + wide])
    found = find_timeline(shuffled, [np.arange(2000.0)])
    assert found.at_us.tolist() == at.tolist()
    assert found.run_us.tolist() == at.tolist()
    (disorder,) = found.faults
    assert disorder.type == Fault.OUT_OF_ORDER
    # All but the first rows or the last, by chance.
    assert 700 * every <= disorder.start_us < 720 * every
    assert (680 + wide) * every < disorder.end_us < (700 + wide) * every


@pytest.mark.parametrize("count", [10, 300, 5000])
def test_a_file_in_no_order_at_all(count):
    at = np.random.default_rng(count).permutation(count)
    found = timeline(at, at)
    assert found.run_us.tolist() == [row * TENTH for row in range(count)]
    assert kinds(found) == [Fault.OUT_OF_ORDER]
    assert found.interval_us == TENTH


def test_shuffles_gaps_and_a_clock_set_back_are_told_apart():
    at = np.arange(5000)
    at[1000:] += 700  # a gap
    at[4000:] -= 350
    shuffled = at.copy()
    rng = np.random.default_rng(1)
    for first in (200, 2200, 4600):
        shuffled[first : first + 300] = rng.permutation(at[first : first + 300])
    found = timeline(shuffled)
    assert kinds(found) == [
        Fault.OUT_OF_ORDER,
        Fault.GAP,
        Fault.OUT_OF_ORDER,
        Fault.CLOCK_STEP,
        Fault.OUT_OF_ORDER,
    ]
    assert found.at_us.tolist() == (at * TENTH).tolist()


def test_a_shuffle_over_times_that_were_there_before_the_clock_was_set_back():
    at = np.arange(5000)
    at[2000:] -= 1500
    shuffled = at.copy()
    rng = np.random.default_rng(1)
    for first in (1200, 2600):
        shuffled[first : first + 300] = rng.permutation(at[first : first + 300])
    found = timeline(shuffled)
    assert sorted(kinds(found)) == [Fault.CLOCK_STEP, Fault.OUT_OF_ORDER, Fault.OUT_OF_ORDER]
    assert found.at_us.tolist() == (at * TENTH).tolist()


def test_a_clock_set_forward_and_back_again_is_no_disorder():
    at = np.arange(3000)
    at[1000:1400] += 1000
    found = timeline(at)
    assert Fault.OUT_OF_ORDER not in kinds(found)
    assert Fault.CLOCK_STEP in kinds(found)


@pytest.mark.parametrize("back_us", [85_000, 210_000, 1_000_000])
def test_a_clock_set_back_a_little_runs_over_times_that_were_there(back_us):
    at = np.arange(400) * 20_000
    at[200:] -= back_us
    found = find_timeline(at, [np.arange(400.0)])
    assert kinds(found) == [Fault.CLOCK_STEP]
    assert found.steps == [(200 * 20_000, -back_us)]


def test_of_rows_an_hour_apart_whole_hours_are_missing_rows():
    hours = [*range(50), *range(57, 100), *range(124, 200)]
    found = find_timeline(np.array(hours) * 3_600_000_000, [np.ones(len(hours))])
    assert kinds(found) == [Fault.GAP, Fault.GAP]


def test_rows_that_chance_to_say_what_was_said_a_minute_before_are_not_sent_twice():
    at = np.arange(3000)
    at[1500:] -= 600
    # A coarse logger: one row in five says what the row of the same time said.
    values = np.random.default_rng(3).integers(0, 5, 3000)
    assert kinds(timeline(at, values)) == [Fault.CLOCK_STEP]
