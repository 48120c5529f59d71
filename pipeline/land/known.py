"""What has landed already? Samples by pump and time, records by id, photographs by digest and pump.

A sample later than all of its pump's is new without a look; only for others the day's moments are read, once.
"""

from collections.abc import Iterable
from datetime import date, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from pipeline.history import History

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

DAY_US: Final = 86_400_000_000
_EPOCH_DAY: Final = date(1970, 1, 1)
# Days that late samples were looked for in are kept up to here; one pump's day at 50 Hz is 35 MB of moments.
_DAYS_BYTES_MAX: Final = 96 * 1024 * 1024


def day_of(at_us: int) -> date:
    """UTC date of a moment. at_us : Unix [us]."""
    return _EPOCH_DAY + timedelta(days=at_us // DAY_US)


class Known:
    """What stands in the landed tables, as far as it had to be looked at. For the thread that lands."""

    def __init__(self, history: History) -> None:
        self._history = history
        self._latest: dict[tuple[str, str], int] = {}
        self._days: dict[tuple[str, str, date], IntArray] = {}
        self._keys: dict[str, set[tuple[str, ...]]] = {}

    def forget(self) -> None:
        """Look again at the tables from now on: a commit may have failed half-way."""
        self._latest.clear()
        self._days.clear()
        self._keys.clear()

    def samples(self, site: str, pump: str, at_us: IntArray) -> BoolArray:
        """(N,) whether a sample of that moment has landed. at_us : (N,) Unix [us]."""
        known = np.zeros(len(at_us), bool)
        earlier = at_us <= self._latest_of(site, pump)
        if earlier.any():
            days = at_us // DAY_US
            for day in np.unique(days[earlier]).tolist():
                there = self._moments(site, pump, _EPOCH_DAY + timedelta(days=day))
                here = days == day
                if len(there):
                    where = np.minimum(np.searchsorted(there, at_us[here]), len(there) - 1)
                    known[here] = there[where] == at_us[here]
        return known

    def add_samples(self, site: str, pump: str, at_us: IntArray) -> None:
        """Remember samples that are committed. at_us : (N,) Unix [us], N > 0."""
        key = site, pump
        self._latest[key] = max(self._latest_of(site, pump), int(at_us.max()))
        for kept in [kept for kept in self._days if kept[:2] == key]:
            here = at_us[at_us // DAY_US == (kept[2] - _EPOCH_DAY).days]
            if len(here):
                self._days[kept] = np.union1d(self._days[kept], here)

    def keys(self, table: str, columns: Iterable[str]) -> set[tuple[str, ...]]:
        """The keys that stand in a small table; whoever commits to it adds to the set."""
        found = self._keys.get(table)
        if found is None:
            rows = self._history.read(table, columns=list(columns))
            found = self._keys[table] = set(
                zip(*(column.to_pylist() for column in rows.columns), strict=True)
            )
        return found

    def _latest_of(self, site: str, pump: str) -> int:
        key = site, pump
        if key not in self._latest:
            days = self._history.days("gauge_samples", site, pump)
            there = self._moments(site, pump, days[-1]) if days else np.zeros(0, np.int64)
            self._latest[key] = int(there[-1]) if len(there) else np.iinfo(np.int64).min
        return self._latest[key]

    def _moments(self, site: str, pump: str, day: date) -> IntArray:
        key = site, pump, day
        found = self._days.pop(key, None)
        if found is None:
            rows = self._history.read("gauge_samples", site=site, pump=pump, days=(day, day), columns=["at"])
            found = np.sort(rows.column("at").cast(pa.int64()).to_numpy())
        self._days[key] = found  # last, as the one used last
        while len(self._days) > 1 and sum(day.nbytes for day in self._days.values()) > _DAYS_BYTES_MAX:
            del self._days[next(iter(self._days))]
        return found
