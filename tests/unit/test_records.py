"""Records: what comes back is what went in, and what is malformed is refused in one sentence."""

import json
from datetime import UTC, datetime
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.errors import InputError
from edge.ids import uuid7
from edge.records import (
    RECORD_BYTES_MAX,
    Adjustment,
    AnyPlainRecord,
    BeadReading,
    Catch,
    Changeover,
    Correction,
    RatioCheck,
    ReleaseOverride,
    SmearCall,
    SnapTime,
    UnitStarted,
    decode_record,
    encode_record,
    kind_of,
)

moments = st.datetimes(datetime(2000, 1, 1), datetime(2099, 1, 1), timezones=st.just(UTC))
names = st.from_regex(r"[a-z0-9][a-z0-9-]{0,20}", fullmatch=True)
texts = st.text(st.characters(codec="utf-8"), min_size=1, max_size=40)
heads = st.fixed_dictionaries(
    {
        "id": st.uuids(version=4),
        "site": names,
        "pump": names,
        "at": moments,
        "by": texts,
        "note": st.text(st.characters(codec="utf-8"), max_size=40),
    }
)
grams = st.floats(0.1, 1e4)
catches = st.builds(Catch, base_g=grams, curing_agent_g=grams)


def of(kind: type, **fields: st.SearchStrategy[object]) -> st.SearchStrategy[AnyPlainRecord]:
    return st.builds(lambda head, own: kind(**head, **own), heads, st.fixed_dictionaries(fields))


plain = st.one_of(
    of(SmearCall, call=st.sampled_from(["pass", "fail"]), sheet=st.none() | st.text(max_size=10)),
    of(
        SnapTime,
        minutes=st.floats(0.1, 600),
        base_lot=st.none() | texts,
        temp_degc=st.none() | st.floats(-40, 80),
    ),
    of(RatioCheck, catches=st.lists(catches, min_size=1, max_size=4).map(tuple)),
    of(
        BeadReading,
        bead=texts,
        mark=texts,
        age_h=st.floats(0, 100),
        shore_a=st.lists(st.floats(0, 100), min_size=1, max_size=5).map(tuple),
    ),
    of(
        Changeover, part=st.sampled_from(["base", "curing_agent"]), new_lot=texts, expires=st.none() | moments
    ),
    of(Adjustment, of=st.sampled_from(["balance", "ratio", "pressure", "other"]), did=texts),
    of(UnitStarted, unit=texts),
    of(ReleaseOverride, state=st.sampled_from(["release", "hold"]), reason=texts, until=moments),
)
records = plain | of(Correction, supersedes=st.uuids(), reason=texts, corrected=st.none() | plain)


@given(records)
def test_a_record_comes_back_as_it_was(record):
    assert decode_record(encode_record(record)) == record


@given(records)
def test_the_wire_carries_the_kind_and_every_common_field(record):
    wire = json.loads(encode_record(record))
    assert wire["kind"] == kind_of(record)
    assert {"id", "site", "pump", "at", "by"} <= wire.keys()


GOOD = {
    "kind": "snap_time",
    "id": "01a13a16-4360-7061-8000-000000000001",
    "site": "hall-9",
    "pump": "pump-a",
    "at": "2026-10-14T11:56:00Z",
    "by": "R. Okafor",
    "minutes": 42,
}


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"kind": "snap"}, "kind"),
        ({"minutes": 0}, "minutes"),
        ({"minutes": 1e9}, "minutes"),
        ({"minutes": "42"}, "minutes"),
        ({"site": "Hall 9"}, "site"),
        ({"site": "hall-9\n"}, "site"),
        ({"pump": "../../etc"}, "pump"),
        ({"at": "2026-10-14T11:56:00"}, "at"),
        ({"at": "yesterday"}, "at"),
        ({"id": "1"}, "id"),
        ({"by": ""}, "by"),
        ({"lot": "C-1"}, "lot"),
    ],
)
def test_a_bad_field_is_named(change, says):
    with pytest.raises(InputError) as refused:
        decode_record(json.dumps({**GOOD, **change}).encode())
    assert says in str(refused.value)
    assert "\n" not in str(refused.value)


@given(st.binary(max_size=200))
def test_any_other_bytes_are_refused_and_nothing_worse(payload):
    with pytest.raises(InputError):
        decode_record(payload)


def test_deep_nesting_and_great_length_are_refused():
    with pytest.raises(InputError):
        decode_record(b'{"kind":' + b"[" * 100_000)
    with pytest.raises(InputError, match="more than a record's"):
        decode_record(b" " * (RECORD_BYTES_MAX + 1))


def test_a_correction_cannot_correct_a_correction():
    inner = {**GOOD, "kind": "correction", "supersedes": GOOD["id"], "reason": "typed wrong"}
    del inner["minutes"]
    with pytest.raises(InputError):
        decode_record(json.dumps({**inner, "corrected": inner}).encode())


def test_uuid7_is_laid_out_as_the_rfc_says():
    # RFC 9562, appendix A.6 (from memory): Unix time 0x017F22E279B0 [ms] gives 017F22E2-79B0-7CC3-...
    made = uuid7(0x017F22E279B0)
    assert str(made).startswith("017f22e2-79b0-7")
    assert made.version == 7
    assert made.variant == UUID("017F22E2-79B0-7CC3-98C4-DC0C0C07398F").variant


def test_ids_made_later_sort_later():
    assert uuid7(1_000) < uuid7(1_001) < uuid7(2_000_000_000_000)
