"""Sparkplug B as the protobuf library writes it: names, aliases, types, times; and what is no payload."""

import random

import msgspec
import pytest

from edge.errors import InputError
from edge.sources.loop import Channel
from edge.sources.sparkplug import Gateway, SparkplugNode, decode_payload, rebirth_command
from edge.words import Gauge
from tests.shop.sparkplug import Payload, payload

NODE = SparkplugNode(
    group="hall-9",
    node="gateway-1",
    metrics={
        "Pump/Base Pressure": Channel(gauge=Gauge.BASE, unit="bar"),
        "Pump/Air": Channel(gauge=Gauge.AIR, unit="psi", loop_low=0.0, loop_high=150.0),
    },
)
SENT, TAKEN = 1_791_979_200_000, 1_791_979_199_500
NOW_US = 1_791_979_201_000_000


def base(**value):
    return {"name": "Pump/Base Pressure", "timestamp": TAKEN, **value}


# Types as the specification's 6.4.16 numbers them; signed ones travel as unsigned numbers of the same bits.
@pytest.mark.parametrize(
    ("value", "bar"),
    [
        ({"datatype": 9, "float_value": 131.5}, 131.5),
        ({"datatype": 10, "double_value": 131.25}, 131.25),
        ({"datatype": 1, "int_value": 0xFF}, -1),
        ({"datatype": 2, "int_value": 0xFFFE}, -2),
        ({"datatype": 2, "int_value": 0xFFFFFFFE}, -2),
        ({"datatype": 3, "int_value": 0xFFFFFFFD}, -3),
        ({"datatype": 4, "long_value": 2**64 - 4}, -4),
        ({"datatype": 6, "int_value": 0xFFFE}, 65534),
        ({"datatype": 7, "int_value": 4_000_000_000}, 4_000_000_000),
        ({"datatype": 8, "long_value": 5_000_000_000}, 5_000_000_000),
        ({"float_value": 7.5}, 7.5),
        ({"datatype": 9, "is_null": True}, None),
        ({"datatype": 9, "float_value": float("nan")}, None),
        ({"datatype": 10, "double_value": float("inf")}, None),
        ({"datatype": 12, "string_value": "131"}, None),
        ({"datatype": 11, "boolean_value": True}, None),
        ({"datatype": 9}, None),
    ],
)
def test_a_metric_becomes_a_reading(value, bar):
    (row,) = Gateway(NODE).rows("NDATA", payload(base(**value), timestamp=SENT, seq=1), NOW_US)
    assert row.at_us == TAKEN * 1000
    assert row.values == {Gauge.BASE: None if bar is None else pytest.approx(bar * 1e5)}


def test_a_birth_names_the_aliases_that_data_use():
    gateway = Gateway(NODE)
    birth = payload(
        base(alias=5, datatype=9, float_value=1.0),
        {"name": "bdSeq", "datatype": 8, "long_value": 0},
        {"name": "Pump/Air", "alias": 6, "datatype": 9, "float_value": 12.0, "timestamp": TAKEN},
        timestamp=SENT,
    )
    (row,) = gateway.rows("NBIRTH", birth, NOW_US)
    assert row.values == {Gauge.BASE: pytest.approx(1e5), Gauge.AIR: pytest.approx(75 * 6894.757293168361)}
    data = payload(
        {"alias": 5, "datatype": 9, "float_value": 2.0}, {"alias": 9, "float_value": 3.0}, timestamp=SENT
    )
    assert gateway.rows("NDATA", data, NOW_US) == [(SENT * 1000, {Gauge.BASE: pytest.approx(2e5)})]
    # Born anew, with other aliases: the old ones mean nothing any more.
    gateway.rows("NBIRTH", payload(base(alias=7, datatype=9, float_value=1.0), timestamp=SENT), NOW_US)
    assert gateway.rows("NDATA", data, NOW_US) == []


def test_a_failed_loop_behind_a_gateway_gives_no_reading():
    (row,) = Gateway(NODE).rows(
        "NDATA", payload({"name": "Pump/Air", "float_value": 3.5}, timestamp=SENT), NOW_US
    )
    assert row.values == {Gauge.AIR: None}


def test_metrics_of_several_moments_are_rows_in_order():
    told = payload(base(float_value=2.0), base(float_value=1.0) | {"timestamp": TAKEN - 100}, timestamp=SENT)
    assert [row.at_us for row in Gateway(NODE).rows("NDATA", told, NOW_US)] == [
        (TAKEN - 100) * 1000,
        TAKEN * 1000,
    ]


def test_without_a_time_the_moment_of_arrival_counts():
    told = payload({"name": "Pump/Base Pressure", "float_value": 2.0})
    assert [row.at_us for row in Gateway(NODE).rows("NDATA", told, NOW_US)] == [NOW_US]


