"""Are wear and clogging told for what they are, on strokes worked out from a pump's balance of pressures?

A pump holds up `stall - speed * loss`, the fluid asks for `resistance * flow ** thinning`: where both are one
a stroke runs. Units are those of the rated stroke: stall 1.25, pressure 1, flow 1.
"""

import numpy as np
import pytest
from msgspec.structs import replace
from scipy.optimize import brentq

from pipeline.derive.gauges.condition import find_clogging, find_wear
from pipeline.derive.gauges.results import Stroke
from pipeline.derive.gauges.settings import GaugeSettings

PSI_1500 = 1e7
STALL, LOSS = 1.25, 0.25


def stroke_of(resistance=1.0, slip=0.0, friction=0.0, thinning=0.45) -> tuple[float, float]:
    """Pressure and duration of a stroke, of the rated ones."""
    flow = brentq(
        lambda q: STALL * (1 - friction) - LOSS * q / (1 - slip) - resistance * q**thinning, 1e-3, 5
    )
    return resistance * flow**thinning, (1 - slip) / flow


def strokes_of(pairs, noise=0.003, seed=1) -> list[Stroke]:
    rng = np.random.default_rng(seed)
    strokes, now = [], 0.0
    for number, (pressure, duration) in enumerate(pairs):
        pa, seconds = PSI_1500 * pressure * rng.normal(1, noise), 6 * duration * rng.normal(1, noise)
        start, now = round(now * 1e6), now + seconds
        known = {"base_pa": pa, "catalyst_1_pa": pa, "catalyst_2_pa": pa, "balance_pa": 0.0}
        strokes.append(
            Stroke(
                part="base",
                no=number + 1,
                start_us=start,
                end_us=round(now * 1e6),
                balance_sustained_pa=0.0,
                balance_held_pa=0.0,
                direction=number % 2,
                flowing_s=seconds,
                whole=True,
                **known,
            )
        )
    return strokes


def apart(pulls) -> list[Stroke]:
    """The strokes of pulls with 5 s between them."""
    strokes = strokes_of([stroke for pull in pulls for stroke in pull])
    number = np.repeat(np.arange(len(pulls)), [len(pull) for pull in pulls])
    return [
        replace(stroke, start_us=stroke.start_us + wait, end_us=stroke.end_us + wait)
        for stroke, wait in zip(strokes, (number * 5_000_000).tolist(), strict=True)
    ]


@pytest.mark.parametrize("thinning", [0.35, 0.45, 0.6])
@pytest.mark.parametrize("slip", [0.1, 0.15, 0.3])
def test_what_a_worn_valve_lets_back_is_measured(slip, thinning):
    both = [stroke_of(slip=slip, thinning=thinning), stroke_of(thinning=thinning)]
    (wear,) = find_wear(strokes_of(both * 60), GaugeSettings())
    assert wear.slip_share == pytest.approx(slip, rel=0.15)
    assert wear.pressure_share > 0
    assert wear.duration_share > 0


def test_wear_that_grows_is_told_from_when_it_passes_the_limit():
    pairs = [stroke_of(slip=0.2 * n / 300 if n % 2 else 0.0) for n in range(300)]
    strokes = strokes_of(pairs)
    (wear,) = find_wear(strokes, GaugeSettings())
    began = next(n for n, stroke in enumerate(strokes) if stroke.start_us == wear.start_us)
    assert 0.07 < 0.2 * began / 300 < 0.1


def test_friction_that_differs_by_direction_is_no_wear():
    rough, smooth = stroke_of(friction=0.04), stroke_of()
    assert rough[0] < 0.985 * smooth[0]
    assert find_wear(strokes_of([rough, smooth] * 60), GaugeSettings()) == []


def test_strokes_of_all_lengths_say_nothing_of_wear():
    """As where reversals were missed or counted twice, and pulls of all lengths lie between them."""
    for seed in range(60):
        rng = np.random.default_rng([5, seed])
        lengths = rng.choice([0.5, 1.0, 1.0, 2.0], 120) * rng.lognormal(0, 0.2, 120)
        pairs = [(1.0, duration) for duration in lengths]
        assert find_wear(strokes_of(pairs, seed=seed), GaugeSettings()) == []


