"""Links are cut and slowed, brokers forget, disks fill, pages rot: the history is still what was captured."""

import os
import random
import signal
import subprocess
import threading
import time
from contextlib import contextmanager

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from edge.damage import CAPTURED
from edge.outbox import Outbox
from edge.wire import Address
from pipeline.history import History
from tests.faults.proxy import Proxy
from tests.faults.rig import EDGE, PUMP, SITE, Differences, Pump, row
from tests.running import beadbook, free_port, mosquitto, serve, write_gauge_file

NOTHING = Differences([], [], [])
pytestmark = pytest.mark.mosquitto


@contextmanager
def running(process):
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.communicate(timeout=60)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()


@contextmanager
def shop(tmp_path, settings=""):
    """(home, port): a broker, and a pipeline that lands from it."""
    home, port = tmp_path / "home", free_port()
    with mosquitto(tmp_path, port, settings), running(serve(home, port, own_broker=False)) as landing:
        yield home, port, landing


def test_the_comparison_sees_a_planted_loss_a_double_and_a_changed_byte(tmp_path):
    pump = Pump(tmp_path, seed=1)
    pump.log_rows(50)
    pump.take_photo()
    pump.type_record()
    with shop(tmp_path) as (home, port, _), running(pump.capture(port)):
        pump.wait_until_receipted()
    assert pump.differences(home) == NOTHING
    history = History(home)
    rows = history.read("gauge_samples").sort_by("at")
    day = rows.column("day")[0].as_py()
    history.replace_day("gauge_samples", rows.slice(1), SITE, PUMP, day)
    history.append("gauge_samples", rows.slice(7, 1))
    digest = next(iter(pump.pictures))
    (home / "photos" / digest[:2] / digest).write_bytes(pump.pictures[digest][:-1] + b"x")
    found = pump.differences(home)
    assert [one[0] for one in found.lost] == [pump.rows[0][0]]
    assert [one[0] for one in found.twice] == [pump.rows[7][0]]
    assert found.changed == [digest]


@pytest.mark.slow
def test_a_link_that_is_cut_stalled_and_slow_costs_nothing(tmp_path):
    pump = Pump(tmp_path, seed=2)
    with shop(tmp_path) as (home, port, _), Proxy(port) as link, running(pump.capture(link.port)):
        worker = threading.Thread(target=pump.work, args=(7,))
        worker.start()
        time.sleep(1.5)
        link.cut()
        time.sleep(1)
        link.mend()
        time.sleep(1.5)
        link.stalled = True
        time.sleep(1.5)
        link.stalled = False
        link.bytes_per_s = 40_000
        worker.join()
        time.sleep(1)
        link.bytes_per_s = None
        pump.wait_until_receipted()
        assert link.connections >= 2
    assert pump.differences(home) == NOTHING


@pytest.mark.slow
@pytest.mark.parametrize("keeps", [False, True], ids=["without persistence", "with persistence"])
def test_a_broker_that_is_killed_and_comes_back_costs_nothing(tmp_path, keeps):
    pump, home, port = Pump(tmp_path, seed=3), tmp_path / "home", free_port()
    settings = f"persistence_location {tmp_path}/\nautosave_interval 1\nuser root" if keeps else ""

    def broker():
        text = settings
        return mosquitto(tmp_path, port, text, persistence=keeps)

    worker = threading.Thread(target=pump.work, args=(6,))
    with broker():
        landing, capture = serve(home, port, own_broker=False), pump.capture(port)
        worker.start()
        time.sleep(2)
    with running(landing), running(capture):
        time.sleep(1)
        with broker():
            time.sleep(1.5)
        with broker():
            worker.join()
            pump.wait_until_receipted()
    assert pump.differences(home) == NOTHING


@pytest.mark.slow
def test_a_stock_broker_and_a_pipeline_slowed_on_purpose_lose_nothing(tmp_path):
    # Three edges' windows together are more than the 1,000 messages that Mosquitto queues by default; the
    # pipeline is stopped most of the time, so that the queue does fill.
    seconds = 1_500
    gauges = write_gauge_file(tmp_path / "gauges.csv", seconds, hz=2)
    with shop(tmp_path) as (home, port, landing):
        edges = [
            beadbook(
                *("replay", gauges, "--site", SITE, "--edge", f"edge-{name}", "--pump", f"pump-{name}"),
                *("--broker", f"mqtt://127.0.0.1:{port}", "--outbox", tmp_path / f"{name}.sqlite"),
                *("--fast", "--timeout", "120"),
                stderr=subprocess.DEVNULL,
            )
            for name in "abcd"
        ]
        deadline = time.monotonic() + 200
        try:
            while any(edge.poll() is None for edge in edges) and time.monotonic() < deadline:
                landing.send_signal(signal.SIGSTOP)
                time.sleep(0.8)
                landing.send_signal(signal.SIGCONT)
                time.sleep(0.2)
        finally:
            landing.send_signal(signal.SIGCONT)
        assert [edge.wait(60) for edge in edges] == [0] * 4
    for name in "abcd":
        rows = History(home).read("gauge_samples", site=SITE, pump=f"pump-{name}")
        assert rows.num_rows == seconds * 2
        assert len(set(rows.column("at").to_pylist())) == seconds * 2


