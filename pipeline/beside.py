"""How does advancing keep up with landing? In a process of its own, so that neither waits for the other.

What landed is noted; a worker brings those pumps up to date, rests in proportion to what that took, and says
on the broker how each pump stands. Landing never waits for it: what is derived can be derived again.
"""

import logging
import os
import threading
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from datetime import date
from multiprocessing import get_context, parent_process
from pathlib import Path
from typing import Final

from pipeline.advance import advance
from pipeline.history import History
from pipeline.judge.release import ReleaseSpan
from pipeline.land.batch import PumpDay
from pipeline.settings import load_settings
from pipeline.tables import DERIVED

log = logging.getLogger(__name__)

# At most a fifth of a core goes into looking again at a day that is still growing.
REST_SHARE: Final = 4.0
REST_LEAST_S: Final = 2.0
# Each advance replaces rows in a dozen tables; now and then what that leaves behind is put together.
TIDY_EVERY: Final = 50

Told = Callable[[str, str, ReleaseSpan], None]


class Beside:
    """Advances in the background what `note` was told of; all of it once more when it is left."""

    def __init__(self, home: Path, told: Told = lambda _site, _pump, _span: None) -> None:
        """told : called with (site, pump, how it stands) after each advance."""
        self._home = home
        self._told = told
        self._dirty: dict[tuple[str, str], set[date]] = {}
        self._change = threading.Condition()
        self._leaving = False
        self._thread = threading.Thread(target=self._work, name="advance", daemon=True)

    def __enter__(self) -> "Beside":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        with self._change:
            self._leaving = True
            self._change.notify()
        self._thread.join()

    def note(self, touched: set[PumpDay]) -> None:
        """Something landed for these pumps on these UTC dates."""
        with self._change:
            for site, pump, day in touched:
                self._dirty.setdefault((site, pump), set()).add(day)
            self._change.notify()

    def _work(self) -> None:
        # A fresh interpreter: a forked one would inherit the broker's sockets and threads.
        with ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=end_with_parent) as worker:
            rounds = 0
            while True:
                with self._change:
                    self._change.wait_for(lambda: self._dirty or self._leaving)
                    if not self._dirty:
                        return
                    due, self._dirty = self._dirty, {}
                began = time.monotonic()
                for (site, pump), days in due.items():
                    try:
                        span = worker.submit(advance_home, self._home, site, pump, days).result()
                    except Exception:
                        # The day stays as it was judged last; `rebuild` or the next landing tries again.
                        log.exception("could not advance site=%s pump=%s", site, pump)
                        continue
                    if span is not None:
                        self._told(site, pump, span)
                rounds += 1
                if rounds % TIDY_EVERY == 0:
                    try:
                        worker.submit(tidy_home, self._home).result()
                    except Exception:
                        log.exception("could not tidy the derived tables")
                rest = max(REST_LEAST_S, REST_SHARE * (time.monotonic() - began))
                with self._change:
                    self._change.wait_for(lambda: self._leaving, timeout=rest)


def tidy_home(home: Path) -> None:
    """Rewrite what lies in too many files of the derived tables."""
    History(home).compact(tuple(DERIVED))


def end_with_parent() -> None:
    """Let a worker end when its parent is gone: one whose parent was killed would wait for work for ever."""
    parent = parent_process()

    def watch() -> None:
        if parent is not None:
            parent.join()
            os._exit(1)

    threading.Thread(target=watch, name="watch-parent", daemon=True).start()


def advance_home(home: Path, site: str, pump: str, days: set[date]) -> ReleaseSpan | None:
    """Advance one pump of a home; what the worker runs."""
    return advance(History(home), load_settings(home), site, pump, days)
