"""A release on the broker is good for a while only, and only while the pump's gauges are heard."""

from datetime import timedelta

import pytest

from pipeline.land.andon import VALID_S, Heard, Standing, standing_now
from tests.running import START

SILENT_S = 120.0


def after(seconds):
    return START + timedelta(seconds=seconds)


RELEASE = Standing("release", after(-3600), ())
HOLD = Standing("hold", after(-60), ("Smear test failed.",))


def told(judged, heard, now, silent_s=SILENT_S):
    return standing_now(judged, heard, silent_s, START, now)


def test_a_release_is_good_until_the_pump_could_be_silent_too_long():
    heard = Heard(after(100), after(99))
    assert told(RELEASE, heard, after(101)).valid_until == after(101 + VALID_S)
    assert told(RELEASE, heard, after(200)).valid_until == after(99 + SILENT_S)
    assert told(RELEASE, heard, after(200)).state == "release"


@pytest.mark.parametrize(
    "heard",
    [
        None,
        Heard(after(100), after(99)),
        Heard(after(490), after(-86_400)),  # a backlog drains: nobody hears the pump now
        Heard(after(100), after(86_400)),  # a clock that runs a day ahead
    ],
    ids=["never", "no more", "old readings only", "clock ahead"],
)
def test_a_silent_pump_is_held_with_the_reason(heard):
    now = told(RELEASE, heard, after(500))
    assert now.state == "hold" and now.valid_until is None
    assert now.reasons[0].startswith("No gauge reading since 2026-10-1")


def test_at_the_start_no_pump_is_released_before_it_is_heard():
    assert told(RELEASE, None, after(0)).state == "hold"
    assert told(RELEASE, Heard(after(1), after(1)), after(1)).state == "release"


def test_a_hold_keeps_its_own_reasons_and_never_runs_out():
    now = told(HOLD, None, after(500))
    assert (now.state, now.reasons, now.since, now.valid_until) == ("hold", HOLD.reasons, HOLD.since, None)


def test_a_site_without_gauges_is_told_of_by_its_records_alone():
    now = told(RELEASE, None, after(500), silent_s=None)
    assert (now.state, now.valid_until) == ("release", after(500 + VALID_S))
