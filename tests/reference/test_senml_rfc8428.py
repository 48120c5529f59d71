"""SenML packs resolve as RFC 8428 prints them.

Its examples in 5.1.2, 5.1.3 (resolved in 5.1.4), 5.1.5, 5.1.6; its rules in 4.4, 4.5.1, 4.5.3, 4.5.4.
"""

import base64
import json
from datetime import UTC, datetime

import pytest

from edge.errors import InputError
from edge.senml import RELATIVE_BELOW, decode_pack, resolve
from edge.words import GAUGE_UNIT

NOW = 1_800_000_000.0


def resolved(pack, now=NOW):
    return resolve(decode_pack(json.dumps(pack).encode()), now)


def test_multiple_records_resolve_to_the_printed_thirteen():
    # RFC 8428, 5.1.3 and 5.1.4.
    rows = [
        (None, None, 20.0), (None, "lon", 24.30621), (None, "lat", 60.07965),
        (60, None, 20.3), (60, "lon", 24.30622), (60, "lat", 60.07965),
        (120, None, 20.7), (120, "lon", 24.30623), (120, "lat", 60.07966),
        (150, "%EL", 98.0),
        (180, None, 21.2), (180, "lon", 24.30628), (180, "lat", 60.07967),
    ]  # fmt: skip
    pack = [
        {key: value for key, value in (("t", t), ("u", u), ("v", v)) if value is not None} for t, u, v in rows
    ]
    pack[0] |= {"bn": "urn:dev:ow:10e2073a01080063", "bt": 1320067464, "bu": "%RH"}
    found = resolved(pack)
    assert {one.name for one in found} == {"urn:dev:ow:10e2073a01080063"}
    assert [one.unit for one in found] == [u or "%RH" for _, u, _ in rows]
    assert [one.value for one in found] == [v for _, _, v in rows]
    assert [one.time for one in found] == [
        *[1320067464] * 3, *[1320067524] * 3, *[1320067584] * 3, 1320067614, *[1320067644] * 3
    ]  # fmt: skip


def test_a_base_name_joins_a_unit_overrides_and_the_past_comes_first():
    # RFC 8428, 5.1.2; 4.6 asks for order of time.
    pack = [
        {
            "bn": "urn:dev:ow:10e2073a0108006:",
            "bt": 1.276020076001e9,
            "bu": "A",
            "bver": 5,
            "n": "voltage",
            "u": "V",
            "v": 120.1,
        },
        *(
            {"n": "current", "t": t, "v": v}
            for t, v in zip(range(-5, 0), (1.2, 1.3, 1.4, 1.5, 1.6), strict=True)
        ),
        {"n": "current", "v": 1.7},
    ]
    found = resolved(pack)
    current = [one for one in found if one.name == "urn:dev:ow:10e2073a0108006:current"]
    assert [(one.value, one.unit) for one in current] == [(v, "A") for v in (1.2, 1.3, 1.4, 1.5, 1.6, 1.7)]
    assert [round(one.time, 3) for one in current] == [1276020071.001 + n for n in range(6)]
    (voltage,) = (one for one in found if one.name.endswith("voltage"))
    assert (voltage.value, voltage.unit, round(voltage.time, 3)) == (120.1, "V", 1276020076.001)
    assert found[0].time == min(one.time for one in found)


def test_text_truth_and_data_are_carried():
    # RFC 8428, 5.1.5; the data value is base64url without padding.
    pack = [
        {"bn": "urn:dev:ow:10e2073a01080063:", "n": "temp", "u": "Cel", "v": 23.1},
        {"n": "label", "vs": "Machine Room"},
        {"n": "open", "vb": False},
        {"n": "nfc-reader", "vd": "aGkgCg"},
    ]
    assert [one.value for one in resolved(pack)] == [23.1, "Machine Room", False, "aGkgCg"]
    assert base64.urlsafe_b64decode("aGkgCg==") == b"\x68\x69\x20\x0a"


def test_a_base_of_an_earlier_record_lives_on():
    # RFC 8428, 5.1.6.
    pack = [
        {"bn": "2001:db8::2/", "bt": 1320078429, "n": "temperature", "u": "Cel", "v": 25.2},
        {"n": "humidity", "u": "%RH", "v": 30},
        {"bn": "2001:db8::1/", "n": "temperature", "u": "Cel", "v": 12.3},
        {"n": "humidity", "u": "%RH", "v": 67},
    ]
    fourth = resolved(pack)[3]
    assert (fourth.name, fourth.time, fourth.value) == ("2001:db8::1/humidity", 1320078429, 67)


def test_our_gauges_come_in_registered_units():
    # RFC 8428, 12.1: Pa, Cel and %RH are registered; % is a ratio, psi and bar are named as not to be used.
    assert set(GAUGE_UNIT.values()) == {"Pa", "Cel", "%RH"}


@pytest.mark.parametrize(
    ("time", "absolute"),
    [
        (0, NOW),
        (-5, NOW - 5),
        (RELATIVE_BELOW - 1, NOW + RELATIVE_BELOW - 1),
        (RELATIVE_BELOW, RELATIVE_BELOW),
        (1320067464, 1320067464),
    ],
)
def test_times_below_two_to_the_28_are_relative_to_now(time, absolute):
    # RFC 8428, 4.5.3.
    assert resolved([{"n": "a", "t": time, "v": 1}])[0].time == absolute


@pytest.mark.parametrize(
    ("unix", "printed"),
    [
        (RELATIVE_BELOW, "1978-07-04T21:24:16+00:00"),
        (1276020076.001, "2010-06-08T18:01:16.001000+00:00"),
        (1320067464, "2011-10-31T13:24:24+00:00"),
        (1320078429, "2011-10-31T16:27:09+00:00"),
    ],
)
def test_the_examples_times_are_what_they_are_said_to_be(unix, printed):
    (one,) = resolved([{"n": "a", "t": unix, "v": 1}])
    assert datetime.fromtimestamp(one.time, UTC).isoformat() == printed


def test_base_and_own_value_are_added_and_a_missing_one_counts_as_nought():
    # RFC 8428, 4.5.4.
    found = resolved([{"n": "a", "bv": 101325, "v": -12.5}, {"n": "b", "t": 1}])
    assert [one.value for one in found] == [101312.5, 101325.0]
    found = resolved([{"n": "a", "bs": 10, "s": 2.5}, {"n": "b"}])
    assert [one.sum for one in found] == [12.5, 10.0]


@pytest.mark.parametrize("name", ["-a", ".a", "/a", "_a", ":a", "", "a b", "a,b", "ä", "a\n"])
def test_names_outside_the_alphabet_are_refused(name):
    # RFC 8428, 4.5.1: A-Z a-z 0-9 - : . / _ and a letter or digit first.
    with pytest.raises(InputError, match="has the name"):
        resolved([{"n": name, "v": 1}])


def test_a_newer_version_and_a_label_that_must_be_understood_are_refused_other_labels_ignored():
    # RFC 8428, 4.4: the default version is 10; labels that end in "_" must be understood.
    assert resolved([{"bver": 10, "n": "a", "v": 1, "extra": {"any": 1}}])
    for record in ({"bver": 11}, {"must_": 1}):
        with pytest.raises(InputError):
            resolved([{**record, "n": "a", "v": 1}])
