"""What a light sees on a real broker: a release told anew, withdrawn on silence, on stop, and on a kill."""

import json
import os
import signal
import subprocess
import sys
from datetime import UTC, datetime

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from edge.wire import release_topic
from pipeline.land import andon
from pipeline.land.andon import Andon, Standing
from tests.integration.test_pump_to_history import wait_until
from tests.running import ROOT, free_port, mosquitto

PLACE = ("hall-9", "pump-a")
RELEASE = Standing("release", datetime(2026, 10, 14, tzinfo=UTC), ())


class Light:
    def __init__(self, url):
        self.told = []
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self.client.on_message = lambda _c, _d, message: self.told.append(json.loads(message.payload))
        self.client.connect(url.host, url.port)
        self.client.subscribe(release_topic(*PLACE), qos=1)

    def __enter__(self):
        self.client.loop_start()
        return self

    def __exit__(self, *_):
        self.client.disconnect()
        self.client.loop_stop()

    def wait_for(self, state):
        wait_until(lambda: self.told and self.told[-1]["state"] == state, 30)
        return self.told[-1]


@pytest.mark.mosquitto
def test_a_release_is_told_anew_withdrawn_on_silence_and_on_stop(tmp_path, monkeypatch):
    monkeypatch.setattr(andon, "TELL_EVERY_S", 0.2)
    with mosquitto(tmp_path) as url, Light(url) as light:
        with Andon(url, silent_s=1.5) as lamp:
            lamp.tell(*PLACE, RELEASE)
            assert "No gauge reading" in light.wait_for("hold")["reasons"][0]
            lamp.heard({PLACE: datetime.now(UTC)})
            first = light.wait_for("release")
            wait_until(lambda: light.told[-1]["told_at"] > first["told_at"], 5)
            assert light.told[-1]["valid_until"] > light.told[-1]["told_at"]
            assert "No gauge reading" in light.wait_for("hold")["reasons"][0]
            lamp.heard({PLACE: datetime.now(UTC)})
            light.wait_for("release")
        assert "stopped" in light.wait_for("hold")["reasons"][0]
        with Light(url) as later:
            assert "stopped" in later.wait_for("hold")["reasons"][0]


@pytest.mark.mosquitto
def test_a_killed_pipeline_leaves_a_hold(tmp_path):
    script = (
        "import sys, threading; from datetime import datetime, UTC\n"
        "from edge.broker import BrokerUrl; from pipeline.land.andon import Andon, Standing\n"
        "with Andon(BrokerUrl('127.0.0.1', int(sys.argv[1])), silent_s=None) as lamp:\n"
        "    lamp.tell('hall-9', 'pump-a', Standing('release', datetime.now(UTC), ()))\n"
        "    threading.Event().wait()\n"
    )
    with mosquitto(tmp_path) as url, Light(url) as light:
        process = subprocess.Popen([sys.executable, "-c", script, str(url.port)], cwd=ROOT)
        try:
            light.wait_for("release")
        finally:
            os.kill(process.pid, signal.SIGKILL)
            process.wait()
        assert "out of contact" in light.wait_for("hold")["reasons"][0]


@pytest.mark.mosquitto
def test_a_broker_that_comes_back_is_told_again(tmp_path):
    port = free_port()
    with mosquitto(tmp_path, port) as url:
        lamp = Andon(url, silent_s=None)
        lamp.__enter__()
        lamp.tell(*PLACE, RELEASE)
        with Light(url) as light:
            light.wait_for("release")
    try:
        with mosquitto(tmp_path, port) as url, Light(url) as light:
            assert light.wait_for("release")["valid_until"]
    finally:
        lamp.__exit__()
