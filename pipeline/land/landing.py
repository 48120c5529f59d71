"""Is it in the history? Messages decoded, committed exactly once, and only then said to be durable.

Exactly once rests on three things. A stream's messages are taken in order without a hole, and each commit
carries the seq up to which the stream is in that table. A batch spans several tables, so its last commit also
carries the seq through which the stream is in all of them: that one alone is receipted. And samples, records
and photographs that come by another stream or from a file are known by what they are.
"""

import hashlib
import logging
from collections.abc import Callable, Iterable
from datetime import UTC, date, datetime
from typing import Any, Final, NamedTuple

import numpy as np
import pyarrow as pa

from edge.errors import InputError
from edge.files import write_durably
from edge.records import encode_record, kind_of
from edge.senml import GaugeColumns
from edge.wire import Address, OutboxNote, parse_topic
from pipeline.history import History
from pipeline.land.decode import Content, Photo, decode
from pipeline.land.known import DAY_US, Known, day_of
from pipeline.land.samples import Origin, fill_in, join_packs, to_table
from pipeline.tables import TABLES

log = logging.getLogger(__name__)

# Commits of a batch go in this order; the last one of those there are also carries the whole.
ORDER: Final = ("photos", "records", "gauge_samples", "rejected")
# Messages ahead of a missing one are kept so long; beyond, the outbox sends them again.
AHEAD_BYTES_MAX: Final = 64 * 1024 * 1024

PumpDay = tuple[str, str, date]


class Message(NamedTuple):
    """A message as it came. handle : what the inbox wants back when it is durable."""

    topic: str
    payload: bytes
    arrived_at: datetime
    handle: Any = None


class Landed(NamedTuple):
    """What a batch moved.

    through : (site, edge, stream) -> highest seq through which all is durable now
    touched : pumps and UTC dates with new rows; already : samples, records and photos that stood there before
    """

    through: dict[tuple[str, str, str], int]
    touched: set[PumpDay]
    samples: int = 0
    records: int = 0
    photos: int = 0
    rejected: int = 0
    already: int = 0


class _Stream:
    """Where one outbox's stream stands."""

    def __init__(self, history: History, stream: str) -> None:
        self.tables = {table: history.transaction(table, stream) or 0 for table in ORDER}
        whole = (history.transaction(table, whole_id(stream)) or 0 for table in ORDER)
        self.through = max(whole)
        self.ahead: dict[int, tuple[Address, Message]] = {}


def whole_id(stream: str) -> str:
    """Application id under which a table says through which seq a stream is in all tables."""
    return f"through:{stream}"


