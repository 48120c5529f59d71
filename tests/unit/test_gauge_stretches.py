"""Does a recording say the same however it comes, in pieces or whole, and however it is cut?"""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edge.units import PA_PER_PSI
from edge.words import Fault, Gauge, PumpState
from pipeline.derive.gauges.analyse import Analyser, Reach, analyse
from pipeline.derive.gauges.recording import Recording, joined_rows
from pipeline.derive.gauges.settings import GaugeSettings
from tests.shop.plain_pump import START_US, Plain, play, work

SETTINGS = GaugeSettings()
# Minutes where the product takes hours: several stretches in a recording that is made in a moment.
SHORT = Reach(least_s=500, most_s=800, before_s=120, ahead_s=120, offset_s=1500, least_rows=500)
SCRIPT = [
    ("stalled", 30),
    *work(500, 1),
    ("stalled", 200),
    *work(400, 2),
    ("stalled", 330),
    ("off", 120),
    ("stalled", 30),
    ("purging", 25),
    ("stalled", 30),
    *work(900, 3),
    ("stalled", 100),
    *work(300, 4),
    ("stalled", 40),
]


def plain_rows():
    return play(SCRIPT, Plain(hz=10.0, apart=[(0.0, 0.0), (1800.0, 0.0), (1810.0, 380.0)]))[0]


def spoil(rows, row, kind):
    """A fault of clock or order at a row."""
    at_us, order = rows.at_us.copy(), np.arange(len(rows.at_us))
    if kind == "back":
        at_us[row:] -= 90_000_000
    elif kind == "forward":
        at_us[row:] += 61_000_000
    elif kind == "gap":
        order = np.delete(order, slice(row, row + 80))
    elif kind == "twice":
        order = np.insert(order, row, order[max(0, row - 40) : row])
    elif kind == "late":
        order[row : row + 2] = order[row : row + 2][::-1]
    return Recording(at_us[order], {gauge: values[order] for gauge, values in rows.gauges.items()})


ROWS = plain_rows()


