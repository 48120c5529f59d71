"""Advancing beside landing: nothing that landed stays unjudged, and the floor sees how pumps stand."""

import hashlib
import json
import multiprocessing
import os
import signal
import threading
import time
from datetime import UTC, datetime

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from edge.ids import uuid7
from edge.records import SnapTime, encode_record
from edge.wire import Address, Channel, release_topic
from pipeline.behind import Behind
from pipeline.beside import Beside
from pipeline.history import History
from pipeline.land.batch import Message
from pipeline.land.landing import Landing
from tests.running import beadbook, free_port, mosquitto, serve

SITE, PUMP = "hall-9", "pump-a"
START = datetime(2026, 10, 14, 11, tzinfo=UTC)
TOUCHED = {(SITE, PUMP, START.date())}
WAIT_S = 60


def land_snap_time(home, expect, minutes=200.0):
    record = SnapTime(id=uuid7(), site=SITE, pump=PUMP, at=START, by="R. Okafor", minutes=minutes)
    payload = encode_record(record)
    topic = Address(SITE, "edge-a", Channel.RECORD, hashlib.sha256(payload).hexdigest()[:32], 1).topic()
    landed = Landing(History(home), expect=expect).land([Message(topic, payload, START)])
    assert landed.touched == TOUCHED


def reasons_held(home):
    return [reason for row in History(home).read("release_spans").to_pylist() for reason in row["reasons"]]


def wait_for(condition, timeout_s=WAIT_S):
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline, "it did not come"
        time.sleep(0.05)


def test_what_landed_before_a_kill_is_judged_at_the_next_start(tmp_path):
    land_snap_time(tmp_path, Behind(tmp_path).expect)  # and no more of that process
    assert reasons_held(tmp_path) == []
    told = []
    with Beside(tmp_path, lambda site, pump, span: told.append((site, pump, span.state))):
        pass
    assert any("200" in reason for reason in reasons_held(tmp_path))
    assert told == [(SITE, PUMP, "hold")]
    assert not Behind(tmp_path).is_due()


def test_settings_that_can_not_be_read_for_a_while_cost_no_judgement(tmp_path, caplog):
    with Beside(tmp_path) as beside:
        (tmp_path / "site.toml").write_text("=")
        land_snap_time(tmp_path, beside.expect)
        beside.note(TOUCHED)
        wait_for(lambda: "could not advance" in caplog.text)
        assert "not TOML" in caplog.text and "Traceback" not in caplog.text
        (tmp_path / "site.toml").unlink()
        beside.note(TOUCHED)
    assert any("200" in reason for reason in reasons_held(tmp_path))


def test_a_worker_ended_from_outside_is_replaced(tmp_path, caplog):
    land_snap_time(tmp_path, Behind(tmp_path).expect)
    told = threading.Event()
    with Beside(tmp_path, lambda *_: told.set()) as beside:
        assert told.wait(WAIT_S)
        for child in multiprocessing.active_children():
            os.kill(child.pid, signal.SIGKILL)
            child.join()
        land_snap_time(tmp_path, beside.expect, minutes=300.0)
        beside.note(TOUCHED)
        wait_for(lambda: "ended from outside" in caplog.text)
        beside.note(TOUCHED)
    assert any("300" in reason for reason in reasons_held(tmp_path))


def test_a_stop_from_the_terminal_reaches_landing_and_worker_and_leaves_nothing_unjudged(tmp_path):
    land_snap_time(tmp_path, Behind(tmp_path).expect)
    words = ("serve", "--home", tmp_path, "--listen", f"127.0.0.1:{free_port()}")
    process = beadbook(*words, start_new_session=True)
    assert "receiving" in process.stdout.readline()
    time.sleep(1.0)  # the worker starts, or is at work
    os.killpg(process.pid, signal.SIGINT)
    _, errors = process.communicate(timeout=WAIT_S)
    assert process.returncode == 0
    assert "Traceback" not in errors
    assert any("200" in reason for reason in reasons_held(tmp_path))
    assert not Behind(tmp_path).is_due()


class Light:
    """An andon light: keeps what the broker last told of a pump."""

    def __init__(self, port):
        self.told = []
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self.client.on_message = lambda _c, _d, message: self.told.append((message.retain, message.payload))
        self.client.connect("127.0.0.1", port)
        self.client.subscribe(release_topic(SITE, PUMP), qos=1)

    def __enter__(self):
        self.client.loop_start()
        return self

    def __exit__(self, *_):
        self.client.disconnect()
        self.client.loop_stop()

    def standing(self):
        wait_for(lambda: self.told)
        retained, payload = self.told[-1]
        return retained, json.loads(payload)


def record_snap_time(port, folder):
    call = ("record", "snap_time", "minutes=200", "--at", START.isoformat(), "--by", "R. Okafor")
    place = ("--site", SITE, "--edge", "edge-a", "--pump", PUMP, "--outbox", folder / "outbox.sqlite")
    process = beadbook(*call, *place, "--broker", f"mqtt://127.0.0.1:{port}")
    assert process.wait(WAIT_S) == 0, process.communicate()


def is_the_hold(standing):
    return (
        standing["state"] == "hold"
        and datetime.fromisoformat(standing["since"]) <= START
        and any("200" in reason for reason in standing["reasons"])
    )


@pytest.mark.mosquitto
def test_a_light_learns_how_a_pump_stands_also_when_it_is_switched_on_later(tmp_path):
    port = free_port()
    with mosquitto(tmp_path, port):
        process = serve(tmp_path / "home", port, own_broker=False)
        with Light(port) as light:
            record_snap_time(port, tmp_path)
            retained, standing = light.standing()
            assert not retained and is_the_hold(standing)
        process.terminate()
        assert process.wait(WAIT_S) == 0
        with Light(port) as light:
            retained, standing = light.standing()
            assert retained and is_the_hold(standing)


def test_a_broker_that_forgot_is_told_again_when_landing_starts(tmp_path):
    for port in (free_port(), free_port()):
        process = serve(tmp_path / "home", port)
        with Light(port) as light:
            if not (tmp_path / "outbox.sqlite").exists():
                record_snap_time(port, tmp_path)
            assert is_the_hold(light.standing()[1])
        process.terminate()
        assert process.wait(WAIT_S) == 0
