"""Is it in the history? Messages decoded, committed exactly once, and only then said to be durable.

A stream's messages are taken in order without a hole, and each commit carries the seq up to which the stream
is in that table, so that a batch begun again after a crash adds to a table only what is missing there. A
batch spans several tables: its last commit also carries the seq through which the stream is in all of them,
and that one alone is receipted.
"""

import logging
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from typing import Final

from edge.errors import InputError
from edge.wire import Address, OutboxNote, parse_topic
from pipeline.history import History
from pipeline.land.batch import ORDER, Batch, Landed, Message, PumpDay, whole_id
from pipeline.land.known import Known

log = logging.getLogger(__name__)

# Messages ahead of a missing one are kept so long; beyond, the outbox sends them again.
AHEAD_BYTES_MAX: Final = 64 * 1024 * 1024


class _Stream:
    """Where one outbox's stream stands."""

    def __init__(self, history: History, stream: str) -> None:
        self.tables = {table: history.transaction(table, stream) or 0 for table in ORDER}
        whole = (history.transaction(table, whole_id(stream)) or 0 for table in ORDER)
        self.through = max(whole)
        self.ahead: dict[int, tuple[Address, Message]] = {}


class Landing:
    """Lands batches in one home. Hold `history.only_landing()` while it is used."""

    def __init__(
        self,
        history: History,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        expect: Callable[[set[PumpDay]], None] = lambda _touched: None,
    ) -> None:
        """expect : told, before a commit, for which pumps and UTC dates it brings something."""
        self._history = history
        self._expect = expect
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
        batch = self.batch()
        moved: dict[str, int] = {}
        senders: dict[str, tuple[str, str, str]] = {}
        for message in messages:
            try:
                address = parse_topic(message.topic)
            except InputError as error:
                batch.set_aside(message.topic, message.payload, None, error)
                continue
            stream = address.stream
            if stream is None or address.seq is None:
                batch.take(address, message)
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

    def batch(self) -> Batch:
        """An empty batch, for what comes without a stream: a file's."""
        return Batch(self._history, self._known, self._clock(), self._expect)

    def _stream(self, stream: str) -> _Stream:
        state = self._streams.get(stream)
        if state is None:
            state = self._streams[stream] = _Stream(self._history, stream)
        return state

    def _drop_farthest(self) -> None:
        while self._ahead_bytes > AHEAD_BYTES_MAX:
            state = max(self._streams.values(), key=lambda state: len(state.ahead))
            self._ahead_bytes -= len(state.ahead.pop(max(state.ahead))[1].payload)
