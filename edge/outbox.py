"""What has not been receipted yet? Every message is on disk here before it is sent, and until its receipt.

One SQLite file an edge, write-ahead log, synced on every commit, so that a message put is there after a power
cut. Open it once a thread: one captures, one sends. A file that is damaged is set aside (damage.py), and what
can still be read of it goes on under a new stream.
"""

import fcntl
import logging
import secrets
import shutil
import sqlite3
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import IO, Any, Final, NamedTuple

from edge.damage import captured_facts, crc_of, is_damage, mark_damaged, salvaged, set_aside, was_marked
from edge.errors import InputError
from edge.files import make_durable
from edge.wire import Address, Channel, Receipt

log = logging.getLogger(__name__)

_BUSY_S: Final = 30.0
_FEW: Final = 16
_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS messages (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,  -- never given twice, also after its row has gone
    channel TEXT NOT NULL,
    payload BLOB NOT NULL,
    created_at REAL NOT NULL,               -- Unix [s]
    crc INTEGER                             -- of channel and payload; null in a file of before there was one
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


class OutboxFullError(InputError):
    """The disk has no room for another message."""


class OutboxDamagedError(InputError):
    """The file's pages are not as they were written: open it again, and it is set aside."""


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
        # One at a time: SQLite refuses at once, whatever its timeout, where two turn a new file's log over.
        with self._alone():
            self._open()
        facts = dict(self._db.execute("SELECT name, value FROM facts"))
        self.stream: str = facts["stream"]
        if (facts["site"], facts["edge"]) != (site, edge):
            raise self._refuse(
                f"belongs to edge {facts['edge']} of {facts['site']}, not to {edge} of {site}",
                "give each edge an outbox of its own",
            )

    def _open(self) -> None:
        new = not self.path.exists()
        if was_marked(self.path):
            self._begin_anew("pages that can't be read")
            return
        try:
            self._connect()
        except sqlite3.Error as error:
            if not is_damage(error, self.path):
                raise self._refuse(f"can't be used as an outbox ({error})", "give another --outbox") from None
            self._begin_anew(str(error))
        if new:
            make_durable([self.path.parent])

    def _connect(self) -> None:
        self._db = sqlite3.connect(self.path, timeout=_BUSY_S, isolation_level=None)
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = FULL")
        self._db.execute("BEGIN IMMEDIATE")  # executescript would commit on its own
        for statement in _SCHEMA.split(";\n"):
            self._db.execute(statement)
        if "crc" not in {row[1] for row in self._db.execute("PRAGMA table_info(messages)")}:
            self._db.execute("ALTER TABLE messages ADD COLUMN crc INTEGER")
        for name, value in {"stream": secrets.token_hex(16), "site": self.site, "edge": self.edge}.items():
            self._db.execute("INSERT OR IGNORE INTO facts VALUES (?, ?)", (name, value))
        self._db.execute("COMMIT")
        self._inode = self.path.stat().st_ino

    def _begin_anew(self, reason: str) -> None:
        """Set the damaged file aside and go on with what can be read of it."""
        aside = set_aside(self.path)
        self._connect()
        make_durable([self.path.parent])
        read, lost = salvaged(aside)
        with self._writing():
            for one in read:
                self._insert(one.channel, one.payload, one.created_at)
            self._db.executemany("INSERT OR REPLACE INTO facts VALUES (?, ?)", captured_facts(aside))
            if lost:
                self._db.execute("INSERT OR REPLACE INTO facts VALUES ('damaged', ?)", (lost.encode(),))
        log.error(
            "outbox was damaged, set aside file=%s reason=%s kept=%d lost=%s", aside, reason, len(read), lost
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
                seq = self._insert(channel.value, payload, now)
        return seq

    def _insert(self, channel: str, payload: bytes, created_at: float) -> int:
        row = (channel, payload, created_at, crc_of(channel, payload))
        statement = "INSERT INTO messages (channel, payload, created_at, crc) VALUES (?, ?, ?, ?)"
        return self._db.execute(statement, row).lastrowid or 0

    # -- courier's side

    def after(self, seq: int, messages: int, size: int) -> list[Held]:
        """The messages that follow a seq, in order: at most so many, and so many bytes but for one."""
        held: list[Held] = []
        with self._reading():
            rows = self._db.execute(
                "SELECT seq, channel, payload, crc FROM messages WHERE seq > ? ORDER BY seq LIMIT ?",
                (seq, messages),
            )
            for number, channel, payload, crc in rows:
                size -= len(payload)
                if held and size < 0:
                    break
                if crc is not None and crc != crc_of(channel, payload):
                    # A wrong reading must not go out as a true one.
                    raise sqlite3.DatabaseError(f"malformed: message {number} is not as it was put")
                held.append(Held(number, Channel(channel), payload))
            rows.close()
        return held

    def address(self, held: Held) -> Address:
        """Where a message goes."""
        return Address(self.site, self.edge, held.channel, self.stream, held.seq)

    def first(self) -> int:
        """Lowest seq not receipted yet; the next to be given if there is none."""
        found = self._one("SELECT min(seq) FROM messages")
        return int(found[0]) if found[0] is not None else self.last() + 1

    def last(self) -> int:
        """Highest seq given so far, 0 before the first."""
        row = self._one("SELECT seq FROM sqlite_sequence WHERE name = 'messages'")
        return int(row[0]) if row else 0

    def depth(self) -> Depth:
        """How much waits, and since when."""
        return Depth(*self._one("SELECT count(*), min(created_at) FROM messages"))

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
        try:
            with self._writing():
                self._db.execute("DELETE FROM messages WHERE seq <= ?", (receipt.through,))
                self._db.executemany("DELETE FROM messages WHERE seq = ?", ((seq,) for seq in receipt.also))
        except OutboxFullError:
            # Deleting writes to the log first, as much as it deletes: on a full disk a few go at a time.
            while (first := self.first()) <= receipt.through:
                with self._writing():
                    few = min(first + _FEW, receipt.through + 1)
                    self._db.execute("DELETE FROM messages WHERE seq < ?", (few,))
                self.give_back()

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
                for record in records:
                    self._insert(Channel.RECORD.value, record, time.time())

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

    # -- what else is remembered

    def fact(self, name: str) -> str | None:
        """What was noted under a name; None if nothing was."""
        row = self._one("SELECT value FROM facts WHERE name = ?", name)
        return None if row is None else str(row[0])

    def note(self, name: str, value: str | None, messages: Iterable[tuple[Channel, bytes]] = ()) -> None:
        """Note a fact, or forget it, and keep messages, as one step."""
        with self._writing():
            if value is None:
                self._db.execute("DELETE FROM facts WHERE name = ?", (name,))
            else:
                self._db.execute("INSERT OR REPLACE INTO facts VALUES (?, ?)", (name, value))
            for channel, payload in messages:
                self._insert(channel.value, payload, time.time())

    # -- when there is little room (room.py)

    def bytes_free(self) -> tuple[int, int]:
        """Bytes that the file holds in use, and bytes that can be put before it must grow past the disk."""
        pages, size, unused = (
            int(self._db.execute(f"PRAGMA {name}").fetchone()[0])
            for name in ("page_count", "page_size", "freelist_count")
        )
        return (pages - unused) * size, unused * size + shutil.disk_usage(self.path.parent).free

    def give_back(self) -> None:
        """Empty the write-ahead log into the file, so that the disk has its room again."""
        with suppress(sqlite3.OperationalError):
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def gauges_after(self, seq: int, messages: int) -> list[Held]:
        """Gauge packs that follow a seq, in order, at most so many."""
        with self._reading():
            rows = self._db.execute(
                "SELECT seq, channel, payload FROM messages WHERE seq > ? AND channel = ?"
                " ORDER BY seq LIMIT ?",
                (seq, Channel.GAUGES.value, messages),
            )
            return [Held(number, Channel(channel), payload) for number, channel, payload in rows]

    def put_in_place(self, packs: Iterable[Held], records: Iterable[bytes], fact: tuple[str, str]) -> None:
        """Let packs say less than they did, and tell of it in records, as one step."""
        with self._writing():
            # Taken out first, since rows that only shrink leave their pages half empty.
            rows = [
                (*row, pack.channel.value, pack.payload, crc_of(pack.channel.value, pack.payload))
                for pack in packs
                for row in self._db.execute(
                    "DELETE FROM messages WHERE seq = ? RETURNING seq, created_at", (pack.seq,)
                ).fetchall()
            ]
            self._db.executemany(
                "INSERT INTO messages (seq, created_at, channel, payload, crc) VALUES (?, ?, ?, ?, ?)", rows
            )
            for record in records:
                self._insert(Channel.RECORD.value, record, time.time())
            self._db.execute("INSERT OR REPLACE INTO facts VALUES (?, ?)", fact)

    # -- inside

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """While one opens, no other does."""
        try:
            lock = self.path.with_name(self.path.name + ".opening").open("w")
        except OSError as error:
            raise self._refuse(f"can't be made ({error.strerror})", "give another --outbox") from None
        with lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield

    def _one(self, query: str, *given: object) -> Any:
        with self._reading():
            return self._db.execute(query, given).fetchone()

    @contextmanager
    def _reading(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.DatabaseError as error:
            raise self._broken(error) from None

    @contextmanager
    def _writing(self) -> Iterator[None]:
        try:
            self._db.execute("BEGIN IMMEDIATE")
            yield
            self._db.execute("COMMIT")
            self._check_still_there()
        except BaseException as error:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            if isinstance(error, sqlite3.DatabaseError):
                raise self._broken(error) from None
            raise

    def _check_still_there(self) -> None:
        """Raise OutboxDamagedError where another process has set the file aside under our hands."""
        try:
            if self.path.stat().st_ino == self._inode:
                return
        except FileNotFoundError:
            pass
        raise OutboxDamagedError(
            "was set aside or taken away by another process", where=str(self.path), do="open it again"
        )

    def _broken(self, error: sqlite3.DatabaseError) -> InputError:
        """What is said of SQLite's own complaint."""
        if isinstance(error, sqlite3.OperationalError) and "full" in str(error):
            self.give_back()
            return OutboxFullError(
                "the disk is full, nothing more can be kept", where=str(self.path), do="free some space"
            )
        if is_damage(error, self.path):
            mark_damaged(self.path)
            return OutboxDamagedError(
                f"is damaged ({error})",
                where=str(self.path),
                do="start again: it is set aside, and what can be read of it goes on",
            )
        return self._refuse(f"can't be used ({error})", "see that no other program uses it")

    def _refuse(self, what: str, do: str) -> InputError:
        return InputError(what, where=str(self.path), do=do)