def test_a_death_is_no_reading():
    assert Gateway(NODE).rows("NDEATH", payload({"name": "bdSeq", "long_value": 1}), NOW_US) == []


def test_topics_are_the_specifications():
    assert NODE.topics() == [
        *(f"spBv1.0/hall-9/{kind}/gateway-1" for kind in ("NBIRTH", "NDATA", "NDEATH")),
        *(f"spBv1.0/hall-9/{kind}/gateway-1/+" for kind in ("DBIRTH", "DDATA", "DDEATH")),
    ]


def sent(seq, alias=5, value=2.0):
    return payload({"alias": alias, "datatype": 9, "float_value": value}, timestamp=SENT, seq=seq)


def test_a_message_that_never_came_is_counted_and_births_are_asked_for():
    gateway = Gateway(NODE)
    gateway.rows("NBIRTH", payload(base(alias=5, float_value=1.0), timestamp=SENT, seq=0), NOW_US)
    # Another device's messages take numbers of the same run (specification 3.0, from memory).
    assert gateway.rows("DDATA", sent(1), NOW_US, device="other") == []
    assert len(gateway.rows("NDATA", sent(2), NOW_US)) == 1
    assert (gateway.missed, gateway.wants_rebirth) == (0, False)
    assert len(gateway.rows("NDATA", sent(5), NOW_US)) == 1
    assert (gateway.missed, gateway.wants_rebirth) == (2, True)
    gateway.wants_rebirth = False
    for seq in range(6, 256 + 6):
        gateway.rows("NDATA", sent(seq % 256), NOW_US)
    assert (gateway.missed, gateway.wants_rebirth) == (2, False)


def test_a_node_that_dies_and_is_born_anew_has_missed_nothing():
    gateway = Gateway(NODE)
    birth = payload(base(alias=5, float_value=1.0), timestamp=SENT, seq=0)
    gateway.rows("NBIRTH", birth, NOW_US)
    gateway.rows("NDEATH", payload({"name": "bdSeq", "long_value": 1}), NOW_US)
    gateway.rows("NBIRTH", birth, NOW_US)
    gateway.rows("NDATA", sent(1), NOW_US)
    assert (gateway.missed, gateway.wants_rebirth) == (0, False)


def test_an_alias_that_no_birth_has_named_asks_for_one():
    gateway = Gateway(NODE)
    assert gateway.rows("NDATA", sent(17), NOW_US) == []
    assert (gateway.missed, gateway.wants_rebirth) == (0, True)


def test_a_device_takes_its_own_metrics_and_aliases_alone():
    gateway = Gateway(msgspec.structs.replace(NODE, device="press"))
    named = payload(base(alias=5, float_value=1.0), timestamp=SENT, seq=0)
    assert gateway.rows("NBIRTH", named, NOW_US) == []
    assert len(gateway.rows("DBIRTH", named, NOW_US, device="press")) == 1
    gateway.rows("DBIRTH", payload({"name": "Other", "alias": 5}, seq=2), NOW_US, device="saw")
    assert len(gateway.rows("DDATA", sent(3), NOW_US, device="press")) == 1


def test_the_command_for_births_is_read_by_the_protobuf_library_as_the_specification_has_it():
    # Specification 3.0, from memory: an NCMD with the metric 'Node Control/Rebirth', boolean, true.
    told = Payload.FromString(rebirth_command(SENT))
    (metric,) = told.metrics
    assert (told.timestamp, metric.name, metric.datatype, metric.boolean_value) == (
        SENT,
        "Node Control/Rebirth",
        11,
        True,
    )
    assert NODE.command_topic() == "spBv1.0/hall-9/NCMD/gateway-1"


@pytest.mark.parametrize(
    "data",
    [
        *(b"\x80", b"\x08", b"\x12\x05ab", b"\x0b", b"\xff" * 20, b"\x09\x01", b"\x12\x02\x0a\xff"),
        *(b"\x08\xff\xff\xff\xff\xff\x7f", b"\x12\x03\x0a\x01\xff", b"x" * (1024 * 1024 + 1)),
    ],
)
def test_what_is_no_payload_is_refused(data):
    with pytest.raises(InputError, match="not a payload"):
        decode_payload(data)


def test_any_bytes_are_read_or_refused():
    rng = random.Random(5)
    good = payload(
        base(alias=5, datatype=9, float_value=1.0), base(datatype=4, long_value=7), timestamp=SENT, seq=3
    )
    read = 0
    for _ in range(5_000):
        data = bytearray(good)
        for _ in range(rng.randint(1, 5)):
            data[rng.randrange(len(data))] = rng.randrange(256)
        try:
            rows = Gateway(NODE).rows("NBIRTH", bytes(data[: rng.randint(0, len(data))]), NOW_US)
        except InputError:
            continue
        read += 1
        assert all(abs(value) < 1e60 for row in rows for value in row.values.values() if value is not None)
    assert read > 50
