"""Do kappa and the intervals reproduce published worked examples? Sources beside each."""

import pytest

from pipeline.derive.agreement import agreement, cohen_kappa, kappa_in_words, wilson


@pytest.mark.parametrize(
    ("table", "kappa", "error"),
    [
        # J. Cohen, Educ. Psychol. Meas. 20 (1960), Table 1; standard error by statsmodels 0.15.0.
        ([[88, 14, 18], [10, 40, 10], [2, 6, 12]], 0.491525, 0.051002),
        # J. L. Fleiss, Statistical Methods for Rates and Proportions (statsmodels 0.15.0).
        ([[75, 1, 4], [5, 4, 1], [0, 0, 10]], 0.676471, 0.087703),
        # Common teaching examples; the first with its interval (statsmodels 0.15.0).
        ([[20, 5], [10, 15]], 0.4, (0.648908 - 0.151092) / 2 / 1.959964),
        ([[45, 15], [25, 15]], 0.130435, None),
        ([[25, 35], [5, 35]], 0.259259, None),
    ],
)
def test_kappa_of_published_tables(table, kappa, error):
    found = cohen_kappa(table)
    assert found.value == pytest.approx(kappa, abs=1e-6)
    if error is not None:
        assert (found.high - found.low) / 2 / 1.959964 == pytest.approx(error, abs=1e-6)


@pytest.mark.parametrize(
    ("count", "total", "low", "high"),
    [
        # R. G. Newcombe, Stat. Med. 17 (1998) 857-872, Table I, method 3; printed to 4 decimals.
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
        # statsmodels 0.15.0
        (10, 10, 0.7225, 1.0),
        (0, 100, 0.0, 0.0370),
    ],
)
def test_wilson_intervals_of_the_published_table(count, total, low, high):
    found = wilson(count, total)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)


def test_kappa_in_landis_and_koch_s_words():
    assert [kappa_in_words(k) for k in (-0.1, 0.1, 0.3, 0.5, 0.7, 0.9)] == [
        "poor",
        "slight",
        "fair",
        "moderate",
        "substantial",
        "almost perfect",
    ]


def test_rates_count_the_eye_for_right():
    """Of Cohen's 2 x 2 teaching example: 20 both pass, 5 false alarms, 10 misses, 15 both fail."""
    found = agreement([False] * 25 + [True] * 25, [False] * 20 + [True] * 5 + [False] * 10 + [True] * 15)
    assert (found.misses, found.false_alarms, found.kappa.value) == (10, 5, pytest.approx(0.4))
    assert (found.miss_rate.value, found.false_alarm_rate.value) == (0.4, 0.2)


def test_what_tells_nothing_is_said_to():
    assert wilson(0, 0) is None and cohen_kappa([[0, 0], [0, 0]]) is None
    assert cohen_kappa([[30, 0], [0, 0]]) is None
    assert agreement([], []).miss_rate is None
