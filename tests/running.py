"""What do the tests run? Brokers on free ports, `beadbook` in processes of its own, gauge files to send."""

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from edge.broker import BrokerUrl

START = datetime(2026, 10, 14, 11, tzinfo=UTC)
ROOT = Path(__file__).parent.parent


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def wait_for_port(port: int, timeout_s: float = 20.0) -> None:
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.02)
    raise TimeoutError(f"nothing listens on {port}")


def mosquitto_path() -> str:
    """The real broker; the test is skipped where there is none, and fails under CI."""
    found = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if found is None:
        reason = "no mosquitto on this machine (Debian: apt-get install mosquitto)"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    return found


@contextmanager
def mosquitto(
    folder: Path, port: int | None = None, settings: str = "", persistence: bool = False
) -> Iterator[BrokerUrl]:
    port = port or free_port()
    config = folder / f"mosquitto-{port}.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\n"
        f"persistence {'true' if persistence else 'false'}\n{settings}\n"
    )
    process = subprocess.Popen(
        [mosquitto_path(), "-c", config], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        wait_for_port(port)
        yield BrokerUrl("127.0.0.1", port)
    finally:
        process.kill()
        process.wait(10)


def beadbook(*words: object, **options: object) -> "subprocess.Popen[str]":
    """`beadbook` in a process of its own."""
    command = [sys.executable, "-m", "pipeline", *map(str, words)]
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **options}
    return subprocess.Popen(command, cwd=ROOT, env=environment, text=True, **pipes)


def serve(home: Path, port: int, own_broker: bool = True) -> "subprocess.Popen[str]":
    """`beadbook serve`, receiving: from a broker of its own on that port, or from the one that is there."""
    where = ("--listen", f"127.0.0.1:{port}") if own_broker else ("--broker", f"mqtt://127.0.0.1:{port}")
    process = beadbook("serve", "--home", home, *where)
    assert process.stdout is not None
    line = process.stdout.readline()
    if "receiving" not in line:
        raise RuntimeError(f"serve did not start: {line}{process.communicate()[1]}")
    return process


def gauge_rows(seconds: int, hz: int = 10) -> Iterator[tuple[datetime, float, float, float]]:
    """(time, base, catalyst 1, catalyst 2) [kPa]; every reading different, so that a mix-up shows."""
    for number in range(seconds * hz):
        at = START + timedelta(seconds=number / hz)
        yield at, 13_000 + number / 8, 10_000 + number / 16, 10_100 - number / 32


def write_gauge_file(path: Path, seconds: int, hz: int = 10) -> Path:
    lines = ["ts,base_kPa,catalyst_1_kPa,catalyst_2_kPa"]
    lines += [f"{at.isoformat()},{a},{b},{c}" for at, a, b, c in gauge_rows(seconds, hz)]
    path.write_text("\n".join(lines) + "\n")
    return path
