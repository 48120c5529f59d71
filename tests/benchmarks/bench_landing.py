"""How fast is landing, beside a subscriber that only counts? Messages a second, and the ratio.

Run alone: `python -m tests.benchmarks.bench_landing [--messages N] [--broker embedded|mosquitto]`. Both get
the same messages, a second of three gauges at 10 Hz each, from the same publisher; broker, publisher and
receiver are processes of their own. Landing counts when its receipt says that the last message is durable.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from edge.broker import BrokerUrl, parse_broker_url
from edge.senml import pack_rows
from edge.wire import UPWARD, Address, Channel, decode_receipt, receipt_topic
from edge.words import Gauge
from tests.running import ROOT, free_port, mosquitto, wait_for_port

STREAM = f"{1:032x}"
WINDOW = 400


def client(url: BrokerUrl) -> mqtt.Client:
    made = mqtt.Client(CallbackAPIVersion.VERSION2)
    made.max_inflight_messages_set(0)
    made.connect(url.host, url.port)
    return made


def payload(number: int) -> bytes:
    start = 1_791_979_200_000_000 + number * 1_000_000
    gauges = (Gauge.BASE, Gauge.CATALYST_1, Gauge.CATALYST_2)
    rows = [(start + 100_000 * n, dict.fromkeys(gauges, 12345600.0 + number + n)) for n in range(10)]
    return pack_rows("hall-9", "pump-a", rows)


def publish(url: BrokerUrl, messages: int) -> None:
    """Publish with at most WINDOW messages unacknowledged, then print when the first one went out."""
    sends = [
        (Address("hall-9", "edge-a", Channel.GAUGES, STREAM, seq).topic(), payload(seq))
        for seq in range(1, messages + 1)
    ]
    publisher, room = client(url), threading.Semaphore(WINDOW)
    publisher.on_publish = lambda *_: room.release()
    publisher.loop_start()
    print(time.time(), flush=True)
    for topic, data in sends:
        room.acquire()
        publisher.publish(topic, data, qos=1)
    for _ in range(WINDOW):
        room.acquire()
    publisher.disconnect()
    publisher.loop_stop()


def count(url: BrokerUrl, messages: int) -> None:
    """Receive only; print when the last one came."""
    subscriber, left = client(url), [messages]

    def on_message(*_: object) -> None:
        left[0] -= 1
        if not left[0]:
            print(time.time(), flush=True)
            subscriber.disconnect()

    subscriber.on_message = on_message
    subscriber.on_subscribe = lambda *_: print("ready", flush=True)
    subscriber.subscribe([(topic, 1) for topic in UPWARD])
    subscriber.loop_forever()


def land(url: BrokerUrl, home: Path) -> None:
    """Land until ended."""
    from pipeline.history import History
    from pipeline.land.serve import serve_until

    serve_until(threading.Event(), url, History(home), ready=lambda: print("ready", flush=True))


def when_receipted(url: BrokerUrl, messages: int) -> "threading.Thread":
    """A thread that ends when all is receipted; `.at` says when."""
    listener = client(url)

    def on_message(_client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        if decode_receipt(bytes(message.payload)).through >= messages:
            thread.at = time.time()  # type: ignore[attr-defined]
            listener.disconnect()

    listener.on_message = on_message
    listener.subscribe(receipt_topic("hall-9", "edge-a", STREAM), qos=1)
    thread = threading.Thread(target=listener.loop_forever, daemon=True)
    thread.start()
    return thread


@contextmanager
def role(*words: object):
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "tests.benchmarks.bench_landing", *map(str, words)]
    process = subprocess.Popen(command, cwd=ROOT, env=environment, text=True, stdout=subprocess.PIPE)
    try:
        yield process
    finally:
        process.kill()
        process.wait()


@contextmanager
def some_broker(kind: str, folder: Path):
    with ExitStack() as stack:
        if kind == "mosquitto":
            # Without a limit, so that a bare subscriber is not spared what it is too slow for.
            yield stack.enter_context(mosquitto(folder, settings="max_queued_messages 0"))
        else:
            port = free_port()
            stack.enter_context(role("--role", "broker", "--url", f"mqtt://127.0.0.1:{port}"))
            wait_for_port(port)
            yield BrokerUrl("127.0.0.1", port)


def measure(kind: str, messages: int, landing: bool) -> float:
    """Messages a second."""
    with tempfile.TemporaryDirectory() as folder, some_broker(kind, Path(folder)) as url:
        receiver = ("land", "--home", f"{folder}/home") if landing else ("count",)
        with role("--role", *receiver, "--url", url, "--messages", messages) as receiving:
            assert receiving.stdout.readline() == "ready\n"
            receipts = when_receipted(url, messages) if landing else None
            with role("--role", "publish", "--url", url, "--messages", messages) as publishing:
                began = float(publishing.stdout.readline())
                if receipts is not None:
                    receipts.join(600)
                    return messages / (receipts.at - began)
                return messages / (float(receiving.stdout.readline()) - began)


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--broker", choices=["embedded", "mosquitto", "both"], default="both")
    options.add_argument("--messages", type=int, default=20_000)
    options.add_argument("--role", choices=["broker", "publish", "count", "land"])
    options.add_argument("--url")
    options.add_argument("--home", type=Path)
    told = options.parse_args()
    if told.role is None:
        for kind in ["embedded", "mosquitto"] if told.broker == "both" else [told.broker]:
            bare, landed = (measure(kind, told.messages, landing) for landing in (False, True))
            print(f"{kind}: bare subscriber {bare:.0f}/s, landed {landed:.0f}/s, ratio {landed / bare:.2f}")
        return
    url = parse_broker_url(told.url)
    if told.role == "broker":
        from pipeline.land.broker import embedded_broker

        with embedded_broker(url.host, url.port):
            threading.Event().wait()
    elif told.role == "publish":
        publish(url, told.messages)
    elif told.role == "count":
        count(url, told.messages)
    else:
        land(url, told.home)


if __name__ == "__main__":
    main()
