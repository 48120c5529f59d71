"""How much may a stranger ask of us? So much at once, and again as time goes by.

A bucket each: full at first, filled at a rate, emptied by what is asked. Who has emptied theirs is told no,
and nobody else is.
"""

import time
from collections.abc import Callable
from typing import Final

# Names come from topics, so a stranger can make up as many as they like: those beyond share one bucket.
NAMES_MAX: Final = 1_000


class Allowance:
    """One bucket for each name. For one thread."""

    def __init__(self, at_once: float, per_s: float, clock: Callable[[], float] = time.monotonic) -> None:
        """at_once : what a full bucket holds; per_s : how fast it fills; clock : monotonic [s]"""
        self._at_once = at_once
        self._per_s = per_s
        self._clock = clock
        self._left: dict[str, tuple[float, float]] = {}  # what was left, and when

    def take(self, name: str, amount: float = 1.0) -> bool:
        """Whether so much is there; it is taken out then. More than a full bucket is never there."""
        if name not in self._left and len(self._left) >= NAMES_MAX:
            name = ""
        now = self._clock()
        left, at = self._left.get(name, (self._at_once, now))
        left = min(self._at_once, left + (now - at) * self._per_s)
        enough = amount <= left
        self._left[name] = left - amount if enough else left, now
        return enough
