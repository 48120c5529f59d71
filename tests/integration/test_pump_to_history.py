"""From the pump to the history through a real broker: all of it, once, and told of when contact was lost."""

import json
import threading
import time
from contextlib import contextmanager
from datetime import timedelta

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from typer.testing import CliRunner

from edge.cli import app
from edge.outbox import Outbox
from edge.wire import Address, Channel
from pipeline.history import History
from pipeline.land.broker import embedded_broker
from pipeline.land.serve import serve_until
from tests.running import START, gauge_rows, mosquitto, write_gauge_file

SITE = ("--site", "hall-9", "--edge", "edge-a", "--pump", "pump-a")


@contextmanager
def landing(broker, home, told=None):
    """Landing in a thread; what it moved in all is in `.total` afterwards."""

    class Running:
        total = None

    running, stopped, ready = Running(), threading.Event(), threading.Event()

    def work():
        landed = (told if told is not None else []).append
        running.total = serve_until(stopped, broker, History(home), ready=ready.set, landed=landed)

    thread = threading.Thread(target=work)
    thread.start()
    assert ready.wait(10)
    try:
        yield running
    finally:
        stopped.set()
        thread.join(20)


def command(*words):
    run = CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)
    assert run.exit_code == 0, run.output
    return run.output


def readings(home):
    rows = History(home).read("gauge_samples").sort_by("at").to_pylist()
    return [(row["at"], row["base_pa"], row["catalyst_1_pa"], row["catalyst_2_pa"]) for row in rows]


def expected(seconds):
    return [(at, a * 1e3, b * 1e3, c * 1e3) for at, a, b, c in gauge_rows(seconds)]


def record(minute, unit):
    return {
        "topic": f"beadbook/v1/hall-9/edge-a/record/{'0' * 32}/1",
        "payload": {
            "kind": "unit_started",
            "id": f"01a13a16-4360-7061-8000-{minute:012d}",
            "site": "hall-9",
            "pump": "pump-a",
            "at": (START + timedelta(minutes=minute)).isoformat(),
            "by": "R. Okafor",
            "unit": unit,
        },
    }


def test_a_day_of_gauges_records_and_photos_arrives_in_order_of_time(broker, tmp_path):
    gauges = write_gauge_file(tmp_path / "gauges.csv", 300)
    (tmp_path / "smear.jpg").write_bytes(b"\xff\xd8\xff picture")
    photo = {
        "at": (START + timedelta(seconds=90)).isoformat(),
        "photo": "smear.jpg",
        "pump": "pump-a",
        "by": "R. Okafor",
        "sheet": None,
    }
    stream = tmp_path / "day.ndjson"
    stream.write_text("\n".join(map(json.dumps, (record(1, "H9-1"), photo, record(2, "H9-2")))) + "\n")
    home, outbox, told = tmp_path / "home", tmp_path / "outbox.sqlite", []
    with landing(broker, home, told) as running:
        output = command("replay", gauges, stream, *SITE, "--broker", broker, "--outbox", outbox, "--fast")
    assert output == "303 messages receipted\n"
    assert readings(home) == expected(300)
    history = History(home)
    assert [row["kind"] for row in history.read("records").to_pylist()] == ["unit_started"] * 2
    (photo,) = history.read("photos").to_pylist()
    assert (photo["at"], photo["name"]) == (START + timedelta(seconds=90), "smear.jpg")
    # Message 91 ends at 90.9 s: the photograph of second 90 went out before it.
    assert photo["seq"] == history.read("records").sort_by("at").to_pylist()[0]["seq"] + 31
    assert running.total.samples == 3000
    assert set().union(*told) == {("hall-9", "pump-a", START.date())}
    assert Outbox(outbox, "hall-9", "edge-a").depth().messages == 0


def test_two_loggers_of_one_pump_make_one_row_a_moment(tmp_path):
    gauges = write_gauge_file(tmp_path / "gauges.csv", 30)
    ambient = tmp_path / "ambient.csv"
    rows = [f"{(START + timedelta(seconds=10 * n)).isoformat()},{20 + n}" for n in range(3)]
    ambient.write_text("\n".join(["ts,ambient_temp_degC", *rows]) + "\n")
    home, outbox = tmp_path / "home", tmp_path / "outbox.sqlite"
    with embedded_broker(port=0) as broker, landing(broker, home):
        command("replay", gauges, ambient, *SITE, "--broker", broker, "--outbox", outbox, "--fast")
    assert readings(home) == expected(30)
    warm = History(home).read("gauge_samples", columns=["ambient_temp_degc"]).column(0).drop_null()
    assert sorted(warm.to_pylist()) == [20, 21, 22]


