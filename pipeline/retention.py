"""How long does every reading stay? Raw gauge rows of old days are thinned; all else is kept for ever.

What was derived from the full readings stands as it is and is not derived again: a day that was thinned is
named in the home's thinned.json, and `advance` passes over it. Photographs, records and features stay whole.
"""

import logging
from datetime import date
from pathlib import Path
from typing import Final, NamedTuple

import msgspec
import numpy as np
import pyarrow as pa

from edge.files import write_durably
from pipeline.history import History

log = logging.getLogger(__name__)

FILE_NAME: Final = "thinned.json"
KEEP_EVERY_S: Final = 10

PumpDay = tuple[str, str, date]


class Thinned(NamedTuple):
    """What thinning took away."""

    days: int
    rows_before: int
    rows_after: int


def thinned_days(home: Path) -> set[PumpDay]:
    """(site, pump, UTC date) of days whose readings are no longer all there."""
    try:
        return set(msgspec.json.decode((home / FILE_NAME).read_bytes(), type=list[PumpDay]))
    except FileNotFoundError:
        return set()


def thin_before(history: History, day: date) -> Thinned:
    """Keep a row every ten seconds of the days before `day`; each day is one commit, durable on return.

    Hold `history.only_landing()` meanwhile.
    """
    done = thinned_days(history.home)
    total = Thinned(0, 0, 0)
    for site, pump in sorted(_pumps(history)):
        for old in history.days("gauge_samples", site, pump):
            if old >= day or (site, pump, old) in done:
                continue
            rows = history.read("gauge_samples", site=site, pump=pump, days=(old, old)).sort_by("at")
            kept = rows.filter(pa.array(_first_of_each(rows)))
            # Named first: a kill in between leaves a full day not derived again, never a thin one that is.
            done.add((site, pump, old))
            write_durably(history.home / FILE_NAME, msgspec.json.encode(sorted(done)))
            history.replace_day("gauge_samples", kept, site, pump, old)
            total = Thinned(total.days + 1, total.rows_before + len(rows), total.rows_after + len(kept))
    if total.days:
        log.info("thinned days=%d rows=%d kept=%d", *total)
    return total


def _pumps(history: History) -> set[tuple[str, str]]:
    groups = history.read("gauge_samples", columns=["site", "pump"]).group_by(["site", "pump"]).aggregate([])
    return {(row["site"], row["pump"]) for row in groups.to_pylist()}


def _first_of_each(rows: pa.Table) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """(N,) whether a row is the first of its KEEP_EVERY_S seconds. rows : in order of `at`"""
    at_s = rows.column("at").cast(pa.int64()).to_numpy() // (KEEP_EVERY_S * 1_000_000)
    return np.concatenate([[True], np.diff(at_s) > 0]) if len(at_s) else np.zeros(0, bool)
