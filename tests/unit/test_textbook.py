"""Is a textbook's pump understood, and is its truth what its script says?"""

import pytest

from pipeline.derive.gauges.analyse import analyse
from pipeline.derive.gauges.settings import GaugeSettings
from tests.benchmarks.gauge_validation import plain_case, score
from tests.shop.textbook import stops


def test_stops_follow_dispensing_and_count_from_the_limit_on():
    script = [
        ("stalled", 900.0),  # before any dispensing: no stop
        ("dispensing", 10.0),
        ("stalled", 280.0),
        ("dispensing", 10.0),
        ("stalled", 200.0),
        ("purging", 20.0),
        ("stalled", 100.0),
        ("dispensing", 10.0),
        ("stalled", 310.0),
        ("purging", 20.0),
        ("off", 50.0),
    ]
    assert stops(script) == [(1200.0, 1520.0, True), (1530.0, 1910.0, False)]


@pytest.mark.parametrize("seed", [2, 3])
def test_states_stops_changeovers_and_balance_of_a_textbooks_pump_are_told(seed):
    case = plain_case(seed)
    says = score(case, analyse(case.recording, GaugeSettings()))
    for what in ("idle", "changeovers", "balance"):
        matched, true, found = says[what][:3]
        assert matched == true == found, what
    for part in ("base", "catalyst"):
        matched, true, found = says[f"reversals {part}"]
        assert 2 * matched / (true + found) > 0.98
