"""How does advancing keep up with landing? In a process of its own, so that neither waits for the other.

What landed is noted; a worker brings those pumps up to date, rests in proportion to what that took, and says
on the broker how each pump stands. Landing never waits for it: what is derived can be derived again.
"""

import functools
import logging
import os
import signal
import threading
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from datetime import date
from multiprocessing import get_context, parent_process
from pathlib import Path
from typing import Final, TypeVar

from pipeline.advance import advance
from pipeline.behind import Behind
from pipeline.history import History
from pipeline.judge.release import ReleaseSpan
from pipeline.judging import standings
from pipeline.land.batch import PumpDay
from pipeline.settings import load_settings
from pipeline.tables import DERIVED
from pipeline.unchanged import Unchanged

log = logging.getLogger(__name__)

# At most a fifth of a core goes into looking again at a day that is still growing.
REST_SHARE: Final = 4.0
REST_LEAST_S: Final = 2.0
# Each advance replaces rows in a dozen tables; now and then what that leaves behind is put together.
TIDY_EVERY: Final = 50

T = TypeVar("T")
Told = Callable[[str, str, ReleaseSpan], None]


class Beside:
    """Advances in the background what `note` was told of; all of it once more when it is left."""

    def __init__(self, home: Path, told: Told = lambda _site, _pump, _span: None) -> None:
        """told : called with (site, pump, how it stands) for every pump at first, then after each advance."""
        self._home = home
        self._told = told
        self._behind = Behind(home)
        self._change = threading.Condition()
        self._leaving = False
        self._worker: ProcessPoolExecutor | None = None
        self._thread = threading.Thread(target=self._work, name="advance", daemon=True)

    def __enter__(self) -> "Beside":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        with self._change:
            self._leaving = True
            self._change.notify()
        self._thread.join()

    def expect(self, touched: set[PumpDay]) -> None:
        """Something is about to be committed for these pumps on these UTC dates."""
        self._behind.expect(touched)

    def note(self, touched: set[PumpDay]) -> None:
        """It has been."""
        with self._change:
            self._behind.landed(touched)
            self._change.notify()

    def _work(self) -> None:
        try:
            self._tell_all()
            rounds = 0
            while True:
                with self._change:
                    self._change.wait_for(lambda: self._behind.is_due() or self._leaving)
                    if not self._behind.is_due():
                        return
                began = time.monotonic()
                for (site, pump), days in self._behind.take().items():
                    self._advance(site, pump, days)
                rounds += 1
                if rounds % TIDY_EVERY == 0:
                    self._in_worker("tidy the derived tables", tidy_home, self._home)
                rest = max(REST_LEAST_S, REST_SHARE * (time.monotonic() - began))
                with self._change:
                    self._change.wait_for(lambda: self._leaving, timeout=rest)
        finally:
            if self._worker is not None:
                self._worker.shutdown()

    def _tell_all(self) -> None:
        """Say how every pump stands, for a broker that has forgotten, or was told by an older run."""
        for site, pump, span in self._in_worker("read how the pumps stand", read_standings, self._home) or []:
            self._told(site, pump, span)

    def _advance(self, site: str, pump: str, days: set[date]) -> None:
        done = self._in_worker(f"advance {pump} of {site}", advance_home, self._home, site, pump, days)
        if done is None:
            # The pump stays as it was judged last; its next landing, or the next start, tries again.
            self._behind.failed(site, pump)
            return
        try:
            self._behind.done(site, pump)
        except OSError as error:
            log.error("could not strike %s of %s off, it is looked at again reason=%s", pump, site, error)
        for span in done:
            self._told(site, pump, span)

    def _in_worker(self, what: str, work: Callable[..., T], *given: object) -> T | None:
        """What `work` returns in the worker; None if it failed, which is logged."""
        if self._worker is None:
            # A fresh interpreter: a forked one would inherit the broker's sockets and threads.
            self._worker = ProcessPoolExecutor(
                1, mp_context=get_context("spawn"), initializer=end_with_parent
            )
        try:
            return self._worker.submit(work, *given).result()
        except BrokenProcessPool:
            log.error("could not %s: the worker was ended from outside, perhaps for want of memory", what)
            self._worker.shutdown()
            self._worker = None  # a pool that has lost its process never works again
        except Exception as error:
            log.error("could not %s reason=%s", what, error or type(error).__name__)
        return None


def read_standings(home: Path) -> list[tuple[str, str, ReleaseSpan]]:
    """(site, pump, how it stands) of all pumps, as they were judged last."""
    return standings(History(home))


def tidy_home(home: Path) -> None:
    """Rewrite what lies in too many files of the derived tables."""
    History(home).compact(tuple(DERIVED))


def end_with_parent() -> None:
    """Let a worker end when its parent is gone, and not before.

    A worker whose parent was killed would wait for work for ever. A terminal sends Ctrl-C to both: a worker
    that took it would leave undone what its parent waits for.
    """
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    parent = parent_process()

    def watch() -> None:
        if parent is not None:
            parent.join()
            os._exit(1)

    threading.Thread(target=watch, name="watch-parent", daemon=True).start()


def advance_home(home: Path, site: str, pump: str, days: set[date]) -> list[ReleaseSpan]:
    """Advance one pump of a home; how it stands, nothing if nothing is known of it."""
    span = advance(History(home), load_settings(home), site, pump, days, unchanged=_unchanged(home))
    return [] if span is None else [span]


@functools.cache
def _unchanged(_home: Path) -> Unchanged:
    """What this worker has derived in a home."""
    return Unchanged()
