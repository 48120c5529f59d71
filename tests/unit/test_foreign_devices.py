"""Plain SenML of devices that nobody here wrote: packed any way RFC 8428 allows, stored once and right."""

import json
from datetime import UTC, datetime

import pytest

from edge.wire import Address, Channel
from pipeline.history import History
from pipeline.land.batch import Message
from pipeline.land.landing import Landing

START = datetime(2026, 10, 14, 11, tzinfo=UTC)
BEGUN = START.timestamp()
TOPIC = Address("hall-9", "panel-3", Channel.GAUGES).topic()


@pytest.fixture
def history(tmp_path):
    return History(tmp_path)


@pytest.fixture
def landing(history):
    return Landing(history, clock=lambda: START)


def sent(*records, at=START):
    return Message(TOPIC, json.dumps(records).encode(), at)


def rows(history, *columns):
    found = history.read("gauge_samples").sort_by([("pump", "ascending"), ("at", "ascending")]).to_pylist()
    return [((row["at"] - START).total_seconds(), *(row[column] for column in columns)) for row in found]


def test_a_base_name_may_stand_alone_and_change_within_a_pack(landing, history):
    landing.land(
        [
            sent(
                {"bn": "hall-9/pump-a/", "bt": BEGUN, "bu": "Pa"},
                {"n": "base", "v": 1e7},
                {"n": "base", "t": 1, "v": 2e7},
                {"bn": "hall-9/pump-b/"},
                {"n": "base", "t": 2, "v": 3e7},
            )
        ]
    )
    assert rows(history, "pump", "base_pa") == [(0, "pump-a", 1e7), (1, "pump-a", 2e7), (2, "pump-b", 3e7)]


def test_times_may_be_relative_to_now_and_in_any_order(landing, history):
    name = {"bn": "hall-9/pump-a/", "bu": "Pa"}
    landing.land(
        [
            sent(
                {**name, "n": "base", "v": 3e6},
                {"n": "base", "t": -2, "v": 1e6},
                {"n": "base", "t": -1, "v": 2e6},
            )
        ]
    )
    assert rows(history, "base_pa") == [(-2, 1e6), (-1, 2e6), (0, 3e6)]


def test_values_may_be_sums_of_base_and_own(landing, history):
    # RFC 8428, 4.5.4: 101325 and -12.5 are 101312.5; a missing own value counts as 0.
    base = {"bn": "hall-9/pump-a/", "bt": BEGUN, "bu": "Pa", "bv": 101325}
    landing.land([sent({**base, "n": "base", "v": -12.5}, {"n": "air", "t": 1})])
    assert rows(history, "base_pa", "air_pa") == [(0, 101312.5, None), (1, None, 101325)]


def test_a_gauge_a_message_makes_one_row_a_moment(landing, history):
    for gauge, value in (("base", 1e6), ("catalyst_1", 2e6), ("air", 3e5)):
        landing.land([sent({"n": f"hall-9/pump-a/{gauge}", "t": BEGUN, "u": "Pa", "v": value})])
    assert rows(history, "base_pa", "catalyst_1_pa", "air_pa") == [(0, 1e6, 2e6, 3e5)]


def test_the_same_sample_any_number_of_times_is_one_and_the_first_stands(landing, history):
    one = sent({"n": "hall-9/pump-a/base", "t": BEGUN, "u": "Pa", "v": 1e6})
    other = sent({"n": "hall-9/pump-a/base", "t": BEGUN, "u": "Pa", "v": 2e6})
    landing.land([one, one, other])
    landing.land([other, one])
    Landing(History(history.home)).land([other])
    assert rows(history, "base_pa") == [(0, 1e6)]


def test_temperature_and_humidity_come_in_their_units(landing, history):
    landing.land(
        [
            sent(
                {"bn": "hall-9/pump-a/", "bt": BEGUN, "n": "ambient_temp", "u": "Cel", "v": 21.5},
                {"n": "ambient_rh", "u": "%RH", "v": 48.0},
            )
        ]
    )
    assert rows(history, "ambient_temp_degc", "ambient_rh_pct") == [(0, 21.5, 48.0)]


@pytest.mark.parametrize(
    ("record", "says"),
    [
        ({"u": "psi"}, "comes in psi, not Pa"),
        ({"u": None}, "comes in no unit, not Pa"),
        ({"n": "hall-9/pump-a/flow"}, "'flow' is not known"),
        ({"n": "hall-8/pump-a/base"}, "is not hall-9/<pump>/<gauge>"),
        ({"n": "hall-9/Pump A/base"}, "record 1 has the name"),
        ({"n": "_x"}, "record 1 has the name"),
        ({"v": None}, "holds no reading"),
        ({"v": None, "vs": "12"}, "'12' where a number belongs"),
        ({"v": None, "vb": True}, "'True' where a number belongs"),
        ({"bver": 11}, "version 11 is newer than 10"),
        ({"calib_": 1}, "'calib_' must be understood"),
        ({"t": 1e300}, "has the time 1e+300"),
        ({"t": BEGUN + 4 * 366 * 86_400}, "more than a year ahead"),
    ],
)
def test_what_can_not_be_taken_is_set_aside_and_the_rest_goes_on(landing, history, record, says):
    told = {"n": "hall-9/pump-a/base", "t": BEGUN, "u": "Pa", "v": 1e6} | record
    told = {key: value for key, value in told.items() if value is not None}
    good = sent({"n": "hall-9/pump-a/base", "t": BEGUN + 1, "u": "Pa", "v": 2e6})
    moved = landing.land([sent(told), good])
    assert (moved.samples, moved.rejected) == (1, 1)
    (row,) = history.read("rejected").to_pylist()
    assert says in row["reason"]
    assert (row["edge"], row["stream"], row["topic"]) == ("panel-3", None, TOPIC)


def test_unknown_labels_are_passed_over(landing, history):
    landing.land(
        [sent({"n": "hall-9/pump-a/base", "t": BEGUN, "u": "Pa", "v": 1e6, "x": [{}], "ut": 5, "note": "?"})]
    )
    assert rows(history, "base_pa") == [(0, 1e6)]


@pytest.mark.parametrize("since", [61, 3_600, 86_400, 400 * 86_400])
def test_a_device_whose_clock_was_never_set_tells_of_no_time_to_come(landing, history, since):
    # A board that counts from 1970 or its start sends small times, which SenML reads as relative to now.
    landing.land([sent({"n": "hall-9/pump-a/base", "t": float(since), "u": "Pa", "v": 1e6})])
    assert rows(history) == []
    (row,) = history.read("rejected").to_pylist()
    assert "set the device's clock" in row["reason"]
