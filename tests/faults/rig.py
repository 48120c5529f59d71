"""What was captured, and is it in the history? A pump's logger, camera and operator, and the comparison.

The logger writes every reading different; the camera's pictures differ in every byte; the operator's records
have ids. So a row lost, a row there twice, or a byte changed shows.
"""

import hashlib
import random
import threading
import time
from collections import Counter
from datetime import timedelta
from pathlib import Path
from typing import NamedTuple

from edge.ids import uuid7
from edge.outbox import Outbox, OutboxDamagedError
from edge.records import UnitStarted, encode_record
from edge.wire import Channel
from pipeline.history import History
from tests.running import START, beadbook

SITE, EDGE, PUMP = "hall-9", "edge-a", "pump-a"
HEADER = "ts,base_kPa,catalyst_1_kPa,catalyst_2_kPa\n"


class Differences(NamedTuple):
    """What is not as it was captured: nothing, if all is well."""

    lost: list[object]
    twice: list[object]
    changed: list[object]


def row(number: int, hz: int = 10):
    """(time, base, catalyst 1, catalyst 2) [kPa]."""
    at = START + timedelta(seconds=number / hz)
    return at, 13_000 + number / 8, 10_000 + number / 16, 10_100 - number / 32


class Pump:
    """What happens at a pump, written where `capture` finds it."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.gauges, self.photos = folder / "gauges.csv", folder / "photos"
        self.outbox = folder / "outbox.sqlite"
        self.photos.mkdir()
        self.gauges.write_text(HEADER)
        self.rows: list[tuple[object, ...]] = []
        self.pictures: dict[str, bytes] = {}
        self.records: list[str] = []
        self._chance = random.Random(seed)
        self._stop = threading.Event()

    def log_rows(self, count: int) -> None:
        """The logger writes some rows."""
        with self.gauges.open("a") as file:
            for _ in range(count):
                new = row(len(self.rows))
                self.rows.append(new)
                file.write(f"{new[0].isoformat()},{new[1]},{new[2]},{new[3]}\n")

    def take_photo(self, size: int = 60_000) -> None:
        """The camera lays a picture in the folder."""
        data = b"\xff\xd8\xff" + self._chance.randbytes(size)
        self.pictures[hashlib.sha256(data).hexdigest()] = data
        part = self.photos / "new.part"
        part.write_bytes(data)
        part.rename(self.photos / f"smear-{len(self.pictures)}.jpg")

    def type_record(self) -> None:
        """The operator types something, into the same outbox."""
        said = UnitStarted(
            id=uuid7(), site=SITE, pump=PUMP, at=START, by="R. Okafor", unit=f"H9-{len(self.records)}"
        )
        box = Outbox(self.outbox, SITE, EDGE)
        box.put(Channel.RECORD, encode_record(said))
        box.close()
        self.records.append(str(said.id))

    def work(self, seconds: float, rows_a_second: int = 200) -> None:
        """All of it at once for a while; ends early when `stop` is called."""
        until = time.monotonic() + seconds
        turn = 0
        while time.monotonic() < until and not self._stop.is_set():
            self.log_rows(rows_a_second // 10)
            turn += 1
            if turn % 20 == 7:
                self.take_photo()
            if turn % 20 == 14:
                self.type_record()
            time.sleep(0.1)

    def stop(self) -> None:
        self._stop.set()

    def capture(self, port: int, *more: object):
        """`beadbook capture` at this pump. What it logs goes to no one, so that a pipe never fills."""
        return beadbook(
            *("capture", "--site", SITE, "--edge", EDGE, "--pump", PUMP, "--from-start"),
            *("--gauges", self.gauges, "--watch", self.photos),
            *("--broker", f"mqtt://127.0.0.1:{port}", "--outbox", self.outbox, *more),
            stderr=self.outbox.with_suffix(".log").open("a"),
        )

    def wait_until_receipted(self, timeout_s: float = 120.0) -> None:
        """All that was captured has been put, and receipted."""
        deadline = time.monotonic() + timeout_s
        quiet_since = None
        while time.monotonic() < deadline:
            box = Outbox(self.outbox, SITE, EDGE)
            try:
                empty = box.depth().messages == 0 and not list(self.photos.glob("*.jpg"))
                read_to = box.fact(f"captured:{self.gauges.resolve()}")
            except OutboxDamagedError:
                continue  # whoever opens it next sets it aside
            finally:
                box.close()
            empty &= read_to == str(round(self.rows[-1][0].timestamp() * 1e6))
            quiet_since = (quiet_since or time.monotonic()) if empty else None
            if quiet_since is not None and time.monotonic() - quiet_since > 0.3:
                return
            time.sleep(0.1)
        raise AssertionError(f"not all was receipted in {timeout_s:g} s: {self.outbox}")

    def differences(self, home: Path) -> Differences:
        """The history held against what was captured, sample by sample and byte by byte."""
        history = History(home)
        rows = history.read("gauge_samples", site=SITE, pump=PUMP).to_pylist()
        there = Counter(
            (one["at"], one["base_pa"], one["catalyst_1_pa"], one["catalyst_2_pa"]) for one in rows
        )
        sent = Counter((at, a * 1e3, b * 1e3, c * 1e3) for at, a, b, c in self.rows)
        photos = Counter(one["sha256"] for one in history.read("photos").to_pylist())
        mine = set(self.records)
        records = Counter(one["id"] for one in history.read("records").to_pylist() if one["id"] in mine)
        lost = [*(sent - there), *(Counter(self.pictures.keys()) - photos), *(Counter(mine) - records)]
        twice = [*(there - sent), *(photos - Counter(self.pictures.keys())), *(records - Counter(mine))]
        changed = [
            digest
            for digest, data in self.pictures.items()
            if digest in photos and (home / "photos" / digest[:2] / digest).read_bytes() != data
        ]
        return Differences(lost, twice, changed)
