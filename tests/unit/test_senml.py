"""Gauge packs: what comes back is what went in; the quick way says what the slow way says."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edge.errors import InputError
from edge.senml import PACK_BYTES_MAX, GaugeColumns, _resolved_columns, gauge_columns, pack_rows
from edge.words import Gauge

NOW = 1_800_000_000.0
values = st.floats(-1e9, 1e9).map(lambda x: x + 0.0)
rows = st.lists(
    st.tuples(
        st.integers(1_600_000_000_000_000, 1_600_000_100_000_000),
        st.dictionaries(st.sampled_from(Gauge), values, min_size=1),
    ),
    min_size=1,
    max_size=12,
    unique_by=lambda row: row[0],
).map(lambda found: sorted(found, key=lambda row: row[0]))


def as_rows(columns):
    return [
        (at, {gauge: column[n] for gauge, column in columns.values.items() if column[n] is not None})
        for n, at in enumerate(columns.at_us)
    ]


@given(rows)
def test_rows_come_back_to_the_microsecond(sent):
    (columns,) = gauge_columns(pack_rows("hall-9", "pump-a", sent), "hall-9", NOW)
    assert columns.pump == "pump-a"
    assert as_rows(columns) == sent


labels = st.fixed_dictionaries(
    {},
    optional={
        "bn": st.sampled_from(["hall-9/pump-a/", "hall-9/pump-b/", "hall-9/pump-a/base", "x"]),
        "bt": st.sampled_from([1.6e9, 1.6e9 + 0.5, 0.0, 5e9]),
        "bu": st.sampled_from(["Pa", "Cel", "%RH"]),
        "n": st.sampled_from(["base", "catalyst_1", "ambient_temp", "pressure", ""]),
        "u": st.sampled_from(["Pa", "Cel", "psi"]),
        "v": st.sampled_from([0.0, 1, 2.5]),
        "t": st.sampled_from([0.0, 0.1, 1, -1.0, 1.6e9]),
        "vs": st.just("text"),
        "bv": st.just(10.0),
        "bver": st.sampled_from([5, 11]),
    },
)


@settings(max_examples=400)
@given(st.lists(labels, max_size=5))
def test_the_quick_way_says_what_the_slow_way_says(pack):
    payload = json.dumps(pack).encode()

    def outcome(way):
        try:
            return way(payload, "hall-9", NOW)
        except InputError as error:
            return str(error)

    assert outcome(gauge_columns) == outcome(_resolved_columns)


BASE = {"bn": "hall-9/pump-a/", "bt": 1.6e9, "bu": "Pa"}


def test_a_plain_device_may_send_one_gauge_a_record_in_any_order():
    pack = [
        {**BASE, "n": "base", "t": 1, "v": 2e6},
        {"n": "ambient_temp", "u": "Cel", "v": 21.5},
        {"n": "base", "v": 1e6},
    ]
    (columns,) = gauge_columns(json.dumps(pack).encode(), "hall-9", NOW)
    assert columns == GaugeColumns(
        "pump-a",
        [1_600_000_000_000_000, 1_600_000_001_000_000],
        {Gauge.AMBIENT_TEMP: [21.5, None], Gauge.BASE: [1e6, 2e6]},
    )


def test_of_two_readings_of_one_moment_the_first_stands():
    pack = [{**BASE, "n": "base", "v": 1}, {"n": "base", "v": 2}]
    (columns,) = gauge_columns(json.dumps(pack).encode(), "hall-9", NOW)
    assert columns.values == {Gauge.BASE: [1.0]}


def test_one_pack_may_speak_of_two_pumps():
    pack = [{**BASE, "n": "base", "v": 1}, {"bn": "hall-9/pump-b/", "n": "base", "v": 2}]
    assert [one.pump for one in gauge_columns(json.dumps(pack).encode(), "hall-9", NOW)] == [
        "pump-a",
        "pump-b",
    ]


@pytest.mark.parametrize(
    ("record", "says"),
    [
        ({"n": "base", "u": "psi", "v": 1}, "comes in psi, not Pa"),
        ({"n": "ambient_temp", "v": 20}, "comes in Pa, not Cel"),
        ({"n": "ambient_rh", "u": "%", "v": 0.4}, "comes in %, not %RH"),
        ({"n": "pressure", "v": 1}, "'pressure' is not known"),
        ({"bn": "hall-8/pump-a/", "n": "base", "v": 1}, "is not hall-9/<pump>/<gauge>"),
        ({"bn": "hall-9/Pump A/", "n": "base", "v": 1}, "has the name"),
        ({"n": "base", "vs": "high"}, "where a number belongs"),
        ({"n": "base", "vb": True}, "where a number belongs"),
        ({"n": "base", "v": 1, "bver": 11}, "version 11"),
        ({"n": "base", "v": 1, "rate_": 2}, "must be understood"),
        ({"n": "base", "v": 1, "t": 9e9}, "has the time"),
        ({"n": "base", "v": "1"}, "not SenML JSON"),
    ],
)
def test_what_is_wrong_is_named(record, says):
    with pytest.raises(InputError) as refused:
        gauge_columns(json.dumps([{**BASE, **record}]).encode(), "hall-9", NOW)
    assert says in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"{}",
        b"[",
        b"[1]",
        b"\xff\xfe",
        b'[{"n":"base","v":1e999}]',
        b'[{"n":"base","v":NaN}]',
        b"[" * 100_000,
    ],
)
def test_what_is_no_pack_is_refused(payload):
    with pytest.raises(InputError):
        gauge_columns(payload, "hall-9", NOW)


def test_a_pack_without_end_is_refused_unread():
    with pytest.raises(InputError, match="more than a pack's"):
        gauge_columns(b" " * (PACK_BYTES_MAX + 1), "hall-9", NOW)


@given(st.binary(max_size=200))
def test_any_other_bytes_are_refused_and_nothing_worse(payload):
    with pytest.raises(InputError):
        gauge_columns(b"?" + payload, "hall-9", NOW)


def test_broken_text_in_a_label_is_no_pack():
    # A label that nobody knows is passed over, but not where it is no text at all: what was "t" before a bit
    # flipped would leave a reading at another moment.
    payload = b'[{"n":"hall-9/pump-a/base","u":"Pa","v":1,"bt":1791893088,"\xff":5}]'
    with pytest.raises(InputError, match="not SenML JSON"):
        gauge_columns(payload, "hall-9", 0.0)
