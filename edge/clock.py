"""Is this computer's clock held by a time service? As the kernel has it, and told when that changes."""

import ctypes
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Final

from edge.ids import uuid7
from edge.records import ClockState, encode_record

_TIME_ERROR: Final = 5  # adjtimex(2): the clock is not synchronised
_TIMEX_BYTES: Final = 512  # struct timex and more: all zero, it asks and sets nothing


def synchronised() -> bool | None:
    """Whether a time service holds the clock; None where the kernel can't be asked."""
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
    except (OSError, AttributeError):
        return None
    return None if state < 0 else bool(state != _TIME_ERROR)


class ClockWatch:
    """Says how the clock stands at first, and again whenever that changes."""

    def __init__(
        self, site: str, edge: str, pump: str, ask: Callable[[], bool | None] = synchronised
    ) -> None:
        self._site, self._edge, self._pump, self._ask = site, edge, pump, ask
        self._told: bool | None = None
        self._began = False

    def changed(self) -> bytes | None:
        """A record to send, as it goes on the wire; None while all is as it was told."""
        now = self._ask()
        if self._began and now == self._told:
            return None
        self._began, self._told = True, now
        record = ClockState(
            id=uuid7(),
            site=self._site,
            pump=self._pump,
            at=datetime.now(UTC),
            by=self._edge,
            edge=self._edge,
            synchronised=now,
        )
        return encode_record(record)
