"""Landing: committed once whatever comes twice, out of turn or half-way; what is malformed is set aside."""

import hashlib
import json
from datetime import UTC, datetime, timedelta

import pytest

from edge.ids import uuid7
from edge.records import ContactLoss, Correction, SnapTime, UnitStarted, encode_record
from edge.senml import pack_rows
from edge.wire import Address, Channel, OutboxNote, PhotoHead, Sender, frame_photo
from edge.words import Gauge
from pipeline.history import History
from pipeline.land.batch import Message
from pipeline.land.landing import Landing
from pipeline.tables import TABLES

START = datetime(2026, 10, 14, 11, tzinfo=UTC)
START_US = round(START.timestamp() * 1e6)
STREAM, OTHER = "a" * 32, "b" * 32
KEY = ("hall-9", "edge-a", STREAM)


@pytest.fixture
def history(tmp_path):
    return History(tmp_path)


@pytest.fixture
def landing(history):
    return Landing(history, clock=lambda: START)


def message(seq, payload, channel=Channel.GAUGES, stream=STREAM, site="hall-9"):
    return Message(Address(site, "edge-a", channel, stream, seq).topic(), payload, START)


def pack(second, pump="pump-a", rows=10, gauges=(Gauge.BASE, Gauge.CATALYST_1)):
    first = START_US + second * 1_000_000
    return pack_rows(
        "hall-9", pump, [(first + 100_000 * n, dict.fromkeys(gauges, 1000000.0 + n)) for n in range(rows)]
    )


def gauges(seq, stream=STREAM, **kind):
    return message(seq, pack(seq, **kind), stream=stream)


def a_record(kind=UnitStarted, **fields):
    fields = {"unit": "H9-1"} if kind is UnitStarted else fields
    return kind(id=uuid7(), site="hall-9", pump="pump-a", at=START, by="R. Okafor", **fields)


def photo(data=b"\xff\xd8\xff picture", pump="pump-a", digest=None):
    head = PhotoHead(
        sha256=digest or hashlib.sha256(data).hexdigest(), pump=pump, taken_at=START, by="R. Okafor"
    )
    return frame_photo(head, data)


def landed_seqs(history):
    rows = history.read("gauge_samples", columns=["seq"]).column("seq").to_pylist()
    return {seq: rows.count(seq) for seq in rows}


def test_a_batch_is_committed_and_receipted_through_its_last_message(landing, history):
    record = a_record()
    moved = landing.land(
        [gauges(1), message(2, encode_record(record), Channel.RECORD), message(3, photo(), Channel.PHOTO)]
    )
    assert moved.through == {KEY: 3}
    assert (moved.samples, moved.records, moved.photos, moved.rejected) == (10, 1, 1, 0)
    assert moved.touched == {("hall-9", "pump-a", START.date())}
    (row,) = history.read("records").to_pylist()
    assert (row["id"], row["kind"], row["seq"]) == (str(record.id), "unit_started", 2)
    assert row["body"].encode() == encode_record(record)
    (row,) = history.read("photos").to_pylist()
    assert (
        history.home / "photos" / row["sha256"][:2] / row["sha256"]
    ).read_bytes() == b"\xff\xd8\xff picture"


def test_readings_stand_where_they_belong_and_what_is_not_measured_is_null(landing, history):
    rows = [(START_US, {Gauge.BASE: 1.5e6, Gauge.AMBIENT_TEMP: 21.5}), (START_US + 1, {Gauge.BASE: 2e6})]
    landing.land([message(1, pack_rows("hall-9", "pump-a", rows))])
    one, two = history.read("gauge_samples").sort_by("at").to_pylist()
    assert (one["base_pa"], one["ambient_temp_degc"], one["air_pa"]) == (1.5e6, 21.5, None)
    assert (two["base_pa"], two["ambient_temp_degc"]) == (2e6, None)
    assert two["at"] - one["at"] == timedelta(microseconds=1)
    assert (one["edge"], one["stream"], one["seq"], one["landed_at"]) == ("edge-a", STREAM, 1, START)


def test_a_message_that_comes_again_is_receipted_again_and_stored_once(landing, history):
    landing.land([gauges(1), gauges(2)])
    moved = landing.land([gauges(2), gauges(1), gauges(2)])
    assert moved.through == {KEY: 2}
    assert moved.samples == 0
    assert landed_seqs(history) == {1: 10, 2: 10}


