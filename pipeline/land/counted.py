"""What has landed so far, in numbers? Counted by batch for whoever watches the pipeline."""

import threading
import time
from collections.abc import Callable
from typing import Final

from edge.watching import Metric, one
from pipeline.land.andon import Standing
from pipeline.land.batch import Landed

_STALLED_S: Final = 60.0
# Of a batch's fields, what is added up.
_TOLD: Final = {
    "samples": "Gauge rows committed.",
    "records": "Records committed.",
    "photos": "Photographs committed.",
    "rejected": "Messages set aside with a reason.",
    "already": "Things that came again and were not stored twice.",
    "passed_over": "Messages not kept: beyond what may be set aside of their edge.",
}


class Counts:
    """Counters of one `serve`. Any thread may ask; the one that lands counts."""

    def __init__(
        self,
        standings: Callable[[], dict[tuple[str, str], Standing]],
    ) -> None:
        """standings : what is told of each pump"""
        self._connected = False
        self._standings = standings
        self._lock = threading.Lock()
        self._totals = dict.fromkeys(_TOLD, 0)
        self._batches = 0
        self._landed_at = 0.0
        self._alive_at = time.monotonic()

    def count(self, moved: Landed) -> None:
        """A batch has been committed."""
        with self._lock:
            for name in self._totals:
                self._totals[name] += getattr(moved, name)
            self._batches += 1
            self._landed_at = time.time()

    def alive(self, connected: bool) -> None:
        """The loop that lands has gone round."""
        self._connected = connected
        self._alive_at = time.monotonic()

    def trouble(self) -> str | None:
        """Why landing is not well; None while it is."""
        if not self._connected:
            return "no contact with the broker"
        still_s = time.monotonic() - self._alive_at
        return f"nothing could be committed for {still_s:.0f} s" if still_s > _STALLED_S else None

    def metrics(self) -> list[Metric]:
        """The numbers, as they stand."""
        with self._lock:
            totals, batches, landed_at = dict(self._totals), self._batches, self._landed_at
        metrics = [
            one(f"beadbook_landed_{name}_total", "counter", _TOLD[name], count)
            for name, count in totals.items()
        ]
        metrics.append(one("beadbook_landed_batches_total", "counter", "Batches committed.", batches))
        metrics.append(
            one("beadbook_landed_last_seconds", "gauge", "Unix time of the last commit.", landed_at)
        )
        metrics.append(
            one(
                "beadbook_broker_connected", "gauge", "Whether messages are received.", float(self._connected)
            )
        )
        released: dict[tuple[tuple[str, str], ...], float] = {
            (("site", site), ("pump", pump)): float(standing.state == "release")
            for (site, pump), standing in self._standings().items()
        }
        metrics.append(Metric("beadbook_pump_released", "gauge", "1 release, 0 hold.", released))
        return metrics
