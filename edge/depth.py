"""What waits in an outbox? Looked at from outside, whoever has it open."""

import sqlite3
from contextlib import closing
from pathlib import Path

from msgspec import Struct

from edge.errors import InputError


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
