"""Has anything changed since a day was derived? What has not is neither analysed nor written again.

A date on which something landed touches the production days on both sides of it, and a growing day is looked
at again and again; most of what is derived of it stands already. Kept in memory alone: a program that starts
anew looks at everything once.
"""

import hashlib
from collections import OrderedDict
from datetime import date
from typing import Final

import msgspec
import numpy as np
import pyarrow as pa

from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.settings import GaugeSettings

# Production days held in memory; of one forgotten all is derived once more.
DAYS_MAX: Final = 256

Place = tuple[str, str, date]


class Unchanged:
    """What production days, as (site, pump, day), were last derived from, and what was written of them."""

    def __init__(self) -> None:
        self._from: OrderedDict[Place, bytes] = OrderedDict()
        self._wrote: dict[Place, dict[str, pa.Table]] = {}

    def since(self, place: Place, digest: bytes) -> bool:
        """Whether all of the day was derived from what has this digest."""
        return self._from.get(place) == digest

    def stands(self, place: Place, table: str, rows: pa.Table) -> bool:
        """Whether these rows are what was written last."""
        before = self._wrote.get(place, {}).get(table)
        return before is not None and before.equals(rows)

    def wrote(self, place: Place, table: str, rows: pa.Table) -> None:
        """They are now."""
        self._wrote.setdefault(place, {})[table] = rows

    def derived(self, place: Place, digest: bytes) -> None:
        """All of the day was derived from what has this digest."""
        self._from[place] = digest
        self._from.move_to_end(place)
        while len(self._from) > DAYS_MAX:
            oldest, _ = self._from.popitem(last=False)
            self._wrote.pop(oldest, None)


def digest_of(recording: Recording, settings: GaugeSettings) -> bytes:
    """SHA-256 over readings and settings: all that an analysis looks at."""
    digest = hashlib.sha256(msgspec.json.encode(settings))
    digest.update(np.ascontiguousarray(recording.at_us).data)
    for gauge, values in sorted(recording.gauges.items()):
        digest.update(gauge.value.encode())
        digest.update(np.ascontiguousarray(values).data)
    return digest.digest()
