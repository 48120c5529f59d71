"""A shop whose whole network is the kernel's, shaped: `python -m tests.faults.shaped FOLDER` as its own root.

To be called under `unshare --map-root-user --net`: what it does to its loopback reaches nothing else.
"""

import subprocess
import sys
import threading
import time
from pathlib import Path

from tests.faults.rig import Pump
from tests.faults.test_faults import running, shop

SLOW, TIGHT = "rate 4mbit burst 64kbit latency 300ms", "rate 300kbit burst 32kbit latency 100ms"


def shape(how: str) -> None:
    subprocess.run(
        f"tc qdisc replace dev lo root tbf {how}", shell=True, check=True, capture_output=True, text=True
    )


def link(state: str) -> None:
    subprocess.run(["ip", "link", "set", "lo", state], check=True)


def main(folder: Path) -> None:
    link("up")
    # As on a cable: loopback's own packets are larger than a burst, and would never pass.
    subprocess.run(["ip", "link", "set", "lo", "mtu", "1500"], check=True)
    shape(SLOW)
    pump = Pump(folder, seed=12)
    # Where only root is mapped Mosquitto can take on no user of its own.
    with shop(folder, "user root") as (home, port, _), running(pump.capture(port)):
        worker = threading.Thread(target=pump.work, args=(8,))
        worker.start()
        time.sleep(2)
        link("down")
        time.sleep(2)
        link("up")
        # Slower than what is captured, and packets that find the queue full are dropped.
        shape(TIGHT)
        worker.join()
        dropped = subprocess.run(["tc", "-s", "qdisc", "show", "dev", "lo"], capture_output=True, text=True)
        shape(SLOW)
        pump.wait_until_receipted()
    told = dropped.stdout.partition("dropped ")[2].partition(",")[0]
    found = pump.differences(home)
    print(f"rows={len(pump.rows)} photos={len(pump.pictures)} dropped={told or 0}")
    print(f"lost={len(found.lost)} twice={len(found.twice)} changed={len(found.changed)}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
