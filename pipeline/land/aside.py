"""What could not be landed? Kept with its reason, once, as far as an edge may fill our disk with it.

The payload stands in home/rejected under its digest. What goes beyond an edge's allowance is not kept: an
outbox's message waits there, without a receipt, until there is room again; a message that nobody would send
again is passed over, and counted.
"""

import hashlib
import logging
from collections import Counter
from datetime import datetime
from typing import Any, Final

import pyarrow.compute as pc

from edge.errors import InputError
from edge.files import write_all_durably
from edge.wire import Address, site_in
from pipeline.history import History
from pipeline.land.allowance import Allowance
from pipeline.land.samples import origin_of

log = logging.getLogger(__name__)

# An edge that is set up wrongly may be wrong for a shift before anyone looks: all of that is kept. A stranger
# with its password fills a gigabyte at once, and half a gigabyte a day after that.
MESSAGES_AT_ONCE: Final = 20_000
MESSAGES_PER_S: Final = 0.5
BYTES_AT_ONCE: Final = 1024 * 1024 * 1024
BYTES_PER_S: Final = 6_000.0
# The same thing under the same topic is kept once, as far back as so many.
REMEMBERED: Final = 20_000
_REASON_MAX: Final = 500  # characters
_TELL_EVERY: Final = 1_000


class BeyondAllowanceError(InputError):
    """An edge has had more set aside than it may."""


class Aside:
    """What has been set aside in one home. For the thread that lands."""

    def __init__(self, history: History, *, limited: bool = True) -> None:
        """limited : by edge; not, for the files that a person brings"""
        self._history = history
        self._messages = Allowance(MESSAGES_AT_ONCE, MESSAGES_PER_S) if limited else None
        self._bytes = Allowance(BYTES_AT_ONCE, BYTES_PER_S) if limited else None
        self._known: dict[tuple[str, str], None] | None = None  # in the order in which they came
        self._refused: Counter[str] = Counter()

    def forget(self) -> None:
        """Look again at the table from now on."""
        self._known = None

    def row(
        self, topic: str, payload: bytes, address: Address | None, reason: str, landed_at: datetime
    ) -> dict[str, Any] | None:
        """The table's row for a message; None if it stands there already.

        Raises BeyondAllowanceError.
        """
        digest = hashlib.sha256(payload).hexdigest()
        key = digest, topic
        if key in self._keys():
            return None
        who = f"{address.site}/{address.edge}" if address else "nobody"
        if not self._may(who, len(payload)):
            self._refused[who] += 1
            refused = self._refused[who]
            if refused % _TELL_EVERY == 1:
                log.error("no more is set aside for now from=%s refused=%d last=%s", who, refused, reason)
            raise BeyondAllowanceError(
                "has sent more that can't be landed than is kept", where=f"edge {who}", do="see rejected"
            )
        self._keys()[key] = None
        log.warning("set aside topic=%.200s reason=%s", one_line(topic), reason)
        return {
            "site": address.site if address else site_in(topic),
            "topic": topic,
            "reason": reason,
            "sha256": digest,
            "size_bytes": len(payload),
            **origin_of(address)._asdict(),
            "landed_at": landed_at,
        }

    def keep(self, payloads: dict[str, bytes]) -> None:
        """Write payloads by their digest; durable on return."""
        folder = self._history.home / "rejected"
        write_all_durably(
            {folder / digest: data for digest, data in payloads.items() if not (folder / digest).exists()}
        )
        known = self._keys()
        while len(known) > REMEMBERED:
            del known[next(iter(known))]

    def _may(self, who: str, size: int) -> bool:
        if self._messages is None or self._bytes is None:
            return True
        return self._messages.take(who) and self._bytes.take(who, size)

    def _keys(self) -> dict[tuple[str, str], None]:
        if self._known is None:
            rows = self._history.read("rejected", columns=["sha256", "topic", "landed_at"])
            last = rows.take(pc.sort_indices(rows, [("landed_at", "ascending")])[-REMEMBERED:])
            pairs = zip(last["sha256"].to_pylist(), last["topic"].to_pylist(), strict=True)
            self._known = dict.fromkeys(pairs)
        return self._known


def one_line(text: str) -> str:
    """What a stranger may have written, fit for a log line: no control character, and not too long."""
    if len(text) > _REASON_MAX:
        text = f"{text[: _REASON_MAX // 2]} … {text[-_REASON_MAX // 2 :]}"
    return text if text.isprintable() else ascii(text)[1:-1]
