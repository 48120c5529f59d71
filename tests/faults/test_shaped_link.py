"""A slow, lossy and cut network as the kernel makes it, in a namespace of its own, costs nothing."""

import re
import subprocess
import sys

import pytest

from tests.running import ROOT

ALONE = ("unshare", "--map-root-user", "--net")


def may_shape() -> bool:
    """Whether this machine gives us a network of our own whose pace can be set."""
    try:
        call = "ip link set lo up && tc qdisc add dev lo root tbf rate 1mbit burst 32kbit latency 100ms"
        return subprocess.run([*ALONE, "sh", "-c", call], capture_output=True).returncode == 0
    except OSError:
        return False


@pytest.mark.slow
@pytest.mark.mosquitto
@pytest.mark.skipif(
    not may_shape(), reason="no network namespace with tc here: the proxy's test stands alone"
)
def test_a_link_that_drops_packets_crawls_and_goes_down_costs_nothing(tmp_path):
    call = [*ALONE, sys.executable, "-m", "tests.faults.shaped", str(tmp_path)]
    run = subprocess.run(call, cwd=ROOT, capture_output=True, text=True, timeout=240)
    assert run.returncode == 0, run.stderr[-2_000:]
    rows, photos, dropped = map(int, re.search(r"rows=(\d+) photos=(\d+) dropped=(\d+)", run.stdout).groups())
    assert rows > 500 and photos > 1
    assert dropped > 0, "the link never dropped a packet, so it showed nothing"
    assert "lost=0 twice=0 changed=0" in run.stdout
