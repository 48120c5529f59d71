"""What waits in an outbox? Looked at from outside, whoever has it open."""

import sqlite3
import time
from contextlib import closing
from pathlib import Path
from typing import Final

from msgspec import Struct

from edge.errors import InputError
from edge.watching import Metric, one

# A pipeline receipts within seconds; so old a message means that something between is not there.
OLDEST_S: Final = 900.0


class Inside(Struct, frozen=True):
    """What an outbox holds. oldest_at : Unix [s], None if nothing waits; lost_at : None while in contact."""

    site: str
    edge: str
    messages: int
    by_channel: dict[str, int]
    bytes: int
    oldest_at: float | None
    lost_at: str | None


def look_into(path: Path) -> Inside:
    """What waits in an outbox. Raises InputError if there is none."""
    if not path.is_file():
        raise InputError(
            "there is no outbox", where=str(path), do="name the one that --outbox gives to capture"
        )
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as db:
            facts = dict(db.execute("SELECT name, value FROM facts"))
            rows = db.execute(
                "SELECT channel, count(*), min(created_at), sum(length(payload)) FROM messages"
                " GROUP BY channel"
            ).fetchall()
    except sqlite3.Error as error:
        raise InputError(
            f"can't be read ({error})",
            where=str(path),
            do="start the edge again: a damaged outbox is set aside, and what can be read of it goes on",
        ) from None
    return Inside(
        facts["site"],
        facts["edge"],
        sum(row[1] for row in rows),
        {row[0]: row[1] for row in rows},
        sum(row[3] for row in rows),
        min((row[2] for row in rows), default=None),
        facts.get("lost_at"),
    )


class OutboxWatch:
    """What a watcher of `capture` is told."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def metrics(self) -> list[Metric]:
        """Depth and age of the outbox."""
        inside = look_into(self._path)
        age = 0.0 if inside.oldest_at is None else max(0.0, time.time() - inside.oldest_at)
        by_channel: dict[tuple[tuple[str, str], ...], float] = {
            (("channel", channel),): float(count) for channel, count in inside.by_channel.items()
        }
        return [
            Metric("beadbook_outbox_messages", "gauge", "Messages without a receipt.", by_channel),
            one("beadbook_outbox_bytes", "gauge", "Bytes of those messages.", inside.bytes),
            one("beadbook_outbox_oldest_seconds", "gauge", "Age of the oldest of them.", age),
            one(
                "beadbook_broker_connected", "gauge", "Contact to the broker.", float(inside.lost_at is None)
            ),
        ]

    def trouble(self) -> str | None:
        """Why the edge is not well; None while it is."""
        try:
            inside = look_into(self._path)
        except InputError as error:
            return str(error)
        age_s = 0.0 if inside.oldest_at is None else time.time() - inside.oldest_at
        if age_s > OLDEST_S:
            return f"{inside.messages} messages wait, the oldest for {age_s / 60:.0f} min"
        return None
