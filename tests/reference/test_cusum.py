"""Does the cumulative sum add up as the handbook prints, and alarm as often as tables say?

NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3. Average run lengths of k = 0.5: 465.44 unmoved and
10.376 at one sigma with h = 5, 167.68 and 8.383 with h = 4, as computed by the R package spc (xcusum.arl) and
printed to three figures in textbooks.
"""

import numpy as np
import pytest
from scipy.stats import norm

from pipeline.derive.cure.charts import chart, individuals_limits
from pipeline.derive.cure.cusum import DECISION, SLACK, cusum, has_shifted

DATA = (
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
)
UPPER = (0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04)
LOWER = (0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0)


def test_the_handbooks_example():
    """Target 325, k 0.3175, h 4.1959 in the data's unit; printed to two decimals; signals at 14 to 20."""
    above, below = cusum(DATA, 325.0, 0.3175)
    assert above == pytest.approx(UPPER, abs=6e-3)
    assert below == pytest.approx(LOWER, abs=6e-3)
    assert (np.flatnonzero(np.maximum(above, below) > 4.1959) + 1).tolist() == list(range(14, 21))


def test_without_slack_it_is_the_plain_sum_while_that_stays_above():
    above, _ = cusum([325.5, 324.8, 326.0], 325.0, 0.0)
    assert above == pytest.approx([0.5, 0.3, 1.3])


def one_sided_run_length(shift: float, decision: float, cells: int = 400) -> float:
    """Points until a signal, by a Markov chain over the sum's value (Brook and Evans, Biometrika 59, 1972).

    The chain's step is read off `cusum` itself: where the sum goes from each cell's middle.
    """
    width = 2 * decision / (2 * cells - 1)
    middle = np.arange(cells) * width
    from_zero = cusum([10.0], 0.0, SLACK)[0][0] - 10.0  # what the code takes off a step
    step = middle[None, :] - middle[:, None] - from_zero - shift
    chance = norm.cdf(step + width / 2) - norm.cdf(step - width / 2)
    chance[:, 0] = norm.cdf(step[:, 0] + width / 2)
    return float(np.linalg.solve(np.eye(cells) - chance, np.ones(cells))[0])


@pytest.mark.parametrize(
    ("decision", "unmoved", "moved"), [(4.0, 167.68, 8.383), (5.0, 465.44, 10.376)], ids=["h=4", "h=5"]
)
def test_average_run_lengths(decision, unmoved, moved):
    def both(shift):
        up, down = one_sided_run_length(shift, decision), one_sided_run_length(-shift, decision)
        return 1 / (1 / up + 1 / down)

    assert both(0.0) == pytest.approx(unmoved, rel=5e-3)
    assert both(1.0) == pytest.approx(moved, rel=5e-3)


def test_simulated_alarms_of_the_code_are_as_rare_as_that():
    rng = np.random.default_rng(8)
    lengths = []
    for _ in range(400):
        shifted = has_shifted(rng.normal(1.0, 1.0, 80))
        lengths.append(int(np.argmax(shifted)) + 1 if shifted.any() else 80)
    assert (SLACK, DECISION) == (0.5, 5.0)
    assert np.mean(lengths) == pytest.approx(10.376, abs=0.9)  # 3 standard errors of 400 runs


def test_a_balance_that_drifts_over_days_is_a_signal_before_a_single_day_is():
    days = [10.0, -8.0, 5.0, -4.0, 9.0, -11.0, 3.0, 6.0, -7.0, -2.0] * 2
    limits = individuals_limits(days)
    drifting = [*days, *(0.11 * day * limits.sigma for day in range(1, 25))]
    found = chart(drifting, limits, cusum=True)
    first = {
        rule: next(place for place, point in enumerate(found) if rule in point.signals)
        for rule in ("cusum", "beyond_3_sigma")
        if any(rule in point.signals for point in found)
    }
    assert 20 < first["cusum"] < first.get("beyond_3_sigma", len(found))
    assert not any("cusum" in point.signals for point in found[:20])
    assert not any("cusum" in point.signals for point in chart(drifting, limits))