class Landing:
    """Lands batches in one home. Hold `history.only_landing()` while it is used."""

    def __init__(self, history: History, clock: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        self._history = history
        self._clock = clock
        self._known = Known(history)
        self._streams: dict[str, _Stream] = {}
        self._ahead_bytes = 0

    def forget(self) -> None:
        """Take the tables' word again for what has landed; whatever was kept in memory is sent again."""
        self._known.forget()
        self._streams.clear()
        self._ahead_bytes = 0

    def note(self, stream: str, note: OutboxNote) -> None:
        """Hear where an outbox begins: what lies before was receipted once and can't come again."""
        state = self._stream(stream)
        if note.first - 1 > state.through:
            log.error(
                "messages are not in this history stream=%s from=%d to=%d: another home receipted them, or "
                "this one was restored from an older copy",
                stream,
                state.through + 1,
                note.first - 1,
            )
            state.through = note.first - 1
            for seq in [seq for seq in state.ahead if seq <= state.through]:
                self._ahead_bytes -= len(state.ahead.pop(seq)[1].payload)

    def land(self, messages: Iterable[Message]) -> Landed:
        """Commit what is new in the messages; durable on return.

        Raises what the disk or the table raises; call `forget` then, and the outboxes will send again.
        """
        batch = _Batch(self._history, self._known, self._clock())
        moved: dict[str, int] = {}
        senders: dict[str, tuple[str, str, str]] = {}
        for message in messages:
            try:
                address = parse_topic(message.topic)
            except InputError as error:
                batch.set_aside(message, None, error)
                continue
            stream = address.stream
            if stream is None or address.seq is None:
                batch.take(address, message, frozenset(ORDER))
                continue
            state = self._stream(stream)
            senders[stream] = address.site, address.edge, stream
            moved.setdefault(stream, state.through)
            if address.seq > moved[stream] and address.seq not in state.ahead:
                state.ahead[address.seq] = address, message
                self._ahead_bytes += len(message.payload)
            while (following := state.ahead.pop(moved[stream] + 1, None)) is not None:
                moved[stream] += 1
                self._ahead_bytes -= len(following[1].payload)
                missing = {table for table in ORDER if state.tables[table] < moved[stream]}
                batch.take(*following, frozenset(missing))
        self._drop_farthest()
        new = {stream: seq for stream, seq in moved.items() if seq > self._stream(stream).through}
        landed = batch.commit({stream: (self._stream(stream).tables, seq) for stream, seq in new.items()})
        for stream, seq in new.items():
            state = self._stream(stream)
            state.through = seq
            state.tables = {table: max(seq, number) for table, number in state.tables.items()}
        return landed._replace(through={senders[stream]: seq for stream, seq in moved.items()})

    def _stream(self, stream: str) -> _Stream:
        state = self._streams.get(stream)
        if state is None:
            state = self._streams[stream] = _Stream(self._history, stream)
        return state

    def _drop_farthest(self) -> None:
        while self._ahead_bytes > AHEAD_BYTES_MAX:
            state = max(self._streams.values(), key=lambda state: len(state.ahead))
            self._ahead_bytes -= len(state.ahead.pop(max(state.ahead))[1].payload)


class _Batch:
    """Rows of one batch, by table."""

    def __init__(self, history: History, known: Known, landed_at: datetime) -> None:
        self._history = history
        self._known = known
        self._landed_at = landed_at
        self._packs: dict[tuple[str, str], list[tuple[GaugeColumns, Origin]]] = {}
        self._rows: dict[str, list[dict[str, Any]]] = {"photos": [], "records": [], "rejected": []}
        self._keys: dict[str, set[tuple[str, ...]]] = {"photos": set(), "records": set(), "rejected": set()}
        self._touched: set[PumpDay] = set()
        self._already = 0

    def take(self, address: Address, message: Message, missing: frozenset[str]) -> None:
        """Add what a message says, or set it aside. missing : tables its stream's seq is not in yet."""
        try:
            content = decode(address, message.payload, message.arrived_at.timestamp())
        except InputError as error:
            if "rejected" in missing:
                self.set_aside(message, address, error)
            return
        table = _table_of(content)
        if table in missing:
            self._add(content, address, Origin(address.edge, address.stream, address.seq))

    def set_aside(self, message: Message, address: Address | None, error: InputError) -> None:
        """Keep a message that can't be landed, with the reason."""
        digest = hashlib.sha256(message.payload).hexdigest()
        stream, seq = (address.stream, address.seq) if address else (None, None)
        if not self._is_new("rejected", (digest, message.topic), ("sha256", "topic")):
            return
        write_durably(self._history.home / "rejected" / digest, message.payload)
        log.warning("set aside topic=%.200s reason=%s", message.topic, error)
        self._rows["rejected"].append(
            {
                "site": address.site if address else None,
                "topic": message.topic,
                "reason": str(error),
                "sha256": digest,
                "size_bytes": len(message.payload),
                "edge": address.edge if address else None,
                "stream": stream,
                "seq": seq,
                "landed_at": self._landed_at,
            }
        )

    def _add(self, content: Content, address: Address, origin: Origin) -> None:
        common = {"site": address.site, **origin._asdict(), "landed_at": self._landed_at}
        if isinstance(content, list):
            for columns in content:
                self._packs.setdefault((address.site, columns.pump), []).append((columns, origin))
        elif isinstance(content, Photo):
            head = content.head
            if self._is_new("photos", (head.sha256, head.pump), ("sha256", "pump")):
                path = self._history.home / "photos" / head.sha256[:2] / head.sha256
                if not path.exists():
                    write_durably(path, content.data)
                self._touched.add((address.site, head.pump, head.taken_at.astimezone(UTC).date()))
                self._rows["photos"].append(
                    {
                        **common,
                        "sha256": head.sha256,
                        "pump": head.pump,
                        "at": head.taken_at,
                        "by": head.by,
                        "sheet": head.sheet,
                        "name": head.name,
                        "size_bytes": len(content.data),
                    }
                )
        elif self._is_new("records", (str(content.id),), ("id",)):
            self._touched.add((address.site, content.pump, content.at.astimezone(UTC).date()))
            self._rows["records"].append(
                {
                    **common,
                    "id": str(content.id),
                    "pump": content.pump,
                    "at": content.at,
                    "by": content.by,
                    "kind": kind_of(content),
                    "note": content.note,
                    "body": encode_record(content).decode(),
                }
            )

    def _is_new(self, table: str, key: tuple[str, ...], columns: tuple[str, ...]) -> bool:
        here = self._keys[table]
        if key in here or key in self._known.keys(table, columns):
            self._already += table != "rejected"
            return False
        here.add(key)
        return True

    def commit(self, streams: dict[str, tuple[dict[str, int], int]]) -> Landed:
        """Commit everything. streams : stream -> (seq by table it is in already, seq it is in with this)."""
        tables = {
            name: pa.Table.from_pylist(rows, schema=TABLES[name]) for name, rows in self._rows.items() if rows
        }
        moments, gauge_rows = self._gauge_rows()
        if gauge_rows is not None:
            tables["gauge_samples"] = gauge_rows
        names = [name for name in ORDER if name in tables]
        if streams and not names:
            names = ["gauge_samples"]  # nothing new in it, yet through must outlive us
        for name in names:
            carried = {stream: max(inside[name], seq) for stream, (inside, seq) in streams.items()}
            if name == names[-1]:
                carried |= {whole_id(stream): seq for stream, (_, seq) in streams.items()}
            self._history.append(name, tables.get(name, TABLES[name].empty_table()), carried)
        for (site, pump), at_us in moments.items():
            self._known.add_samples(site, pump, at_us)
        for table, keys in self._keys.items():
            if keys:
                self._known.keys(table, ()).update(keys)
        counts = {name: len(rows) for name, rows in self._rows.items()}
        samples = 0 if gauge_rows is None else gauge_rows.num_rows
        return Landed({}, self._touched, samples=samples, already=self._already, **counts)

    def _gauge_rows(self) -> tuple[dict[tuple[str, str], Any], pa.Table | None]:
        moments, tables = {}, []
        for (site, pump), packs in self._packs.items():
            samples = join_packs(packs)
            known = self._known.samples(site, pump, samples.at_us)
            if known.any():
                self._already += int(known.sum())
                self._fill_in(site, pump, samples.where(known))
                samples = samples.where(~known)
            if len(samples.at_us):
                moments[site, pump] = samples.at_us
                tables.append(to_table(samples, site, pump, self._landed_at))
                days = np.unique(samples.at_us // DAY_US) * DAY_US
                self._touched |= {(site, pump, day_of(day)) for day in days.tolist()}
        return moments, pa.concat_tables(tables) if tables else None

    def _fill_in(self, site: str, pump: str, samples: Any) -> None:
        """Readings that came by themselves join the row of their moment; harmless if done twice."""
        days = samples.at_us // DAY_US
        for number in np.unique(days).tolist():
            day = day_of(number * DAY_US)
            there = self._history.read("gauge_samples", site=site, pump=pump, days=(day, day))
            filled = fill_in(there, samples.where(days == number))
            if filled is not None:
                self._history.replace_day("gauge_samples", filled, site, pump, day, {})
                self._touched.add((site, pump, day))


def _table_of(content: Content) -> str:
    if isinstance(content, list):
        return "gauge_samples"
    return "photos" if isinstance(content, Photo) else "records"