@pytest.mark.parametrize("thinning", [0.35, 0.45, 0.6])
def test_a_mixer_that_clogs_at_a_pump_that_gives_way_to_it(thinning):
    """The pump slows down, so the gauge shows less than half of what the same flow would need."""
    rise = np.linspace(0, 0.5, 300)
    pairs = [stroke_of(1 + more, thinning=thinning) for more in rise]
    assert pairs[-1][0] < 1.2
    found = find_clogging(strokes_of(pairs), GaugeSettings())
    # Of a fluid of another power it is a third off, and still far from nothing.
    assert found.rise == pytest.approx(0.48, abs=0.05 if thinning == 0.45 else 0.16)
    assert len(found.spans) == 1


def test_air_turned_up_is_no_clogging():
    slow = [(pressure * 0.8, duration * 0.8 ** (-1 / 0.45)) for pressure, duration in [stroke_of()] * 150]
    found = find_clogging(strokes_of(slow + [stroke_of()] * 150), GaugeSettings())
    assert found.rise == pytest.approx(0.0, abs=0.02)
    assert found.spans == []


def test_a_gun_held_half_open_for_a_while_is_no_clogging():
    """It needs pressure as a clogged mixer does, and is let go: a mixer does not free itself."""
    held = [stroke_of(1.5)] * 60
    found = find_clogging(strokes_of([stroke_of()] * 100 + held + [stroke_of()] * 100), GaugeSettings())
    assert found.rise == pytest.approx(0.0, abs=0.02)
    assert found.spans == []


def test_pulls_that_differ_by_the_trigger_are_no_clogging():
    """The last ones happen to be of a gun that is less open: of 20 shifts in one at most."""
    told = 0
    for seed in range(20):
        resistances = np.exp(np.random.default_rng(seed).normal(0, 0.2, 24))
        pulls = [[stroke_of(one)] * 15 for one in resistances]
        told += len(find_clogging(apart(pulls), GaugeSettings()).spans)
    assert told <= 1


def test_a_clogging_mixer_is_told_through_pulls_that_differ():
    spread = np.exp(np.random.default_rng(1).normal(0, 0.03, 24))
    pulls = [[stroke_of((1 + 0.02 * no) * by)] * 15 for no, by in enumerate(spread)]
    assert len(find_clogging(apart(pulls), GaugeSettings()).spans) == 1


def test_strokes_of_which_every_other_reversal_was_missed_are_no_clogging():
    """They seem to take twice as long, at a pressure that has not changed."""
    pressure, duration = stroke_of()
    found = find_clogging(
        strokes_of([(pressure, duration)] * 200 + [(pressure, 2 * duration)] * 100), GaugeSettings()
    )
    assert found.rise == pytest.approx(0.0, abs=0.03)
    assert found.spans == []


def test_a_mixer_that_was_replaced_had_clogged_until_then():
    before, after = [stroke_of(1 + more) for more in np.linspace(0, 0.5, 200)], [stroke_of()] * 100
    strokes = strokes_of(before + after)
    away_us = 200_000_000
    later = [replace(s, start_us=s.start_us + away_us, end_us=s.end_us + away_us) for s in strokes[200:]]
    (span,) = find_clogging(strokes[:200] + later, GaugeSettings()).spans
    assert strokes[55].start_us < span.start_us < strokes[75].start_us
    assert strokes[180].end_us < span.end_us < later[0].start_us
    assert span.rise == pytest.approx(0.45, abs=0.06)


def test_few_strokes_say_nothing():
    strokes = strokes_of([stroke_of(slip=0.3), stroke_of()] * 10)
    assert find_wear(strokes, GaugeSettings()) == []
    assert find_clogging(strokes, GaugeSettings()).rise is None
    assert find_wear([], GaugeSettings()) == []
