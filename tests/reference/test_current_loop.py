"""4-20 mA against the live zero's own line and NAMUR NE 43, as secondary sources agree on it."""

from datetime import date

import pytest

from edge.sources.loop import Calibration, Channel, Loop, judge_loop
from edge.words import Gauge

DUE = date(2027, 3, 1)


def channel(**settings):
    usual = {"gauge": Gauge.BASE, "unit": "psi", "loop_low": 0.0, "loop_high": 5000.0}
    return Channel(**usual | settings)


# x = lo + (I - 4)/16 * (hi - lo): linear live zero, exact. psi to Pa: by definition of lb, g and inch.
@pytest.mark.parametrize(("current", "psi"), [(4, 0), (8, 1250), (12, 2500), (16, 3750), (20, 5000)])
def test_a_loop_is_linear_from_its_live_zero(current, psi):
    assert channel().reading(current) == pytest.approx(psi * 8896443230521 / 1290320000, rel=1e-12)


@pytest.mark.parametrize(("current", "bar"), [(3.8, -5), (20.5, 412.5)])
def test_a_loop_a_little_outside_its_range_is_still_read(current, bar):
    one = channel(unit="bar", loop_low=0.0, loop_high=400.0)
    assert one.reading(current) == pytest.approx(bar * 1e5, rel=1e-9)


# NE 43: measuring 3.8 to 20.5 mA, failure at 3.6 and below, at 21 and above; sources differ on the borders
# themselves, and a verdict that errs errs to failure.
@pytest.mark.parametrize(
    ("current", "says"),
    [
        *((at, Loop.FAIL) for at in (-1, 0, 3.5, 3.6, 21.0, 21.5, 25, float("nan"), float("inf"))),
        *((at, Loop.SUSPECT) for at in (3.61, 3.7, 3.79, 20.51, 20.7, 20.99)),
        *((at, Loop.VALID) for at in (3.8, 3.9, 4.0, 12, 20.0, 20.4, 20.5)),
    ],
)
def test_a_loops_class(current, says):
    assert judge_loop(current) is says
    assert (channel().reading(current) is None) == (says is Loop.FAIL)


def test_counts_are_scaled_to_milliamperes_first():
    # 16-bit counts over 0 to 20 mA: half of them is 10 mA, 37.5 % of the range.
    one = channel(factor=20 / 65535)
    assert one.reading(65535 / 2) == pytest.approx(0.375 * 5000 * 6894.757293168361, rel=1e-9)


def test_two_points_of_a_calibration_lie_on_its_line():
    held = Calibration(read_low=10.0, true_low=0.0, read_high=4_990.0, true_high=5_000.0, due=DUE)
    assert held.correct(10.0) == 0.0
    assert held.correct(4_990.0) == 5_000.0
    assert held.correct(2_500.0) == pytest.approx(2_500.0)  # halfway between, by symmetry
    one = channel(calibration=held)
    at_low = 4 + 16 * 10 / 5000
    assert one.reading(at_low) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ({"unit": "atm"}, "unknown unit 'atm'"),
        ({"unit": "degC"}, "base can't be in degC"),
        ({"loop_high": None}, "go together"),
        ({"loop_low": 5000.0}, "are the same"),
        (
            {"calibration": Calibration(read_low=1, true_low=0, read_high=1, true_high=5, due=DUE)},
            "points of the calibration are one",
        ),
    ],
)
def test_settings_that_can_not_be_are_told(settings, says):
    assert says in channel(**settings).mistake()
    assert channel().mistake() is None