@given(
    cuts=st.lists(st.integers(0, len(ROWS.at_us)), max_size=12),
    row=st.integers(0, len(ROWS.at_us)),
    kind=st.sampled_from(["none", "back", "forward", "gap", "twice", "late"]),
)
@settings(max_examples=25, deadline=None)
def test_pieces_say_what_the_whole_says(cuts, row, kind):
    rows = spoil(ROWS, row, kind)
    analyser = Analyser(SETTINGS, SHORT)
    edges = sorted({0, *(min(cut, len(rows.at_us)) for cut in cuts), len(rows.at_us)})
    middle = edges[len(edges) // 2]
    for first, last in itertools.pairwise(edges):
        analyser.feed(rows.part(first, last))
        if last == middle:
            # As of now, live says what a look back from now would.
            assert analyser.findings() == analyse(rows.part(0, last), SETTINGS, SHORT)
    assert analyser.findings() == analyse(rows, SETTINGS, SHORT)


def test_packs_of_a_second_say_what_the_whole_says_and_memory_stays_bounded():
    analyser = Analyser(SETTINGS, SHORT)
    kept = 0
    for first in range(0, len(ROWS.at_us), 10):
        analyser.feed(ROWS.part(first, first + 10))
        kept = max(kept, analyser.rows_kept)
    assert analyser.findings() == analyse(ROWS, SETTINGS, SHORT)
    assert kept <= 10 * (SHORT.most_s + SHORT.ahead_s + SHORT.before_s) + 20


def test_stretches_joined_say_what_one_look_at_the_whole_says():
    cut, whole = analyse(ROWS, SETTINGS, SHORT), analyse(ROWS, SETTINGS)
    assert [s.type for s in cut.states] == [s.type for s in whole.states]
    for one, other in zip(cut.states, whole.states, strict=True):
        assert abs(one.start_us - other.start_us) <= 300_000
        assert abs(one.end_us - other.end_us) <= 300_000
    assert [r.part for r in cut.reversals] == [r.part for r in whole.reversals]
    assert np.allclose([r.at_us for r in cut.reversals], [r.at_us for r in whole.reversals], atol=100_000)
    for part in ("base", "catalyst"):
        mine, theirs = ([s for s in found.strokes if s.part == part] for found in (cut, whole))
        assert [s.direction for s in mine] == [s.direction for s in theirs]
        assert all(one.no < other.no for one, other in itertools.pairwise(mine))
    assert [e.type for e in cut.balance_events] == ["out_of_balance"]
    assert cut.balance_events[0].start_us == pytest.approx(whole.balance_events[0].start_us, abs=1e6)
    assert cut.balance_events[0].end_us == pytest.approx(whole.balance_events[0].end_us, abs=1e6)
    assert [(i.purged, i.purge_start_us) for i in cut.idle_spans] == [
        (i.purged, i.purge_start_us) for i in whole.idle_spans
    ]
    assert (cut.samples, cut.first_at_us, cut.last_at_us) == (
        whole.samples,
        whole.first_at_us,
        whole.last_at_us,
    )


@pytest.mark.parametrize("hours", [1, 3])
def test_a_jump_that_lasts_over_a_cut_stays_one_fault_and_no_imbalance(hours):
    script = [("stalled", 60)]
    for hour in range(3):
        script += [*work(500, hour), ("stalled", 120), *work(200, 9 + hour), ("stalled", 200)]
    rows = play(script, Plain(hz=10.0))[0]
    values = rows.gauges[Gauge.CATALYST_2].copy()
    from_row, to_row = 700 * 10, (700 + 450 * hours) * 10
    values[from_row:to_row] += 400 * PA_PER_PSI
    rows = Recording(rows.at_us, {**rows.gauges, Gauge.CATALYST_2: values})
    found = analyse(rows, SETTINGS, SHORT)
    jumps = [f for f in found.sensor_faults if f.type == Fault.JUMP]
    assert [f.gauge for f in jumps] == [Gauge.CATALYST_2]
    assert jumps[0].start_us == pytest.approx(START_US + from_row * 100_000, abs=2e6)
    assert jumps[0].end_us == pytest.approx(START_US + to_row * 100_000, abs=2e6)
    assert found.balance_events == []


def test_a_clock_set_back_before_a_cut_counts_after_it_too():
    rows = spoil(ROWS, 3000, "back")
    found = analyse(rows, SETTINGS, SHORT)
    assert [f.type for f in found.sensor_faults if f.gauge is None] == [Fault.CLOCK_STEP]
    assert found.last_at_us == int(rows.at_us[-1])
    assert found.states[-1].end_us == int(rows.at_us[-1])
    whole = analyse(rows, SETTINGS)
    assert [s.type for s in found.states] == [s.type for s in whole.states]


def test_a_gap_over_a_cut_is_one_gap():
    at_us = ROWS.at_us.copy()
    at_us[6000:] += 10_801_000_000  # on the logger's grid, and no whole minutes: rows are missing
    found = analyse(Recording(at_us, ROWS.gauges), SETTINGS, SHORT)
    assert [f.type for f in found.sensor_faults] == [Fault.GAP]
    assert sum(s.type == PumpState.NO_DATA for s in found.states) == 1
    for one, other in itertools.pairwise(found.states):
        assert one.end_us == other.start_us


def test_rows_out_of_all_order_end_in_an_answer():
    order = np.random.default_rng(1).permutation(len(ROWS.at_us))
    rows = Recording(ROWS.at_us[order], {g: v[order] for g, v in ROWS.gauges.items()})
    found = analyse(rows, SETTINGS, SHORT)
    assert any(f.type == Fault.OUT_OF_ORDER for f in found.sensor_faults)


def test_a_gauge_that_comes_later_is_missing_before():
    one = Recording(np.array([1, 2]), {Gauge.BASE: np.array([1.0, 2.0])})
    two = Recording(np.array([3]), {Gauge.BASE: np.array([3.0]), Gauge.CATALYST_1: np.array([4.0])})
    both = joined_rows([one, two])
    assert np.isnan(both.gauges[Gauge.CATALYST_1][:2]).all() and both.gauges[Gauge.CATALYST_1][2] == 4.0