@pytest.mark.slow
def test_duplicates_in_any_order_are_landed_once_and_in_order(tmp_path):
    chance = random.Random(5)
    pump = Pump(tmp_path, seed=5)
    pump.log_rows(600)
    for _ in range(3):
        pump.take_photo(2_000)
    box = Outbox(pump.outbox, SITE, EDGE)
    with mosquitto(tmp_path) as url:
        # Filled by a capture that reaches no broker, then delivered by a network that keeps no order.
        capture = pump.capture(free_port())
        with running(capture):
            last = str(round(pump.rows[-1][0].timestamp() * 1e6))
            source = f"{CAPTURED}{pump.gauges.resolve()}"
            deadline = time.monotonic() + 60
            while box.fact(source) != last or list(pump.photos.glob("*.jpg")):
                assert time.monotonic() < deadline
                time.sleep(0.1)
        held = box.after(0, 10_000, 10**9)
        home = tmp_path / "home"
        landing = beadbook("serve", "--home", home, "--broker", url, stderr=subprocess.DEVNULL)
        assert "receiving" in landing.stdout.readline()
        with running(landing):
            client = mqtt.Client(CallbackAPIVersion.VERSION2)
            client.connect(url.host, url.port)
            client.loop_start()
            for _ in range(3):
                chance.shuffle(held)
                for one in held:
                    topic = Address(SITE, EDGE, one.channel, box.stream, one.seq).topic()
                    client.publish(topic, one.payload, qos=1).wait_for_publish(20)
            deadline = time.monotonic() + 60
            while pump.differences(home).lost and time.monotonic() < deadline:
                time.sleep(0.2)
            client.disconnect()
            client.loop_stop()
    assert pump.differences(home) == NOTHING


@pytest.mark.slow
def test_a_clock_that_steps_back_and_forth_costs_no_reading(tmp_path):
    pump = Pump(tmp_path, seed=6)
    with shop(tmp_path) as (home, port, _):
        with running(pump.capture(port)):
            pump.log_rows(100)
            late, pump.rows = pump.rows, []
            with pump.gauges.open("a") as file:
                for number in [*range(-3000, -2900), *range(5000, 5100), *range(200, 300)]:
                    at, *values = row(number)
                    pump.rows.append((at, *values))
                    file.write(f"{at.isoformat()},{values[0]},{values[1]},{values[2]}\n")
            time.sleep(2)
        # Killed while the clock stands earlier than it did, it goes on where it was.
        with pump.gauges.open("a") as file:
            for number in range(300, 350):
                at, *values = row(number)
                pump.rows.append((at, *values))
                file.write(f"{at.isoformat()},{values[0]},{values[1]},{values[2]}\n")
        with running(pump.capture(port)):
            pump.wait_until_receipted()
    pump.rows = [*late, *pump.rows]
    assert pump.differences(home) == NOTHING


def test_a_damaged_outbox_page_costs_its_own_messages_and_that_is_written_down(tmp_path):
    pump = Pump(tmp_path, seed=7)
    pump.log_rows(3_000)
    with running(pump.capture(free_port())):
        box = Outbox(pump.outbox, SITE, EDGE)
        deadline = time.monotonic() + 60
        while box.depth().messages < 295 and time.monotonic() < deadline:
            time.sleep(0.1)
        box.close()
    with pump.outbox.open("r+b") as file:
        file.seek(40 * 4096)
        file.write(b"\xa5" * 4096)
    with shop(tmp_path) as (home, port, _), running(pump.capture(port)):
        pump.wait_until_receipted()
    found = pump.differences(home)
    assert 0 < len(found.lost) <= 100 and not found.twice
    (gap,) = [one for one in History(home).read("records").to_pylist() if one["kind"] == "capture_gap"]
    assert '"cause":"damaged"' in gap["body"]


def test_a_second_landing_on_one_history_refuses_and_the_first_goes_on(tmp_path):
    pump = Pump(tmp_path, seed=8)
    with shop(tmp_path) as (home, port, _):
        second = beadbook("serve", "--home", home, "--broker", f"mqtt://127.0.0.1:{port}")
        output, errors = second.communicate(timeout=60)
        assert second.returncode == 3
        assert "another landing already writes to this home" in errors.splitlines()[-1]
        assert "receiving" not in output
        pump.log_rows(50)
        with running(pump.capture(port)):
            pump.wait_until_receipted()
    assert pump.differences(home) == NOTHING


