"""Do our flags agree with the QARTOD manuals' tests and with NAMUR NE 43?

Arrays Q1 to Q5, Q8: as ioos-qc 3.0.0 answers them (recomputed below where that library is right). Q6, Q7:
rates on intervals below a second, where the right answer follows from the definition alone.
"""

import ioos_qc.qartod as reference
import numpy as np
import pytest

from edge.units import PASCALS, psi_to_pa
from pipeline.derive.gauges.quality import (
    flat_line,
    gap,
    gross_range,
    ne43,
    rate_of_change,
    spike,
    worst_of,
)

NAN = np.nan
Q1 = np.array([0, 10, 50, 120, 180, 210, -1, -5, NAN, 100])
Q2 = np.array([10.0, 10, 10, 14, 10, 10, 20, 10, 10, 10])
Q3A = np.array([10, 10, NAN, 10, 20, 10, 10])
Q4 = np.array([100.0, 101, 103, 113, 113, 93, 43, 43])
Q5 = np.array([5, 5.4, 6, 6, 6, 6, 6, 6, 6, 6, 7, 8])
Q5A = np.array([5, 5.4, 6, 6.004, 6, 6.003, 6, 6.02, 6, 6, 7, 8])


def every(seconds: float, count: int) -> np.ndarray:
    return (np.arange(count) * seconds * 1e6).astype(np.int64)


def test_gross_range_q1():
    assert gross_range(Q1, (0, 200), (10, 180)).tolist() == [3, 1, 1, 1, 1, 4, 4, 4, 9, 1]
    theirs = reference.gross_range_test(Q1, fail_span=(0, 200), suspect_span=(10, 180))
    assert gross_range(Q1, (0, 200), (10, 180)).tolist() == theirs.tolist()


def test_spike_q2_q3():
    assert spike(Q2, 3, 8).tolist() == [2, 1, 1, 3, 1, 3, 4, 3, 1, 2]
    assert spike(Q2, 3, 8, by="differential").tolist() == [2, 1, 1, 3, 1, 1, 4, 1, 1, 2]
    assert spike(Q3A, 3, 8).tolist() == [2, 2, 9, 2, 4, 3, 2]


@pytest.mark.parametrize("seed", range(5))
def test_spike_as_the_reference_library(seed):
    values = np.random.default_rng(seed).normal(0, 3, 200)
    for by in ("average", "differential"):
        theirs = reference.spike_test(values, suspect_threshold=3, fail_threshold=8, method=by)
        assert spike(values, 3, 8, by=by).tolist() == theirs.tolist()


def test_rate_of_change_q4():
    assert rate_of_change(every(10, 8), Q4, 0.5, 3).tolist() == [1, 1, 1, 3, 1, 3, 4, 1]


def test_rate_of_change_on_true_intervals_q6():
    at_100_ms = np.array([100.0, 100, 105, 105, 105])  # 50 units a second
    assert rate_of_change(every(0.1, 5), at_100_ms, 10, 1e9).tolist() == [1, 1, 3, 1, 1]
    at_1900_ms = np.array([100.0, 100, 115, 115, 115])  # 7.9 units a second
    assert rate_of_change(every(1.9, 5), at_1900_ms, 10, 1e9).tolist() == [1, 1, 1, 1, 1]


def test_flat_line_q5():
    assert flat_line(every(1, 12), Q5, 3, 5, 0.01).tolist() == [1, 1, 1, 1, 1, 3, 3, 4, 4, 4, 1, 1]
    assert flat_line(every(1, 12), Q5A, 3, 5, 0.01).tolist() == [1, 1, 1, 1, 1, 3, 3, 1, 1, 1, 1, 1]
    assert flat_line(every(1, 8), np.full(8, 5.0), 2, 4, 1e-9).tolist() == [1, 1, 3, 3, 4, 4, 4, 4]


@pytest.mark.parametrize("interval", [0.05, 0.1, 0.5, 0.999])
def test_flat_line_below_a_second_as_scaled_q7(interval):
    scaled = flat_line(every(interval, 12), Q5, 3 * interval, 5 * interval, 0.01)
    assert scaled.tolist() == [1, 1, 1, 1, 1, 3, 3, 4, 4, 4, 1, 1]


@pytest.fixture(params=range(6))
def a_minute_and_more(request):
    """One value a second, the steps at which the reference library is right: noise, steps, flats, holes."""
    rng = np.random.default_rng([request.param, 54])
    values = np.round(np.cumsum(rng.normal(0, 1, 600)) + rng.normal(0, 3, 600), 1)
    for start in rng.integers(0, 580, 8):
        values[start : start + rng.integers(2, 20)] = values[start]
    return values, rng


