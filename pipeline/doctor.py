"""Is everything well at this site? Broker, clock, disk, calibration, outbox, history: found, and what to do.

Each check looks at one thing and says what it found; nothing is changed.
"""

import fcntl
import shutil
import time
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Final

import paho.mqtt.client as mqtt
from msgspec import Struct
from paho.mqtt.enums import CallbackAPIVersion

from edge.broker import BrokerUrl
from edge.clock import synchronised
from edge.depth import look_into
from edge.errors import BeadbookError
from edge.sentences import counted
from pipeline.backup import faults
from pipeline.behind import Behind
from pipeline.history import History
from pipeline.settings import SiteSettings, load_settings

DISK_LEAST: Final = 0.05  # free, of the whole
DISK_LEAST_BYTES: Final = 1_000_000_000
OUTBOX_OLDEST: Final = timedelta(hours=1)
CALIBRATION_SOON: Final = timedelta(days=14)
REJECTED_SINCE: Final = timedelta(days=1)
_CONNECT_S: Final = 5.0


class Finding(Struct, frozen=True):
    """What a check found. do : what to do about it, empty where all is well."""

    of: str
    found: str
    do: str = ""

    @property
    def well(self) -> bool:
        """Whether nothing is to be done."""
        return not self.do


def examine(
    home: Path, broker: BrokerUrl | None, outbox: Path | None, now: datetime | None = None
) -> Iterator[Finding]:
    """Every check in turn. broker, outbox : None to pass over; now : aware, for a test."""
    now = now or datetime.now(UTC)
    settings = SiteSettings()
    try:
        settings = load_settings(home)
        yield Finding(
            "settings", f"{settings.name}, {settings.time_zone}, {counted(len(settings.pumps), 'pump')}"
        )
    except BeadbookError as error:
        yield Finding("settings", error.what, f"{error.do} ({error.where})")
    checks: list[Callable[[], Iterator[Finding]]] = [
        lambda: _broker(broker),
        _clock,
        lambda: _disk(home),
        lambda: _calibration(settings, now.astimezone(settings.zone).date()),
        lambda: _outbox(outbox, now),
        lambda: _landing(home),
        lambda: _history(home, now),
    ]
    for check in checks:
        try:
            yield from check()
        except BeadbookError as error:
            yield Finding(error.where, error.what, error.do)


def _broker(broker: BrokerUrl | None) -> Iterator[Finding]:
    if broker is None:
        return
    answers: list[str] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_connect = lambda _client, _data, _flags, reason, _more: answers.append(
        f"refuses us: {reason}" if reason.is_failure else ""
    )
    try:
        broker.identify(client)
        client.connect_timeout = _CONNECT_S
        client.connect(broker.host, broker.port)
        deadline = time.monotonic() + _CONNECT_S
        while not answers and time.monotonic() < deadline:
            client.loop(0.1)
        client.disconnect()
    except (OSError, ValueError) as error:
        answers.append(f"can't be reached: {error}")
    said = answers[0] if answers else f"does not answer within {_CONNECT_S:g} s"
    if said:
        yield Finding(
            "broker", f"{broker} {said}", "see that it runs, and that the URL and password are right"
        )
    else:
        yield Finding("broker", f"{broker} answers")


def _clock() -> Iterator[Finding]:
    held = synchronised()
    if held is False:
        yield Finding(
            "clock",
            f"{datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC, not synchronised",
            "start a time service, such as systemd-timesyncd or chrony, and let it reach a server",
        )
    elif held:
        yield Finding("clock", f"{datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC, synchronised")


def _disk(home: Path) -> Iterator[Finding]:
    usage = shutil.disk_usage(home)
    found = f"{usage.free / 1e9:.1f} GB of {usage.total / 1e9:.1f} GB free below {home}"
    short = usage.free < min(DISK_LEAST * usage.total, DISK_LEAST_BYTES)
    yield Finding("disk", found, "free some space: nothing can land on a full disk" if short else "")


def _calibration(settings: SiteSettings, today: date) -> Iterator[Finding]:
    dated: list[tuple[str, str, date]] = [
        (gauge, name, due)
        for name, pump in settings.pumps.items()
        for gauge, due in pump.calibration_due.items()
    ]
    for edge in settings.edges.values():
        dated += [
            (one.gauge.value, edge.pump, one.calibration.due)
            for one in edge.channels().values()
            if one.calibration is not None
        ]
    for gauge, name, due in sorted(dated):
        found = f"{gauge} of {name} is due on {due}"
        if due < today:
            yield Finding(
                "calibration", f"{found}: overdue", "calibrate it, and set the new date in site.toml"
            )
        else:
            yield Finding("calibration", f"{found}: soon" if due - today <= CALIBRATION_SOON else found)


def _outbox(path: Path | None, now: datetime) -> Iterator[Finding]:
    if path is None:
        return
    inside = look_into(path)
    found = f"{counted(inside.messages, 'message')} wait in {path}, {inside.bytes / 1e6:.1f} MB"
    if inside.oldest_at is None:
        yield Finding("outbox", found)
        return
    age = now - datetime.fromtimestamp(inside.oldest_at, UTC)
    found = f"{found}, the oldest since {age.total_seconds() / 60:.0f} min"
    late = age > OUTBOX_OLDEST
    yield Finding("outbox", found, "see that broker and landing run: nothing is receipted" if late else "")


def _landing(home: Path) -> Iterator[Finding]:
    lock = home / "landing.lock"
    if lock.exists():
        with lock.open("r") as held:
            try:
                fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                yield Finding("landing", "runs")
                return
    yield Finding("landing", f"nothing lands in {home} now", "start `beadbook serve`")


def _history(home: Path, now: datetime) -> Iterator[Finding]:
    if not (home / "history").is_dir():
        yield Finding("history", "nothing has landed yet")
        return
    wrong = faults(home)
    history = History(home)
    if wrong:
        yield Finding(
            "history", f"{counted(len(wrong), 'fault')}, the first: {wrong[0]}", "bring it back from a backup"
        )
    else:
        rows = [
            history.read(name, columns=["site"]).num_rows for name in ("gauge_samples", "records", "photos")
        ]
        yield Finding("history", "whole: {} samples, {} records, {} photographs".format(*rows))
    torn = sorted((home / "history").glob("*/_delta_log/*.torn"))
    if torn:
        what = counted(len(torn), "torn log file")
        yield Finding("history", f"{what} set aside after a power cut; nothing receipted was in it")
    landed = history.read("rejected", columns=["landed_at"]).column("landed_at").to_pylist()
    recent = sum(at > now - REJECTED_SINCE for at in landed)
    if recent:
        yield Finding(
            "rejected",
            f"{counted(recent, 'message')} set aside in the last day",
            'ask why: beadbook query "SELECT * FROM history.rejected ORDER BY landed_at DESC"',
        )
    behind = Behind(home)
    if behind.is_due():
        yield Finding("judged", f"{counted(len(behind.take()), 'pump')} has landed and is not judged yet")