@contextmanager
def small_disk(folder, mb):
    """A disk of its own; the test is skipped where none can be mounted."""
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={mb}m", "tmpfs", folder], capture_output=True, text=True
    )
    if made.returncode:
        pytest.skip(f"no small disk can be mounted here: {made.stderr.strip()[:200]}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def test_a_full_disk_at_the_pump_costs_raw_rows_alone_and_says_which(tmp_path):
    with small_disk(tmp_path / "disk", 3) as disk:
        pump = Pump(tmp_path, seed=9)
        pump.outbox = disk / "outbox.sqlite"
        with running(pump.capture(free_port())):  # no broker: everything waits
            box = Outbox(pump.outbox, SITE, EDGE)
            for _ in range(12):
                pump.log_rows(2_000)
                pump.take_photo(20_000)
                time.sleep(0.8)
            last = str(round(pump.rows[-1][0].timestamp() * 1e6))
            deadline = time.monotonic() + 60
            while box.fact(f"{CAPTURED}{pump.gauges.resolve()}") != last and time.monotonic() < deadline:
                time.sleep(0.1)
            box.close()
        with shop(tmp_path) as (home, port, _), running(pump.capture(port)):
            pump.wait_until_receipted()
        found = pump.differences(home)
        gaps = [one for one in History(home).read("records").to_pylist() if one["kind"] == "capture_gap"]
    assert not found.twice and not found.changed
    assert found.lost and not [one for one in found.lost if isinstance(one, str)]  # rows, no photo, no record
    spans = [(gap["at"], gap["body"].split('"until":"')[1].split('"')[0]) for gap in gaps]
    assert all(
        any(start <= one[0] and one[0].isoformat() <= end.replace("Z", "+00:00") for start, end in spans)
        for one in found.lost
    )


@pytest.mark.slow
def test_a_full_disk_at_the_pipeline_holds_receipts_back_until_there_is_room(tmp_path):
    with small_disk(tmp_path / "disk", 12) as disk, mosquitto(tmp_path) as url:
        pump, home = Pump(tmp_path, seed=10), disk / "home"
        log = (tmp_path / "serve.log").open("w+")
        landing = beadbook("serve", "--home", home, "--broker", url, stderr=log)
        assert "receiving" in landing.stdout.readline()
        with running(landing), running(pump.capture(url.port)):
            pump.log_rows(100)
            pump.wait_until_receipted()
            ballast = disk / "ballast"
            with pytest.raises(OSError), ballast.open("wb", buffering=0) as file:
                while True:
                    file.write(bytes(1 << 16))
            for _ in range(3):
                pump.log_rows(100)
                pump.take_photo(300_000)
                time.sleep(1)
            deadline = time.monotonic() + 30
            while "nothing can be committed" not in (tmp_path / "serve.log").read_text():
                assert time.monotonic() < deadline
                time.sleep(0.2)
            box = Outbox(pump.outbox, SITE, EDGE)
            assert box.depth().messages > 0
            box.close()
            ballast.unlink()
            pump.wait_until_receipted()
        assert pump.differences(home) == NOTHING


@pytest.mark.slow
def test_random_kills_of_edge_broker_and_pipeline_lose_nothing_and_double_nothing(tmp_path):
    kills = int(os.environ.get("BEADBOOK_KILLS", "60"))
    seed = int(os.environ.get("BEADBOOK_SEED", "14"))
    chance = random.Random(seed)
    pump, home, port = Pump(tmp_path, seed), tmp_path / "home", free_port()

    def landing():
        return beadbook(
            *("serve", "--home", home, "--broker", f"mqtt://127.0.0.1:{port}"),
            stdout=subprocess.DEVNULL,
            stderr=(tmp_path / "serve.log").open("a"),
        )

    def broker():
        held = mosquitto(tmp_path, port)
        held.__enter__()
        return held

    worker = threading.Thread(target=pump.work, args=(3600, 100))
    running_broker, serving, capturing = broker(), landing(), pump.capture(port)
    worker.start()
    struck = {"edge": 0, "broker": 0, "pipeline": 0}
    try:
        for _ in range(kills):
            time.sleep(chance.uniform(0.2, 2.5))
            victim = chance.choice(list(struck))
            struck[victim] += 1
            if victim == "edge":
                capturing.kill()
                capturing.wait()
                capturing = pump.capture(port)
            elif victim == "pipeline":
                serving.kill()
                serving.wait()
                serving = landing()
            else:
                running_broker.__exit__(None, None, None)
                time.sleep(chance.uniform(0, 0.5))
                running_broker = broker()
        pump.stop()
        worker.join()
        pump.wait_until_receipted(300)
    finally:
        pump.stop()
        for process in (capturing, serving):
            process.send_signal(signal.SIGTERM)
        for process in (capturing, serving):
            process.wait(60)
        running_broker.__exit__(None, None, None)
    captured = len(pump.rows), len(pump.pictures), len(pump.records)
    print(f"seed={seed} kills={struck} rows, photos, records={captured}")
    assert pump.differences(home) == NOTHING