def test_gross_range_as_the_reference_library(a_minute_and_more):
    values, rng = a_minute_and_more
    values[rng.integers(0, 600, 20)] = NAN
    low, high = np.nanquantile(values, [0.1, 0.9])
    ours = gross_range(values, (low - 2, high + 2), (low, high))
    theirs = reference.gross_range_test(values, fail_span=(low - 2, high + 2), suspect_span=(low, high))
    assert ours.tolist() == theirs.tolist()
    assert set(ours.tolist()) == {1, 3, 4, 9}


def test_rate_of_change_as_the_reference_library(a_minute_and_more):
    values, _ = a_minute_and_more
    ours = rate_of_change(every(1, 600), values, 5, np.inf)
    theirs = reference.rate_of_change_test(values, every(1, 600) // 1_000_000, threshold=5)
    assert ours.tolist() == theirs.tolist()
    assert set(ours.tolist()) == {1, 3}


def test_flat_line_as_the_reference_library(a_minute_and_more):
    values, _ = a_minute_and_more
    ours = flat_line(every(1, 600), values, 4, 9, 0.05)
    theirs = reference.flat_line_test(
        values,
        every(1, 600) // 1_000_000,
        suspect_threshold=4,
        fail_threshold=9,
        tolerance=0.05,
    )
    assert ours.tolist() == theirs.tolist()
    assert set(ours.tolist()) == {1, 3, 4}


def test_gap_as_the_reference_library(a_minute_and_more):
    """Theirs counts in hours, and gives the first sample the second's flag: a recording's begin is no gap."""
    _, rng = a_minute_and_more
    at_us = np.cumsum(rng.choice([1, 1, 1, 1, 30, 3601, 3600, 7200], 600)) * 1_000_000
    theirs = reference.time_gap_test(at_us.astype("datetime64[us]"), fail_span=1)
    ours = gap(at_us, np.inf, 3600)
    assert ours.tolist()[1:] == theirs.tolist()[1:]
    assert set(ours.tolist()) == {1, 4}


def test_gap_below_a_second():
    """From the definition: the sample after a step longer than the limit; going back is no gap."""
    at_us = np.array([0, 100, 200, 900, 1000, 950, 1050, 3050]) * 1000
    assert gap(at_us, 0.5, 1.5).tolist() == [1, 1, 1, 3, 1, 1, 1, 4]


@pytest.mark.parametrize("seed", range(3))
def test_worst_of_as_the_reference_library(seed):
    flags = np.random.default_rng(seed).choice(np.array([1, 2, 3, 4, 9], dtype=np.uint8), (3, 200))
    assert worst_of(*flags).tolist() == reference.qartod_compare(list(flags)).tolist()


def test_worst_of_q8():
    flags = [np.array(row, dtype=np.uint8) for row in ([1, 1, 1, 2, 9], [1, 3, 4, 1, 1], [2, 1, 3, 2, 2])]
    assert worst_of(*flags).tolist() == [1, 3, 4, 1, 1]


# P8. Under-range and over-range that NE 43 still calls a measuring signal are good; its gaps are suspect.
NE43 = [(3.5, 4), (3.7, 3), (3.9, 1), (4.0, 1), (12, 1), (20.0, 1), (20.4, 1), (20.7, 3), (21.5, 4)]


@pytest.mark.parametrize("unit", PASCALS)
@pytest.mark.parametrize(("milliamps", "flag"), [*NE43, (3.6, 4), (3.8, 1), (20.5, 1), (21.0, 4)])
def test_ne43_p7_p8(milliamps, flag, unit):
    low, high = 0.0, 400e5
    reading = (low + (milliamps - 4) / 16 * (high - low)) / PASCALS[unit]  # as a file says it
    assert ne43(np.array([reading * PASCALS[unit]]), low, high).tolist() == [flag]


@pytest.mark.parametrize(
    ("milliamps", "bar"), [(3.6, -10), (3.8, -5), (20.5, 412.5), (21, 425)]
)  # P6, on 0..400 bar
def test_a_loop_outside_its_span_p6(milliamps, bar):
    assert (milliamps - 4) / 16 * 400 == pytest.approx(bar, abs=1e-9)
    assert ne43(np.array([bar * 1e5]), 0.0, 400e5).tolist() == ([4] if bar in (-10, 425) else [1])


@pytest.mark.parametrize(
    ("psi", "mpa"),
    [(200, 1.378951459), (300, 2.068427188), (1000, 6.894757293), (3000, 20.684271880), (5000, 34.473786466)],
)  # P4
def test_psi_p1_p4(psi, mpa):
    assert psi_to_pa(1.0) == pytest.approx(8896443230521 / 1290320000, rel=1e-12)  # P1, exact by definition
    assert psi_to_pa(psi) / 1e6 == pytest.approx(mpa, abs=1e-9)


def test_bar_p2_p3():
    assert PASCALS["bar"] == 100_000  # SI brochure
    assert PASCALS["bar"] / PASCALS["psi"] == pytest.approx(14.503773773, rel=1e-9)
    assert PASCALS["MPa"] / PASCALS["psi"] == pytest.approx(145.037737730, rel=1e-9)