def test_a_message_ahead_of_a_missing_one_waits_for_it(landing, history):
    assert landing.land([gauges(2), gauges(4), gauges(3)]).through == {KEY: 0}
    assert landed_seqs(history) == {}
    assert landing.land([gauges(1)]).through == {KEY: 4}
    assert landed_seqs(history) == {1: 10, 2: 10, 3: 10, 4: 10}


def test_another_landing_goes_on_where_the_tables_say(landing, history):
    landing.land([gauges(1), message(2, encode_record(a_record()), Channel.RECORD)])
    landing.land([gauges(3)])
    again = Landing(History(history.home))
    assert again.land([gauges(3)]).through == {KEY: 3}
    assert again.land([gauges(4)]).through == {KEY: 4}
    assert landed_seqs(history) == {1: 10, 3: 10, 4: 10}


def test_a_batch_of_nothing_new_is_still_remembered_as_receipted(landing, history):
    landing.land([gauges(1)])
    doubled = message(1, pack(1), stream=OTHER)
    assert landing.land([doubled]).through == {("hall-9", "edge-a", OTHER): 1}
    again = Landing(History(history.home))
    assert again.land([gauges(2, stream=OTHER)]).through == {("hall-9", "edge-a", OTHER): 2}


@pytest.mark.parametrize("died_after", ["photos", "records", "gauge_samples"])
def test_a_batch_begun_again_after_a_crash_adds_only_what_is_missing(history, monkeypatch, died_after):
    record = encode_record(a_record())
    batch = [
        gauges(1),
        message(2, record, Channel.RECORD),
        message(3, photo(), Channel.PHOTO),
        message(4, b"no pack"),
        gauges(5),
    ]
    append = History.append

    def die(self, name, rows, transactions=None):
        append(self, name, rows, transactions)
        if name == died_after:
            raise KeyboardInterrupt

    monkeypatch.setattr(History, "append", die)
    with pytest.raises(KeyboardInterrupt):
        Landing(history).land(batch)
    monkeypatch.undo()
    again = Landing(History(history.home))
    # Sent again in other company: the first ones by themselves, the rest with more.
    assert again.land(batch[:2]).through == {KEY: 2}
    assert again.land([*batch, gauges(6)]).through == {KEY: 6}
    assert landed_seqs(history) == {1: 10, 5: 10, 6: 10}
    assert [history.read(table).num_rows for table in ("records", "photos", "rejected")] == [1, 1, 1]


def test_the_same_by_another_stream_is_stored_once(landing, history):
    record = encode_record(a_record())
    for stream in (STREAM, OTHER):
        landing.land(
            [
                gauges(1, stream),
                message(2, record, Channel.RECORD, stream),
                message(3, photo(), Channel.PHOTO, stream),
            ]
        )
    assert [history.read(table).num_rows for table in ("gauge_samples", "records", "photos")] == [10, 1, 1]


def test_rows_older_than_the_latest_are_taken_if_they_are_new(landing, history):
    landing.land([message(1, pack(100))])
    landing.land([message(2, pack(50)), message(3, pack(100)), message(4, pack(-86_400))])
    moved = Landing(History(history.home)).land([message(1, pack(50), stream=OTHER)])
    assert (moved.samples, moved.already) == (0, 10)
    assert history.read("gauge_samples").num_rows == 30
    assert len(set(history.read("gauge_samples").column("at").to_pylist())) == 30


def test_gauges_that_come_by_themselves_join_the_row_of_their_moment(landing, history):
    base, catalyst = pack(1, gauges=[Gauge.BASE]), pack(1, gauges=[Gauge.CATALYST_1], rows=4)
    topic = Address("hall-9", "plc-3", Channel.GAUGES).topic()
    moved = landing.land([Message(topic, base, START)])
    assert (moved.through, moved.samples) == ({}, 10)
    landing.land([Message(topic, catalyst, START), Message(topic, base, START)])
    rows = history.read("gauge_samples").sort_by("at").to_pylist()
    assert [row["base_pa"] for row in rows] == [1e6 + n for n in range(10)]
    assert [row["catalyst_1_pa"] for row in rows] == [1e6, 1e6 + 1, 1e6 + 2, 1e6 + 3, *[None] * 6]


