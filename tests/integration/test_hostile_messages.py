"""Hostile messages through the real landing: no crash, no hang, no false row, each refusal explained."""

import json
import os
import time
from uuid import UUID

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from edge.records import decode_record, encode_record
from edge.wire import Address, Channel, Sender
from pipeline.history import History
from pipeline.land.batch import ORDER, Message
from pipeline.land.landing import Landing
from tests.integration.test_pump_to_history import landing as serving
from tests.shop.hostile_messages import EDGE, NOW, SITE, Sent, hostile_messages, truth

STREAM = "c" * 32
COLUMN = {"ambient_temp": "ambient_temp_degc", "ambient_rh": "ambient_rh_pct"}
LANDED = ("edge", "stream", "seq", "site", "pump", "day", "at", "landed_at")


def addressed(sent_all):
    """(topic, message) of each, those of an edge's channels as one outbox's stream."""
    seq = 0
    for sent in sent_all:
        if sent.channel:
            seq += 1
            yield Address(SITE, EDGE, Channel(sent.channel), STREAM, seq).topic(), sent
        else:
            yield sent.topic, sent


def check(history, sent_all):
    """Hold every row to what was sent, and every message to a row or a reason."""
    readings, records, photos = set(), {}, set()
    for sent in sent_all:
        told = truth(sent)
        readings |= told.readings
        photos |= told.photos
        for ref, record in told.records.items():
            records.setdefault(str(UUID(ref)) if _is_uuid(ref) else ref, []).append(record)
    landed = set()
    for row in history.read("gauge_samples").to_pylist():
        assert row["site"] == SITE
        at = round(row["at"].timestamp() * 1e6)
        for gauge in ("base", "catalyst_1", "catalyst_2", "air", "ambient_temp", "ambient_rh"):
            value = row[COLUMN.get(gauge, f"{gauge}_pa")]
            if value is not None:
                landed.add((row["pump"], at, gauge, value))
    false = landed - readings
    assert not false, f"{len(false)} readings that nobody sent, as {next(iter(false))}"
    bodies = {}
    for row in history.read("records").to_pylist():
        body = bodies[row["id"]] = json.loads(row["body"])
        assert (row["site"], row["edge"]) == (SITE, EDGE)
        assert any(_same(body, sent) for sent in records[row["id"]]), body
    kept = set(history.read("photos").column("sha256").to_pylist())
    assert kept <= photos
    for sent in sent_all:
        if sent.good:
            told = truth(sent)
            assert told.records.keys() <= bodies.keys()
            assert told.photos <= kept
            # Of two readings of a gauge and moment the first stands, so a bent one may have come before.
            assert {one[:3] for one in told.readings} <= {one[:3] for one in landed}
    rejected = history.read("rejected").to_pylist()
    for row in rejected:
        reason = row["reason"]
        assert reason.isprintable() and reason.endswith(".") and len(reason) < 3_000, reason
        assert (history.home / "rejected" / row["sha256"]).stat().st_size == row["size_bytes"]
    return rejected


def _is_uuid(text):
    try:
        UUID(text)
    except ValueError:
        return False
    return True


def _same(body, sent):
    """Whether a landed record says what was sent, defaults left out and times written alike."""
    return encode_record(decode_record(json.dumps(sent).encode())) == json.dumps(
        body, separators=(",", ":"), ensure_ascii=False
    ).encode() or all(str(body.get(key, sent[key])) == str(sent[key]) for key in sent)


def land_all(tmp_path, seed, count, together=500):
    history = History(tmp_path / "home")
    landing = Landing(history, clock=lambda: NOW)
    sent_all = list(hostile_messages(seed, count))
    messages = [Message(topic, sent.payload, NOW) for topic, sent in addressed(sent_all)]
    slowest = 0.0
    for first in range(0, count, together):
        began = time.monotonic()
        moved = landing.land(messages[first : first + together])
        slowest = max(slowest, time.monotonic() - began)
    # The stream went on to its end: nothing that was refused held up what came behind it.
    through = moved.through[Sender(SITE, EDGE, STREAM)]
    assert through == sum(1 for sent in sent_all if sent.channel)
    rejected = check(history, sent_all)
    print(f"{count} messages, {len(rejected)} set aside, slowest batch of {together} {slowest:.1f} s")
    return history, sent_all, rejected


def test_no_hostile_message_lands_a_false_row(tmp_path):
    _, sent_all, rejected = land_all(tmp_path, 1, 400, together=100)
    assert len(rejected) > 100
    assert sum(sent.good for sent in sent_all) > 50


@pytest.mark.slow
def test_ten_thousand_hostile_messages(tmp_path):
    seed, count = int(os.environ.get("BEADBOOK_SEED", "20")), int(os.environ.get("BEADBOOK_HOSTILE", "10000"))
    rejected = land_all(tmp_path, seed, count)[2]
    assert len(rejected) > count / 4


def test_the_check_sees_a_false_row(tmp_path):
    history, sent_all, _ = land_all(tmp_path, 2, 60)
    number = next(n for n, sent in enumerate(sent_all) if sent.channel == "gauges" and sent.good)
    sent_all[number] = Sent("gauges", b"[]")
    with pytest.raises(AssertionError, match="that nobody sent"):
        check(history, sent_all)


def test_the_check_sees_a_good_message_that_is_lost(tmp_path):
    history, sent_all, _ = land_all(tmp_path, 3, 60)
    lost = next(sent for sent in hostile_messages(99, 500) if sent.good)
    with pytest.raises((AssertionError, KeyError)):
        check(history, [*sent_all, lost])


def publish(broker, messages):
    sender = mqtt.Client(CallbackAPIVersion.VERSION2)
    sender.max_inflight_messages_set(20)
    sender.connect(broker.host, broker.port)
    sender.loop_start()
    for topic, payload in messages:
        sender.publish(topic, payload, qos=1).wait_for_publish(30)
    sender.disconnect()
    sender.loop_stop()


def test_hostile_messages_through_a_broker(broker, tmp_path):
    home = tmp_path / "home"
    sent_all = [one for one in hostile_messages(7, 250) if "\n" not in one.topic and len(one.payload) < 2**20]
    messages = [(topic, sent.payload) for topic, sent in addressed(sent_all)]
    last = sum(1 for sent in sent_all if sent.channel)
    with serving(broker, home):
        publish(broker, messages)
        history = History(home)
        whole, deadline = f"through:{SITE}/{EDGE}/{STREAM}", time.monotonic() + 60
        while (through := max(history.transaction(table, whole) or 0 for table in ORDER)) < last:
            assert time.monotonic() < deadline, f"landing stands at {through} of {last}"
            time.sleep(0.2)
    assert len(History(home).read("rejected")) > 50