def test_sending_it_all_again_adds_nothing(broker, tmp_path):
    gauges = write_gauge_file(tmp_path / "gauges.csv", 60)
    home = tmp_path / "home"
    with landing(broker, home) as running:
        for outbox in ("one.sqlite", "two.sqlite"):
            command("replay", gauges, *SITE, "--broker", broker, "--outbox", tmp_path / outbox, "--fast")
    assert readings(home) == expected(60)
    assert (running.total.samples, running.total.already) == (600, 600)


def test_an_outage_is_sat_out_and_told_of_in_the_recordings_time(broker, tmp_path):
    gauges = write_gauge_file(tmp_path / "gauges.csv", 600)
    lost, back = START + timedelta(minutes=4), START + timedelta(minutes=7)
    home = tmp_path / "home"
    with landing(broker, home):
        command(
            *("replay", gauges, *SITE, "--broker", broker, "--outbox", tmp_path / "o.sqlite", "--fast"),
            *("--offline", f"{lost.isoformat()}/{back.isoformat()}"),
        )
    assert readings(home) == expected(600)
    (loss,) = (json.loads(row["body"]) for row in History(home).read("records").to_pylist())
    assert loss["kind"] == "contact_loss"
    assert (loss["at"], loss["back_at"]) == ("2026-10-14T11:04:00Z", "2026-10-14T11:07:00Z")
    assert loss["held"] == 180


def test_a_foreign_devices_plain_senml_is_taken_and_acknowledged(broker, tmp_path):
    home = tmp_path / "home"
    with landing(broker, home) as running:
        device = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="plc")
        device.connect(broker.host, broker.port)
        device.loop_start()
        topic = Address("hall-9", "plc-3", Channel.GAUGES).topic()
        for second in (0, 1, 1, 2):
            pack = [{"bn": "hall-9/pump-c/base", "bt": 1.79e9 + second, "u": "Pa", "v": 1e6 + second}]
            device.publish(topic, json.dumps(pack), qos=1).wait_for_publish(5)
        device.publish(topic, b"not a pack", qos=1).wait_for_publish(5)
        device.disconnect()
        device.loop_stop()
        wait_until(lambda: History(home).read("gauge_samples").num_rows == 3)
    assert running.total.rejected == 1
    rows = History(home).read("gauge_samples").sort_by("at").to_pylist()
    assert [row["base_pa"] for row in rows] == [1e6, 1e6 + 1, 1e6 + 2]
    assert {(row["edge"], row["stream"], row["seq"]) for row in rows} == {("plc-3", None, None)}


def test_single_photos_and_records_are_sent_and_receipted(broker, tmp_path):
    picture = tmp_path / "smear.jpg"
    picture.write_bytes(b"\xff\xd8\xff picture")
    home = tmp_path / "home"
    common = (*SITE, "--by", "R. Okafor", "--broker", broker, "--outbox", tmp_path / "o.sqlite")
    with landing(broker, home):
        command("photo", picture, "--taken-at", "2026-10-14T06:13:00-05:00", *common)
        command("record", "snap_time", "minutes=42", "base_lot=B-2608-17", *common)
    (photo,) = History(home).read("photos").to_pylist()
    assert photo["at"] == START + timedelta(minutes=13)
    (snap,) = (json.loads(row["body"]) for row in History(home).read("records").to_pylist())
    assert (snap["minutes"], snap["base_lot"], snap["by"]) == (42, "B-2608-17", "R. Okafor")


@pytest.mark.mosquitto
def test_a_broker_that_drops_messages_in_silence_loses_nothing(tmp_path):
    # Seen with a stock Mosquitto 2.0.11: past max_queued_messages QoS 1 messages go without a word.
    gauges = write_gauge_file(tmp_path / "gauges.csv", 100)
    home = tmp_path / "home"
    small = "max_queued_messages 20\nmax_inflight_messages 1"
    with mosquitto(tmp_path, settings=small) as broker, landing(broker, home):
        command("replay", gauges, *SITE, "--broker", broker, "--outbox", tmp_path / "o.sqlite", "--fast")
    assert readings(home) == expected(100)


def wait_until(true, timeout_s=30.0):
    deadline = time.monotonic() + timeout_s
    while not true():
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(0.05)