BAD = {
    "not JSON": (b"{", Channel.GAUGES, "not SenML JSON"),
    "wrong unit": (
        b'[{"bn":"hall-9/pump-a/","bt":1.6e9,"n":"base","u":"psi","v":1}]', Channel.GAUGES, "comes in psi"
    ),
    "unknown gauge": (
        b'[{"bn":"hall-9/pump-a/","bt":1.6e9,"n":"flow","u":"Pa","v":1}]', Channel.GAUGES, "'flow' is not"
    ),
    "another site": (
        b'[{"bn":"hall-8/pump-a/","bt":1.6e9,"n":"base","u":"Pa","v":1}]', Channel.GAUGES, "is not hall-9/"
    ),
    "no reading": (b"[]", Channel.GAUGES, "holds no reading"),
    "no picture": (photo(b"GIF89a"), Channel.PHOTO, "are no picture"),
    "cut short": (photo()[:-2], Channel.PHOTO, "do not match the digest"),
    "a gigabyte": (b"\x40\0\0\0" + photo(), Channel.PHOTO, "claims 1073741824 bytes"),
    "no record": (b'{"kind":"snap"}', Channel.RECORD, "not a record"),
    "record of another site": (
        encode_record(a_record()).replace(b"hall-9", b"hall-8"), Channel.RECORD, "is of site hall-8"
    ),
}  # fmt: skip


@pytest.mark.parametrize(("payload", "channel", "says"), BAD.values(), ids=BAD.keys())
def test_what_is_malformed_is_set_aside_with_the_reason_and_stops_nothing(
    landing, history, payload, channel, says
):
    moved = landing.land([gauges(1), message(2, payload, channel), gauges(3)])
    assert moved.through == {KEY: 3}
    assert (moved.samples, moved.rejected) == (20, 1)
    (row,) = history.read("rejected").to_pylist()
    assert says in row["reason"]
    assert (row["site"], row["edge"], row["stream"], row["seq"]) == ("hall-9", "edge-a", STREAM, 2)
    assert (history.home / "rejected" / row["sha256"]).read_bytes() == payload
    assert row["size_bytes"] == len(payload)


@pytest.mark.parametrize(
    ("topic", "site"),
    [("beadbook/v1/hall-9/edge-a/gauges/x/1", "hall-9"), ("beadbook/v1/Hall 9/edge-a/gauges", None)],
)
def test_a_topic_of_nobody_is_set_aside_too_and_told_to_the_site_it_names(landing, history, topic, site):
    moved = landing.land([Message(topic, b"[]", START)] * 2)
    assert (moved.through, moved.rejected) == ({}, 1)
    (row,) = history.read("rejected").to_pylist()
    assert (row["site"], row["stream"]) == (site, None)


def test_a_truncated_jpeg_is_evidence_and_lands(landing):
    assert landing.land([message(1, photo(b"\xff\xd8\xff\xe0 cut"), Channel.PHOTO)]).photos == 1


def test_a_correction_of_another_sites_record_is_set_aside(landing):
    inner = a_record(SnapTime, minutes=42)
    correction = Correction(
        id=uuid7(), site="hall-9", pump="pump-a", at=START, by="x", supersedes=inner.id, reason="typed wrong",
        corrected=inner,
    )  # fmt: skip
    wrong = json.loads(encode_record(correction))
    wrong["corrected"]["site"] = "hall-8"
    moved = landing.land(
        [
            message(1, encode_record(correction), Channel.RECORD),
            message(2, json.dumps(wrong).encode(), Channel.RECORD),
        ]
    )
    assert (moved.records, moved.rejected) == (1, 1)


def test_an_outbox_that_begins_later_is_believed(landing, history, caplog):
    # A new home: what lies before was receipted by the old one, and waiting for it would be for ever.
    landing.land([gauges(51)])
    landing.note(Sender(*KEY), OutboxNote(first=51, held=3))
    assert "messages are not in this history" in caplog.text
    assert landing.land([gauges(52)]).through == {KEY: 52}
    assert landed_seqs(history) == {51: 10, 52: 10}


