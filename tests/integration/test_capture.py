"""Live capture: rows as a logger writes them, photographs as they are laid in a folder, and what joins in."""

import signal
import time
from contextlib import suppress
from datetime import timedelta
from pathlib import Path

import pytest

from edge.outbox import Outbox
from edge.sources.gauges import follow_rows, pack_events
from edge.sources.photos import settled_photos
from edge.wire import Channel
from pipeline.history import History
from pipeline.land.broker import embedded_broker
from tests.integration.test_pump_to_history import SITE, landing, wait_until
from tests.running import START, beadbook

HEADER = "ts,base_kPa\n"


def line(second, value=13_000):
    return f"{(START + timedelta(seconds=second)).isoformat()},{value}\n"


def has_opened(process, path):
    for descriptor in Path(f"/proc/{process.pid}/fd").iterdir():
        with suppress(FileNotFoundError):  # closed since the folder was listed
            if descriptor.samefile(path):
                return True
    return False


def test_gauges_photos_and_a_record_typed_beside_arrive_while_capture_runs(tmp_path):
    gauges, folder, home = tmp_path / "gauges.csv", tmp_path / "photos", tmp_path / "home"
    outbox = tmp_path / "outbox.sqlite"
    folder.mkdir()
    gauges.write_text(HEADER + line(0))
    history = History(home)
    with embedded_broker(port=0) as broker, landing(broker, home):
        common = (*SITE, "--broker", broker, "--outbox", outbox)
        capture = beadbook("capture", *common, "--gauges", gauges, "--watch", folder)
        try:
            # Rows written before capture has found the file's end are old to it.
            wait_until(lambda: has_opened(capture, gauges), timeout_s=30)
            time.sleep(0.5)
            (folder / "smear.jpg").write_bytes(b"\xff\xd8\xff picture")
            with gauges.open("a") as log:
                for tenth in range(30):
                    log.write(line(1 + tenth / 10, 13_000 + tenth))
                    log.flush()
                    time.sleep(0.02)
            record = beadbook("record", "unit_started", "unit=H9-1", *common, "--by", "R. Okafor")
            assert record.communicate(timeout=20) == ("1 message receipted\n", "")
            wait_until(lambda: history.read("gauge_samples").num_rows == 30 and history.files("photos"), 30)
        finally:
            capture.send_signal(signal.SIGTERM)
            _, errors = capture.communicate(timeout=20)
    assert capture.returncode == 0, errors
    assert (folder / "sent" / "smear.jpg").exists()
    # What stood in the file before capture began is not sent.
    assert history.read("gauge_samples").sort_by("at").column("base_pa")[0].as_py() == 13_000e3
    assert Outbox(outbox, "hall-9", "edge-a").depth().messages == 0


@pytest.fixture
def follow(tmp_path):
    """Follow a file; each step writes something, and the rows read since are given."""

    def run(path, *steps, from_start=False):
        steps, seen = list(steps), []
        for row in follow_rows(path, lambda: False, from_start=from_start):
            if row is not None:
                seen.append(round(row.at_us / 1e6 - START.timestamp(), 3))
            elif not steps:
                return seen
            else:
                steps.pop(0)()
        return seen

    return run


def appended(path, text):
    def step():
        with path.open("a") as file:
            file.write(text)

    return step


def test_following_waits_for_the_rest_of_a_line_and_passes_over_a_glitch(tmp_path, follow):
    path = tmp_path / "gauges.csv"
    path.write_text(HEADER + line(0))
    whole = line(1)
    seen = follow(
        path, appended(path, whole[:10]), appended(path, whole[10:]), appended(path, "garbage\n" + line(2))
    )
    assert seen == [1, 2]


def test_following_goes_over_to_the_file_that_the_logger_begins(tmp_path, follow):
    path = tmp_path / "gauges.csv"
    path.write_text(HEADER + line(0))

    def rotate():
        path.rename(tmp_path / "yesterday.csv")
        path.write_text(HEADER + line(2))

    assert follow(path, appended(path, line(1)), rotate, appended(path, line(3))) == [1, 2, 3]

    def begin_anew():
        path.write_text(HEADER)

    assert follow(path, begin_anew, appended(path, line(4)), from_start=True) == [2, 3, 4]


def test_a_pack_goes_out_when_the_logger_falls_silent(tmp_path):
    path = tmp_path / "gauges.csv"
    path.write_text(HEADER + line(0))
    began = time.monotonic()
    event = next(
        pack_events(follow_rows(path, lambda: False, from_start=True), "hall-9", "pump-a", pack_s=0.1)
    )
    assert event.channel is Channel.GAUGES
    assert 0.2 < time.monotonic() - began < 2


def test_a_photo_still_being_written_is_left_until_it_is_whole(tmp_path):
    (tmp_path / "new.jpg").write_bytes(b"\xff\xd8")
    (tmp_path / "notes.txt").write_text("no photo")
    assert list(settled_photos(tmp_path)) == []
