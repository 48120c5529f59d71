"""What has not been receipted yet? Every message is on disk here before it is sent, and until its receipt.

One SQLite file an edge, write-ahead log, synced on every commit, so that a message put is there after a power
cut. Open it once a thread: one captures, one sends.
"""

import fcntl
import secrets
import sqlite3
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import IO, Final, NamedTuple

from edge.errors import InputError
from edge.files import make_durable
from edge.wire import Address, Channel, Receipt

_BUSY_S: Final = 30.0
_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS messages (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,  -- never given twice, also after its row has gone
    channel TEXT NOT NULL,
    payload BLOB NOT NULL,
    created_at REAL NOT NULL                -- Unix [s]
);
CREATE TABLE IF NOT EXISTS facts (name TEXT PRIMARY KEY, value TEXT NOT NULL);
"""


class Held(NamedTuple):
    """A message in the outbox."""

    seq: int
    channel: Channel
    payload: bytes


class Depth(NamedTuple):
    """How much waits. oldest_at : Unix [s] when the oldest was put, None if nothing waits."""

    messages: int
    oldest_at: float | None


class Outbox:
    """The messages of one edge, in one file."""

    def __init__(self, path: Path, site: str, edge: str) -> None:
        """Open the outbox, made anew if the file is not there.

        Raises InputError if the file is no outbox, or another site's or edge's.
        """
        self.path = path
        self.site, self.edge = site, edge
        self._sender: IO[str] | None = None
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise self._refuse(
                f"its folder can't be made ({error.strerror})", "give another --outbox"
            ) from None
        new = not path.exists()
        try:
            self._db = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            # executescript would commit on its own; two processes may make the same file at once.
            with self._writing():
                for statement in _SCHEMA.split(";\n"):
                    self._db.execute(statement)
                for name, value in {"stream": secrets.token_hex(16), "site": site, "edge": edge}.items():
                    self._db.execute("INSERT OR IGNORE INTO facts VALUES (?, ?)", (name, value))
        except sqlite3.Error as error:
            raise self._refuse(f"can't be used as an outbox ({error})", "give another --outbox") from None
        if new:
            make_durable([path.parent])
        facts = dict(self._db.execute("SELECT name, value FROM facts"))
        self.stream: str = facts["stream"]
        if (facts["site"], facts["edge"]) != (site, edge):
            raise self._refuse(
                f"belongs to edge {facts['edge']} of {facts['site']}, not to {edge} of {site}",
                "give each edge an outbox of its own",
            )

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()
        if self._sender is not None:
            self._sender.close()

    # -- capture's side

    def put(self, channel: Channel, payload: bytes) -> int:
        """Keep a message; its seq. It is on disk on return."""
        return self.put_many([(channel, payload)])

    def put_many(self, messages: Iterable[tuple[Channel, bytes]]) -> int:
        """Keep messages, all or none; the last one's seq, 0 if there are none. On disk on return."""
        now = time.time()
        seq = 0
        with self._writing():
            for channel, payload in messages:
                row = (channel.value, payload, now)
                statement = "INSERT INTO messages (channel, payload, created_at) VALUES (?, ?, ?)"
                seq = self._db.execute(statement, row).lastrowid or 0
        return seq

    # -- courier's side

    def after(self, seq: int, messages: int, size: int) -> list[Held]:
        """The messages that follow a seq, in order: at most so many, and so many bytes but for one."""
        rows = self._db.execute(
            "SELECT seq, channel, payload FROM messages WHERE seq > ? ORDER BY seq LIMIT ?", (seq, messages)
        )
        held: list[Held] = []
        for number, channel, payload in rows:
            size -= len(payload)
            if held and size < 0:
                break
            held.append(Held(number, Channel(channel), payload))
        rows.close()
        return held

    def address(self, held: Held) -> Address:
        """Where a message goes."""
        return Address(self.site, self.edge, held.channel, self.stream, held.seq)

    def first(self) -> int:
        """Lowest seq not receipted yet; the next to be given if there is none."""
        found = self._db.execute("SELECT min(seq) FROM messages").fetchone()[0]
        return int(found) if found is not None else self.last() + 1

    def last(self) -> int:
        """Highest seq given so far, 0 before the first."""
        row = self._db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'messages'").fetchone()
        return int(row[0]) if row else 0

    def depth(self) -> Depth:
        """How much waits, and since when."""
        return Depth(*self._db.execute("SELECT count(*), min(created_at) FROM messages").fetchone())

    def receipted(self, receipt: Receipt) -> None:
        """Delete what the pipeline has made durable.

        Raises InputError for a receipt that speaks of messages never put: it is of another outbox.
        """
        last = self.last()
        if receipt.through > last or any(seq > last for seq in receipt.also):
            raise self._refuse(
                f"a receipt through {receipt.through} speaks of more than the {last} messages put",
                "check who else publishes receipts",
            )
        with self._writing():
            self._db.execute("DELETE FROM messages WHERE seq <= ?", (receipt.through,))
            self._db.executemany("DELETE FROM messages WHERE seq = ?", ((seq,) for seq in receipt.also))

    # -- loss of contact, remembered across restarts

    def contact_lost(self, at: datetime) -> datetime:
        """Note that the broker is out of reach since `at`; the earlier moment if that is known already."""
        with self._writing():
            self._db.execute("INSERT OR IGNORE INTO facts VALUES ('lost_at', ?)", (at.isoformat(),))
        row = self._db.execute("SELECT value FROM facts WHERE name = 'lost_at'").fetchone()
        return datetime.fromisoformat(row[0])

    def contact_back(self, records: Sequence[bytes]) -> None:
        """Forget the loss and keep what is to be told of it, as one step."""
        with self._writing():
            if self._db.execute("DELETE FROM facts WHERE name = 'lost_at'").rowcount:
                self._db.executemany(
                    "INSERT INTO messages (channel, payload, created_at) VALUES (?, ?, ?)",
                    [(Channel.RECORD.value, record, time.time()) for record in records],
                )

    def become_sender(self) -> bool:
        """Take the right to send from this outbox until it is closed; False while another process has it."""
        lock = self.path.with_name(self.path.name + ".sender").open("w")
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            lock.close()
            return False
        self._sender = lock
        return True

    @contextmanager
    def _writing(self) -> Iterator[None]:
        try:
            self._db.execute("BEGIN IMMEDIATE")
            yield
            self._db.execute("COMMIT")
        except BaseException as error:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            if isinstance(error, sqlite3.OperationalError) and "full" in str(error):
                raise self._refuse("the disk is full, nothing more can be kept", "free some space") from None
            if isinstance(error, sqlite3.DatabaseError):
                raise self._refuse(
                    f"can't be written ({error})", "see that no other program uses it"
                ) from None
            raise

    def _refuse(self, what: str, do: str) -> InputError:
        return InputError(what, where=str(self.path), do=do)