def test_a_failed_commit_is_forgotten_and_comes_again(landing, history, monkeypatch):
    append = History.append

    def full(self, name, rows, transactions=None):
        if name == "gauge_samples":
            raise OSError(28, "No space left on device")
        append(self, name, rows, transactions)

    batch = [message(1, encode_record(a_record()), Channel.RECORD), gauges(2)]
    monkeypatch.setattr(History, "append", full)
    with pytest.raises(OSError, match="No space"):
        landing.land(batch)
    monkeypatch.undo()
    landing.forget()
    assert landing.land(batch).through == {KEY: 2}
    assert history.read("records").num_rows == 1
    assert landed_seqs(history) == {2: 10}


def test_nobody_goes_on_with_another_edges_stream(landing, history):
    landing.land([gauges(1)])
    forged = Message(Address("hall-9", "edge-b", Channel.GAUGES, STREAM, 2).topic(), pack(50), START)
    assert landing.land([forged]).through == {("hall-9", "edge-b", STREAM): 0}
    landing.note(Sender("hall-9", "edge-b", STREAM), OutboxNote(first=1000, held=0))
    assert landing.land([gauges(2)]).through == {KEY: 2}
    assert landed_seqs(history) == {1: 10, 2: 10}
    assert Landing(History(history.home)).land([gauges(3)]).through == {KEY: 3}


def test_a_stream_of_a_history_that_knew_it_by_its_id_alone_goes_on(history):
    history.append(
        "gauge_samples", TABLES["gauge_samples"].empty_table(), {STREAM: 4, f"through:{STREAM}": 4}
    )
    assert Landing(history).land([gauges(4), gauges(5)]).through == {KEY: 5}
    assert landed_seqs(history) == {5: 10}


def test_an_edge_that_begins_ever_new_streams_is_set_aside(landing, history, monkeypatch):
    monkeypatch.setattr("pipeline.land.landing.STREAMS_MAX", 3)
    moved = landing.land([gauges(1, stream=f"{number:032x}") for number in range(5)])
    assert (len(moved.through), moved.rejected) == (3, 2)
    (reason,) = set(history.read("rejected").column("reason").to_pylist())
    assert "more than 3 outboxes" in reason


@pytest.mark.parametrize(
    ("payload", "channel", "says"),
    [
        (pack(4 * 366 * 86_400), Channel.GAUGES, "more than a year ahead"),
        (pack(-30 * 366 * 86_400), Channel.GAUGES, "before any clock was set"),
        (b'[{"n":"hall-9/pump-a/base","u":"Pa","v":1e13,"t":0}]', Channel.GAUGES, "no gauge can give"),
        (b'[{"n":"hall-9/pump-a/base","u":"Pa","v":1e400,"t":0}]', Channel.GAUGES, "SenML"),
        (b"[" + b'{"n":"x","v":1},' * 50_000 + b'{"n":"x","v":1}]', Channel.GAUGES, "50001 records are"),
        (encode_record(a_record()).replace(b"2026-10-14", b"0001-01-01"), Channel.RECORD, "in the year 1,"),
        (encode_record(a_record()).replace(b"2026-10-14", b"9999-12-31"), Channel.RECORD, "in the year 9999"),
        (encode_record(a_record()).replace(b"2026-10-14", b"2031-10-14"), Channel.RECORD, "a year ahead"),
        (
            encode_record(a_record(ContactLoss, edge="edge-b", back_at=START, held=1)),
            Channel.RECORD,
            "is of edge edge-b",
        ),
    ],
)  # fmt: skip
def test_what_no_pump_can_have_seen_is_set_aside(landing, history, payload, channel, says):
    moved = landing.land([message(1, payload, channel), gauges(2)])
    assert (moved.rejected, moved.samples, moved.through) == (1, 10, {KEY: 2})
    (row,) = history.read("rejected").to_pylist()
    assert says in row["reason"]


def test_a_reason_is_one_line_whatever_it_quotes(landing, history):
    record = encode_record(a_record()).replace(b"unit_started", b"x\\nERROR forged\\u001b[2J" + b"y" * 5_000)
    landing.land([message(1, record, Channel.RECORD)])
    (row,) = history.read("rejected").to_pylist()
    assert row["reason"].isprintable()
    assert len(row["reason"]) < 1_000 and row["reason"].endswith("send it again.")
