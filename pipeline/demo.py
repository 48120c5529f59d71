"""What does a day look like, from gauge to summary? The invented shop's day through every real part.

Two edges play their pump's gauges, records and photographs out of the samples into their outboxes; a landing
with its own broker commits, receipts, derives and judges; the summaries are read back out of the history.
"""

import shutil
import socket
import subprocess
import sys
import time
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import Final

import msgspec
from rich.console import Console

from edge.errors import BeadbookError, InputError
from edge.words import CAUTIONS
from pipeline.join import connect
from pipeline.samples import Samples, find_samples
from pipeline.settings import FILE_NAME, load_settings
from pipeline.show.page import render_page
from pipeline.show.summary import open_shift, summarise
from pipeline.show.terminal import print_summary

# The network of the second edge is down over lunch; its outbox keeps what happens meanwhile.
EDGES: Final = {
    "pump-a": ("edge-a", None),
    "pump-b": ("edge-b", "2026-10-14T12:40-05:00/2026-10-14T13:15-05:00"),
}
DAY: Final = date(2026, 10, 14)
SHIFTS: Final = (1, 2)
PACK_S: Final = "20"
_MARK: Final = "demo.txt"
_START_S: Final = 30.0


def run_demo(home: Path, console: Console | None = None) -> None:
    """Play the day into `home` and print its summaries.

    Raises InputError if the folder holds anything but an earlier demo, or a part of the way fails.
    """
    console = console or Console(width=None if sys.stdout.isatty() else 120, highlight=False)
    samples = find_samples()
    _make_room(home)
    shutil.copy(samples.streams / FILE_NAME, home / FILE_NAME)
    began = time.monotonic()
    _play(home, samples, console)
    console.print(f"The day has been played in {time.monotonic() - began:.0f} s.\n")
    _show(home, console)


def _make_room(home: Path) -> None:
    if home.exists() and any(home.iterdir()) if home.is_dir() else home.exists():
        if not (home / _MARK).is_file():
            raise InputError("holds other things", where=str(home), do="give an empty folder with --home")
        shutil.rmtree(home)
    home.mkdir(parents=True, exist_ok=True)
    (home / _MARK).write_text("A demo played here; the next one replaces it.\n")


def _play(home: Path, samples: Samples, console: Console) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    logs = home / "logs"
    logs.mkdir()
    landing = _start(logs / "landing.log", "serve", "--home", str(home), "--listen", f"127.0.0.1:{port}")
    edges: dict[str, subprocess.Popen[bytes]] = {}
    try:
        _wait_for(logs / "landing.log", "receiving from", landing)
        for pump, (edge, offline) in EDGES.items():
            files = [str(samples.streams / f"{pump}_{part}") for part in _PARTS]
            edges[edge] = _start(
                logs / f"{edge}.log",
                *("replay", *files, "--photos", str(samples.images), "--fast", "--pack-s", PACK_S),
                *("--site", load_settings(home).name, "--edge", edge, "--pump", pump),
                *("--broker", f"mqtt://127.0.0.1:{port}", "--outbox", str(home / f"{edge}.sqlite")),
                *(("--offline", offline) if offline else ()),
            )
        with console.status("two edges play the day; the landing commits it") as status:
            for edge, process in edges.items():
                while process.poll() is None:
                    status.update(f"landed so far: {_landed(home)}")
                    with suppress(subprocess.TimeoutExpired):
                        process.wait(1.0)
                if process.returncode:
                    raise _failed(edge, logs / f"{edge}.log")
            status.update("scoring, analysing, judging")
            landing.terminate()
            if landing.wait():
                raise _failed("landing", logs / "landing.log")
    finally:
        for process in (landing, *edges.values()):
            if process.poll() is None:
                process.kill()
                process.wait()


_PARTS: Final = ("early.csv.gz", "late.csv.gz", "ambient.csv", "records.ndjson", "photos.ndjson")


def _start(log: Path, *command: str) -> subprocess.Popen[bytes]:
    with log.open("wb") as out:
        return subprocess.Popen(
            [sys.executable, "-m", "pipeline", *command], stdout=out, stderr=subprocess.STDOUT
        )


def _wait_for(log: Path, words: str, process: subprocess.Popen[bytes]) -> None:
    deadline = time.monotonic() + _START_S
    while words not in log.read_text():
        if process.poll() is not None or time.monotonic() > deadline:
            raise _failed("landing", log)
        time.sleep(0.05)


def _failed(part: str, log: Path) -> InputError:
    last = (log.read_text().strip().splitlines() or ["it said nothing"])[-1]
    return InputError(f"the {part} stopped: {last}", where=str(log), do="read the log and start again")


def _landed(home: Path) -> str:
    try:
        samples, photos, records = connect(home).execute(
            "SELECT (SELECT count(*) FROM gauge_samples), (SELECT count(*) FROM history.photos),"
            " (SELECT count(*) FROM history.records)"
        ).fetchone() or (0, 0, 0)
    except BeadbookError:
        return "nothing yet"
    return f"{samples:,} gauge rows, {photos} photographs, {records} records"


def _show(home: Path, console: Console) -> None:
    reports = home / "reports"
    reports.mkdir(exist_ok=True)
    written = []
    for pump in EDGES:
        for shift in SHIFTS:
            opened = open_shift(home, load_settings(home).name, pump, DAY, shift)
            found = summarise(opened)
            print_summary(found, console)
            console.print()
            page = reports / f"{DAY}_{pump}_shift{shift}.html"
            page.write_text(render_page(found, opened, home), encoding="utf-8")
            data = page.with_suffix(".json")
            data.write_bytes(msgspec.json.encode(found))
            written += [page, data]
    for path in written:
        console.print(str(path), soft_wrap=True)
    console.print(f'\nAsk it: beadbook query --home {home} "SELECT * FROM shift_summary"', soft_wrap=True)
    for caution in CAUTIONS:
        console.print(f"- {caution}", style="dim")
