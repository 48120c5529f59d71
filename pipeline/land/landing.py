"""Is it in the history? Messages decoded, committed exactly once, and only then said to be durable.

A stream's messages are taken in order without a hole, and each commit carries the seq up to which the stream
is in that table, so that a batch begun again after a crash adds to a table only what is missing there. A
batch spans several tables: its last commit also carries the seq through which the stream is in all of them,
and that one alone is receipted.
"""

import logging
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Final

from edge.errors import InputError
from edge.wire import Address, OutboxNote, Sender, parse_topic
from pipeline.history import History
from pipeline.land.aside import Aside, BeyondAllowanceError
from pipeline.land.batch import EVERY_TABLE, ORDER, Batch, Landed, Message, PumpDay, table_id, whole_id
from pipeline.land.known import Known

log = logging.getLogger(__name__)

# Messages ahead of a missing one are kept so long; beyond, the outbox sends them again.
AHEAD_BYTES_MAX: Final = 64 * 1024 * 1024
# What a message takes beside its payload.
_KEPT_BYTES: Final = 1_000
# An edge has an outbox of its own, and a new one when that is lost. Each costs a look at the tables.
STREAMS_MAX: Final = 500


class _Stream:
    """Where one outbox's stream stands."""

    def __init__(self, history: History, sender: Sender) -> None:
        # The first histories knew a stream by its id alone.
        self.tables = {
            table: max(history.transaction(table, name) or 0 for name in (table_id(sender), sender.stream))
            for table in ORDER
        }
        self.through = max(
            history.transaction(table, name) or 0
            for table in ORDER
            for name in (whole_id(sender), f"through:{sender.stream}")
        )
        self.ahead: dict[int, tuple[Address, Message]] = {}

    def missing(self, seq: int) -> frozenset[str]:
        """Tables that a message is not in yet: but for the one after a crash, all."""
        if seq > max(self.tables.values()):
            return EVERY_TABLE
        return frozenset(table for table in ORDER if self.tables[table] < seq)


class Landing:
    """Lands batches in one home. Hold `history.only_landing()` while it is used."""

    def __init__(
        self,
        history: History,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        expect: Callable[[set[PumpDay]], None] = lambda _touched: None,
        tied: Mapping[str, frozenset[str]] = MappingProxyType({}),
        trusted: bool = False,
    ) -> None:
        """
        expect : told, before a commit, for which pumps and UTC dates it brings something
        tied : edges that speak for these pumps alone; others may for any
        trusted : what lands are files that a person brings, so that nothing limits what is set aside
        """
        self._history = history
        self._expect = expect
        self._clock = clock
        self._tied = tied
        self._known = Known(history)
        self._aside = Aside(history, limited=not trusted)
        self._streams: dict[Sender, _Stream] = {}
        self._begun: Counter[tuple[str, str]] = Counter()  # streams by edge
        self._ahead_bytes = 0

    def forget(self) -> None:
        """Take the tables' word again for what has landed; whatever was kept in memory is sent again."""
        self._known.forget()
        self._aside.forget()
        self._streams.clear()
        self._begun.clear()
        self._ahead_bytes = 0

    def note(self, sender: Sender, note: OutboxNote) -> None:
        """Hear where an outbox begins: what lies before was receipted once and can't come again.

        Raises InputError if its edge has begun too many.
        """
        state = self._stream(sender)
        if note.first - 1 > state.through:
            log.error(
                "messages are not in this history stream=%s from=%d to=%d: another home receipted them, or "
                "this one was restored from an older copy",
                sender.stream,
                state.through + 1,
                note.first - 1,
            )
            state.through = note.first - 1
            for seq in [seq for seq in state.ahead if seq <= state.through]:
                self._ahead_bytes -= len(state.ahead.pop(seq)[1].payload) + _KEPT_BYTES

    def land(self, messages: Iterable[Message]) -> Landed:
        """Commit what is new in the messages; durable on return.

        Raises what the disk or the table raises; call `forget` then, and the outboxes will send again.
        """
        batch = self.batch()
        moved: dict[Sender, int] = {}
        passed_over = 0
        for message in messages:
            try:
                self._take(batch, message, moved)
            except BeyondAllowanceError:
                passed_over += 1
        self._drop_farthest()
        new = {sender: seq for sender, seq in moved.items() if seq > self._streams[sender].through}
        landed = batch.commit({sender: (self._streams[sender].tables, seq) for sender, seq in new.items()})
        for sender, seq in new.items():
            state = self._streams[sender]
            state.through = seq
            state.tables = {table: max(seq, number) for table, number in state.tables.items()}
        return landed._replace(through=moved, passed_over=passed_over)

    def _take(self, batch: Batch, message: Message, moved: dict[Sender, int]) -> None:
        """Put a message, and what waited for it, into the batch. moved : stream -> seq through which it is in

        Raises BeyondAllowanceError: a stream then stands before that message, and its outbox sends it again.
        """
        try:
            address = parse_topic(message.topic)
        except InputError as error:
            batch.set_aside(message.topic, message.payload, None, error)
            return
        if address.stream is None or address.seq is None:
            batch.take(address, message)
            return
        sender = Sender(address.site, address.edge, address.stream)
        try:
            state = self._stream(sender)
        except InputError as error:
            batch.set_aside(message.topic, message.payload, address, error)
            return
        moved.setdefault(sender, state.through)
        if address.seq > moved[sender] and address.seq not in state.ahead:
            state.ahead[address.seq] = address, message
            self._ahead_bytes += len(message.payload) + _KEPT_BYTES
        while (following := state.ahead.pop(moved[sender] + 1, None)) is not None:
            self._ahead_bytes -= len(following[1].payload) + _KEPT_BYTES
            batch.take(*following, state.missing(moved[sender] + 1))
            moved[sender] += 1

    def batch(self) -> Batch:
        """An empty batch, for what comes without a stream: a file's."""
        return Batch(self._history, self._known, self._aside, self._clock(), self._expect, self._tied)

    def _stream(self, sender: Sender) -> _Stream:
        state = self._streams.get(sender)
        if state is None:
            edge = sender.site, sender.edge
            if self._begun[edge] >= STREAMS_MAX:
                raise InputError(
                    f"has begun more than {STREAMS_MAX} outboxes since landing began",
                    where=f"edge {sender.edge}",
                    do="see who else signs in as it, then start landing again",
                )
            self._begun[edge] += 1
            state = self._streams[sender] = _Stream(self._history, sender)
        return state

    def _drop_farthest(self) -> None:
        while self._ahead_bytes > AHEAD_BYTES_MAX:
            state = max(self._streams.values(), key=lambda state: len(state.ahead))
            self._ahead_bytes -= len(state.ahead.pop(max(state.ahead))[1].payload) + _KEPT_BYTES
