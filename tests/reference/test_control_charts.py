"""Do the charts compute what the handbook prints? NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.

Rule vectors are evaluations of the published definitions (Western Electric 1956, Nelson 1984) made apart from
this code; 'beyond' is strict there.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.derive.cure import rules
from pipeline.derive.cure.charts import chart, ewma, ewma_half_width, individuals_limits

BATCHES = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)


def test_individuals_and_moving_ranges_of_the_handbook():
    """6.3.2.2: limits 55.8041 and 45.8159; D4 of two gives 6.1347."""
    limits = individuals_limits(BATCHES)
    printed = (50.81, 1.8778, 55.8041, 45.8159, 6.1347)
    computed = (limits.centre, limits.range_mean, limits.upper, limits.lower, limits.range_upper)
    assert computed == pytest.approx(printed, abs=1e-4)
    ranges = [point.moving_range for point in chart(BATCHES, limits)]
    assert ranges[0] is None
    assert ranges[1:] == pytest.approx([2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5])
    assert all(point.signals == () for point in chart(BATCHES, limits))


EWMA_DATA = (
    *(52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5),
    *(49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1),
)
EWMA_PRINTED = (
    *(50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33),
    *(50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99),
)


def test_ewma_of_the_handbook():
    """6.3.2.4: weight 0.3, start 50, s 2.0539; limits 52.5884 and 47.4115, no point outside."""
    smoothed = ewma(EWMA_DATA, 50.0, 0.3)
    assert smoothed == pytest.approx(EWMA_PRINTED, abs=5e-3)
    half = ewma_half_width(2.0539, None, 0.3)
    assert (50 + half, 50 - half) == pytest.approx((52.5884, 47.4115), abs=1e-4)
    assert np.all(np.abs(smoothed - 50) < half)


@pytest.mark.parametrize(
    ("point", "upper"),
    [(1, 51.848510), (2, 52.256394), (3, 52.431406), (5, 52.551611), (10, 52.587399), (20, 52.588431)],
)
def test_ewma_limits_widen_to_their_last(point, upper):
    """Factor sqrt(w / (2 - w) (1 - (1 - w)^2t)), computed apart."""
    assert 50 + ewma_half_width(2.0539, point, 0.3) == pytest.approx(upper, abs=1e-6)


# The viscosity and ring series of the textbooks are under a licence that keeps them out of this repository.
@pytest.mark.parametrize(
    ("name", "rule", "z", "flagged"),
    [
        ("3 sigma", rules.beyond, (0, 3.0, 3.01, -3.2, 0), (3, 4)),
        (
            "2 of 3",
            lambda z: rules.most_beyond(z, 2, 2, 3),
            (2.1, 0, 2.2, -2.3, 2.4, 0, -2.1, -2.5),
            (3, 5, 8),
        ),
        ("4 of 5", lambda z: rules.most_beyond(z, 1, 4, 5), (1.1, 1.2, 0.5, 1.3, 1.4, 0, -1.1), (5,)),
        ("8 on a side", lambda z: rules.on_one_side(z, 8), (*[0.1] * 8, -0.1, *[0.2] * 8), (8, 17)),
        ("9 on a side", lambda z: rules.on_one_side(z, 9), (*[0.1] * 8, -0.1, *[0.2] * 9), (18,)),
        ("6 rising", rules.trending, (0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.5, 0.4), (6, 7)),
        ("14 alternating", rules.alternating, tuple(0.5 * (-1) ** i for i in range(15)), (14, 15)),
        ("15 within", rules.within, tuple(0.5 * (-1) ** i for i in range(16)), (15, 16)),
        ("8 outside", rules.outside, (*[1.5, -1.5] * 4, 0), (8,)),
    ],
)
def test_run_rules_flag_the_last_point_of_their_pattern(name, rule, z, flagged):
    assert tuple(np.flatnonzero(rule(np.asarray(z, float))) + 1) == flagged


def test_false_alarms_a_point_are_those_of_the_normal_curve():
    """3 sigma 0.0026998, two of three 0.0015292 a side, 8 in a row 1/128: closed forms, a million draws."""
    z = np.random.default_rng(1).normal(size=1_000_000)
    for rule, share, tolerance in (
        (rules.beyond, 0.0026998, 0.04),
        (lambda z: rules.on_one_side(z, 8), 0.0078125, 0.04),
    ):
        assert rule(z).mean() == pytest.approx(share, rel=tolerance)


def test_a_signal_says_which_rule():
    limits = individuals_limits(BATCHES)
    points = chart([*BATCHES, limits.upper + 0.01], limits)
    assert "beyond_3_sigma" in points[-1].signals
    shifted = chart([limits.centre + 0.1] * 8, limits)
    assert [("8_on_one_side" in point.signals) for point in shifted] == [False] * 7 + [True]
    jump = chart([limits.centre - 3.2, limits.centre + 3.2], limits)
    assert "moving_range" in jump[1].signals


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=40), st.lists(st.floats(-1e6, 1e6), max_size=40))
def test_what_comes_later_never_moves_the_limits_or_an_earlier_signal(baseline, later):
    limits = individuals_limits(baseline)
    before = chart(baseline, limits)
    assert chart([*baseline, *later], limits)[: len(baseline)] == before


def test_a_baseline_without_spread_measures_nothing():
    points = chart([38.0, 38.0, 39.0], individuals_limits([38.0, 38.0]))
    assert [point.signals for point in points] == [(), (), ()]
    with pytest.raises(ValueError, match="two points"):
        individuals_limits([1.0])
    assert math.isclose(individuals_limits([1.0, 2.0]).sigma, 1 / 1.128)
