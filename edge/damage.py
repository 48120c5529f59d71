"""What if the outbox's file is damaged? Set aside whole, and what can be read of it is taken over.

A page that a dying card gave back wrong shows in SQLite's own structure, or in the digest kept with each
message. What is taken over may have landed already: the history knows it by what it is, and stores it once.
"""

import sqlite3
import time
import zlib
from contextlib import closing
from pathlib import Path
from typing import Final, NamedTuple

import msgspec
from msgspec import Struct

from edge.files import make_durable, write_durably

CAPTURED: Final = "captured:"  # begins the name of the fact that says how far a source was read
_MAGIC: Final = b"SQLite format 3\0"
# The words of SQLite's SQLITE_CORRUPT and SQLITE_NOTADB; Python 3.11 gives their codes as well.
_DAMAGE: Final = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
_LOOKUPS_MAX: Final = 2_000_000


class Salvaged(NamedTuple):
    """A message as it stood in the damaged file. created_at : Unix [s]."""

    channel: str
    payload: bytes
    created_at: float


class Damage(Struct, frozen=True):
    """What could not be read. messages : how many, None if not even that; since, until : Unix [s]."""

    messages: int | None
    since: float | None
    until: float

    def encode(self) -> str:
        """As a fact of the outbox."""
        return msgspec.json.encode(self).decode()


def crc_of(channel: str, payload: bytes) -> int:
    """Digest of a message, against a bit that the disk gives back wrong; no guard against a person."""
    return zlib.crc32(payload, zlib.crc32(channel.encode()))


def is_damage(error: sqlite3.Error, path: Path) -> bool:
    """Whether an error says that an outbox's own pages are wrong, rather than that a file never was one."""
    code = getattr(error, "sqlite_errorcode", None)
    if not (isinstance(error, sqlite3.DatabaseError) and (code in _DAMAGE or "malformed" in str(error))):
        return False
    try:
        with path.open("rb") as file:
            begins = file.read(len(_MAGIC))
    except OSError:
        return False
    # A first page that was lost reads as zeros; a text file named by mistake must not be moved away.
    return begins == _MAGIC or not any(begins)


def mark_damaged(path: Path) -> None:
    """Let whoever opens the outbox next set it aside: others may have it open now."""
    write_durably(_mark(path), b"")


def was_marked(path: Path) -> bool:
    """Whether the file was found to be damaged."""
    return _mark(path).exists()


def _mark(path: Path) -> Path:
    return path.with_name(path.name + ".damaged")


def set_aside(path: Path) -> Path:
    """Move the file and its log out of the way; its new name."""
    aside = path.with_name(f"{path.name}.set-aside-{time.time_ns() // 1_000_000}")
    for suffix in ("-wal", "", "-shm"):
        part = path.with_name(path.name + suffix)
        if part.exists():
            part.rename(aside.with_name(aside.name + suffix))
    _mark(path).unlink(missing_ok=True)
    make_durable([path.parent])
    return aside


def salvaged(aside: Path) -> tuple[list[Salvaged], Damage | None]:
    """What can be read of a damaged outbox, in order, and what can't."""
    found: list[Salvaged] = []
    lost = 0
    since: float | None = None
    with closing(sqlite3.connect(f"{aside.resolve().as_uri()}?mode=ro", uri=True)) as db:
        first, last = (_number(db, query) for query in (_FIRST, _LAST))
        if last is None:
            return [], Damage(None, None, time.time())
        for seq in range(max(first or 1, last - _LOOKUPS_MAX, 1), last + 1):
            try:
                row = db.execute(_ONE, (seq,)).fetchone()
            except sqlite3.DatabaseError:
                row = ()
            if row is None:
                continue  # receipted
            if not row or (row[3] is not None and row[3] != crc_of(row[0], row[1])):
                lost += 1
                since = since if since is not None or not found else found[-1].created_at
                continue
            found.append(Salvaged(*row[:3]))
    until = found[-1].created_at if found else time.time()
    return found, Damage(lost, since, max(until, since or 0.0)) if lost else None


def captured_facts(aside: Path) -> list[tuple[str, str]]:
    """How far each source had been read, as far as that can be told."""
    with closing(sqlite3.connect(f"{aside.resolve().as_uri()}?mode=ro", uri=True)) as db:
        try:
            return list(db.execute("SELECT name, value FROM facts WHERE name LIKE ?", (f"{CAPTURED}%",)))
        except sqlite3.DatabaseError:
            return []


_FIRST: Final = "SELECT min(seq) FROM messages"
_LAST: Final = "SELECT max((SELECT seq FROM sqlite_sequence), (SELECT max(seq) FROM messages))"
_ONE: Final = "SELECT channel, payload, created_at, crc FROM messages WHERE seq = ?"


def _number(db: sqlite3.Connection, query: str) -> int | None:
    try:
        found = db.execute(query).fetchone()[0]
    except sqlite3.DatabaseError:
        return None
    return None if found is None else int(found)
