"""What has landed and is not judged yet? Kept on disk, so that a kill leaves nothing unjudged.

A pump's day is written down before what lands for it is committed, and struck off once it has been advanced.
A name too many costs a look at a day that has not changed; one too few would leave a release standing that a
landed photograph forbids.
"""

import logging
import threading
from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import Final

import msgspec

from edge.files import write_durably
from pipeline.land.batch import PumpDay

log = logging.getLogger(__name__)

FILE_NAME: Final = "behind.json"

Days = dict[tuple[str, str], set[date]]


class Behind:
    """The pumps and UTC dates of one home that `advance` still has to see. Any thread may call it.

    A day goes from expected (about to be committed) to due (committed) to under way (being advanced).
    """

    def __init__(self, home: Path) -> None:
        """What an earlier run left behind is due at once."""
        self._path = home / FILE_NAME
        self._lock = threading.Lock()
        self._due = _read(self._path)
        self._written = set(self._due)
        self._expected: set[PumpDay] = set()
        self._under_way: set[PumpDay] = set()
        self._failed: set[PumpDay] = set()

    def expect(self, touched: Iterable[PumpDay]) -> None:
        """Something will be committed for these; on disk on return."""
        with self._lock:
            self._expected.update(touched)
            self._write()

    def landed(self, touched: Iterable[PumpDay]) -> None:
        """It has been committed. What could not be advanced before is tried again with its pump."""
        with self._lock:
            self._due.update(touched)
            self._expected.clear()
            pumps = {place[:2] for place in self._due}
            again = {place for place in self._failed if place[:2] in pumps}
            self._due |= again
            self._failed -= again

    def is_due(self) -> bool:
        """Whether there is anything to advance."""
        return bool(self._due)

    def take(self) -> Days:
        """What is due now, by (site, pump); give it back by `done` or `failed`."""
        with self._lock:
            taken, self._due = self._due, set()
            self._under_way |= taken
        days: Days = {}
        for site, pump, day in taken:
            days.setdefault((site, pump), set()).add(day)
        return days

    def done(self, site: str, pump: str) -> None:
        """What was taken of this pump has been advanced."""
        with self._lock:
            self._under_way = {place for place in self._under_way if place[:2] != (site, pump)}
            self._write()

    def failed(self, site: str, pump: str) -> None:
        """What was taken of this pump could not be advanced: it stays behind."""
        with self._lock:
            mine = {place for place in self._under_way if place[:2] == (site, pump)}
            self._under_way -= mine
            self._failed |= mine

    def _write(self) -> None:
        """Bring the file up to date, if what it should name has changed."""
        named = self._due | self._expected | self._under_way | self._failed
        if named != self._written:
            write_durably(self._path, msgspec.json.encode(sorted(named)))
            self._written = named


def _read(path: Path) -> set[PumpDay]:
    try:
        return set(msgspec.json.decode(path.read_bytes(), type=list[PumpDay]))
    except FileNotFoundError:
        return set()
    except (OSError, msgspec.DecodeError) as error:
        log.error("%s can't be read, run `beadbook rebuild` reason=%s", path, error)
        return set()
