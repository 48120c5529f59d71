"""How long does the outage of a shift take to drain, while live data arrives? And does memory stay flat?

Run alone: `python -m tests.benchmarks.bench_drain [--hours 8] [--pumps 2] [--hz 50] [--photos 20]`, or
`... --soak MINUTES [--rate PACKS]` for memory under a
steady flood, or at so many packs a second. Real Mosquitto with its default limits; each edge has an
outbox that was filled while there was no broker, and goes on capturing a pack a second while it drains.
"""

import argparse
import random
import signal
import subprocess
import tempfile
import threading
import time
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path

from edge.broker import BrokerUrl
from edge.courier import Courier
from edge.outbox import Outbox
from edge.replay import CourierThread
from edge.senml import pack_rows
from edge.sources.photos import photo_event
from edge.wire import Channel
from edge.words import Gauge
from pipeline.history import History
from tests.running import START, beadbook, free_port, mosquitto

GAUGES = (Gauge.BASE, Gauge.CATALYST_1, Gauge.CATALYST_2)
START_US = round(START.timestamp() * 1e6)


def pack(pump: str, second: int, hz: int) -> bytes:
    at = START_US + second * 1_000_000
    rows = [(at + n * 1_000_000 // hz, dict.fromkeys(GAUGES, 1.2e7 + second + n)) for n in range(hz)]
    return pack_rows("hall-9", pump, rows)


def fill(box: Outbox, pump: str, seconds: int, hz: int, photos: int, folder: Path) -> None:
    """What an edge has after an outage. photos : spread over it, 2 MB each"""
    every = seconds // max(photos, 1)
    for begin in range(0, seconds, 500):
        packs = [(Channel.GAUGES, pack(pump, n, hz)) for n in range(begin, min(begin + 500, seconds))]
        for number in range(begin, min(begin + 500, seconds)):
            if photos and number % every == every // 2:
                picture = folder / f"{pump}-{number}.jpg"
                picture.write_bytes(b"\xff\xd8\xff" + random.Random(number).randbytes(2_000_000))
                event = photo_event(picture, pump=pump, by="camera", taken_at=datetime.now(UTC))
                packs.append((event.channel, event.payload))
        box.put_many(packs)


def rss_mb(pid: int) -> float:
    """Resident memory of a process [MB]."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1e3
    return float("nan")


def live(stop: threading.Event, path: Path, name: str, begin: int, hz: int, put: list[int]) -> None:
    """A pack a second, on top of what waits."""
    box = Outbox(path, "hall-9", f"edge-{name}")
    second = begin
    while not stop.wait(1.0):
        box.put(Channel.GAUGES, pack(f"pump-{name}", second, hz))
        second += 1
        put.append(second)
    box.close()


def drain(hours: float, pumps: int, hz: int, photos: int) -> None:
    """Print how long it took, and whether all is there."""
    seconds, names = round(hours * 3600), "abcdefgh"[:pumps]
    with tempfile.TemporaryDirectory() as held, ExitStack() as stack:
        folder, port = Path(held), free_port()
        for name in names:
            box = Outbox(folder / f"{name}.sqlite", "hall-9", f"edge-{name}")
            fill(box, f"pump-{name}", seconds, hz, photos // pumps, folder)
            box.close()
        url: BrokerUrl = stack.enter_context(mosquitto(folder, port))
        log = (folder / "serve.log").open("w")
        serve = beadbook("serve", "--home", folder / "home", "--broker", url, stderr=log)
        assert serve.stdout is not None and "receiving" in serve.stdout.readline()
        stop, put = threading.Event(), []
        began, peak = time.monotonic(), 0.0
        for name in names:
            path = folder / f"{name}.sqlite"
            courier = Courier(
                lambda path=path, name=name: Outbox(path, "hall-9", f"edge-{name}"),
                url,
                pumps=[f"pump-{name}"],
            )
            stack.enter_context(CourierThread(courier))
            threading.Thread(target=live, args=(stop, path, name, seconds, hz, put), daemon=True).start()
        boxes = [Outbox(folder / f"{name}.sqlite", "hall-9", f"edge-{name}") for name in names]
        while any(box.first() <= seconds for box in boxes):
            peak = max(peak, rss_mb(serve.pid))
            time.sleep(0.2)
        took = time.monotonic() - began
        stop.set()
        while any(box.depth().messages for box in boxes):
            time.sleep(0.2)
        serve.send_signal(signal.SIGKILL)
        serve.wait()
        rows = History(folder / "home").read("gauge_samples", columns=["pump", "at"])
        landed = History(folder / "home").read("photos").num_rows
        expected = (seconds * pumps + len(put)) * hz
        assert rows.num_rows == expected, (rows.num_rows, expected)
        assert rows.group_by(["pump", "at"]).aggregate([]).num_rows == expected
        print(
            f"{hours:g} h of {pumps} pumps at {hz} Hz, {landed} photos: drained in {took:.0f} s"
            f" ({seconds * pumps / took:.0f} packs/s, {seconds * pumps * hz / took:.0f} rows/s) while"
            f" {len(put)} live packs came; serve at most {peak:.0f} MB"
        )


def soak(minutes: float, hz: int, rate: float) -> None:
    """Print memory while packs arrive as fast as one edge sends them, at most `rate` [1/s]."""
    with tempfile.TemporaryDirectory() as held, ExitStack() as stack:
        folder, port = Path(held), free_port()
        url: BrokerUrl = stack.enter_context(mosquitto(folder, port))
        log = (folder / "serve.log").open("w")
        serve = beadbook("serve", "--home", folder / "home", "--broker", url, stderr=log)
        assert serve.stdout is not None and "receiving" in serve.stdout.readline()
        courier = Courier(lambda: Outbox(folder / "a.sqlite", "hall-9", "edge-a"), url, pumps=["pump-a"])
        stack.enter_context(CourierThread(courier))
        box, second, began, told = Outbox(folder / "a.sqlite", "hall-9", "edge-a"), 0, time.monotonic(), 0.0
        while (at := time.monotonic() - began) < 60 * minutes:
            if box.depth().messages < 2_000 and second <= at * rate:
                box.put_many((Channel.GAUGES, pack("pump-a", n, hz)) for n in range(second, second + 200))
                second += 200
            else:
                time.sleep(0.02)
            if at >= told:
                told += 60 * minutes / 10
                print(f"{at:6.0f} s  {second} packs put  serve {rss_mb(serve.pid):.0f} MB", flush=True)
        serve.send_signal(signal.SIGTERM)
        try:
            serve.wait(60)
        except subprocess.TimeoutExpired:
            serve.kill()


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--hours", type=float, default=8.0)
    options.add_argument("--pumps", type=int, default=2)
    options.add_argument("--hz", type=int, default=50)
    options.add_argument("--photos", type=int, default=20)
    options.add_argument("--soak", type=float, metavar="MINUTES")
    options.add_argument("--rate", type=float, default=float("inf"), help="packs a second in a soak")
    told = options.parse_args()
    if told.soak:
        soak(told.soak, told.hz, told.rate)
    else:
        drain(told.hours, told.pumps, told.hz, told.photos)


if __name__ == "__main__":
    main()
