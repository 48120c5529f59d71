"""May this still be kept? What the outbox does when the disk fills.

Photographs and records are always put: they are few, and nothing can stand in for them. Gauge packs leave
them a reserve. Where it begins to be used, the oldest packs are thinned to a row a second; where all are, new
ones are not kept. Either way a `capture_gap` record says from when to when, for which pump, and why.
"""

import logging
import shutil
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Final, Literal

from edge.errors import InputError
from edge.ids import uuid7
from edge.outbox import Held, Outbox, OutboxFullError
from edge.records import CaptureGap, encode_record
from edge.senml import GaugeColumns, gauge_columns, pack_rows
from edge.wire import Channel
from edge.words import Gauge

log = logging.getLogger(__name__)

Cause = Literal["thinned", "not_kept"]

# What gauge packs leave free for photographs and records, and for everything else on the board.
RESERVE_BYTES: Final = 256 * 1024 * 1024
RESERVE_SHARE: Final = 0.1  # of a smaller disk
THIN_TOGETHER: Final = 256  # packs, so that one gap record tells of some minutes
_PAGE: Final = 4096  # SQLite's own; no pack of a second spans many
_ROW_US: Final = 1_000_000
_THINNED: Final = "thinned_through"


class Keeper:
    """Puts into one outbox as long as there is room. For the thread that captures."""

    def __init__(self, outbox: Outbox, *, limit_bytes: int | None = None) -> None:
        """limit_bytes : what the outbox may hold before gauges are thinned; left out: the disk's room."""
        self._outbox = outbox
        self._limit = limit_bytes
        total = shutil.disk_usage(outbox.path.parent).total
        self._reserve = min(RESERVE_BYTES, round(RESERVE_SHARE * total))
        self._gaps: dict[str, CaptureGap] = {}
        self._untold: list[bytes] = []

    def tell(self, record: bytes) -> None:
        """Put a record of the edge's own; where the disk is full, with the next one that it takes."""
        self._untold.append(record)
        try:
            self._outbox.put_many((Channel.RECORD, each) for each in self._untold)
        except OutboxFullError as error:
            log.error("a record waits for room reason=%s", error)
            return
        self._untold.clear()

    def put(self, channel: Channel, payload: bytes, source: tuple[str, str] | None = None) -> bool:
        """Keep a message, on disk on return; False for a gauge pack that there is no room for.

        source : what to remember with it, so that its source is read on from there
        Raises OutboxFullError for a photograph or record where the disk has no byte left: its source has it.
        """
        if channel is Channel.GAUGES:
            try:
                return self._put_pack(payload, source)
            except OutboxFullError:
                self._leave_out(payload)
                return False
        self._outbox.put(channel, payload)
        return True

    def _put_pack(self, payload: bytes, source: tuple[str, str] | None) -> bool:
        if not self._make_room(len(payload)):
            self._leave_out(payload)
            return False
        told = [(Channel.RECORD, encode_record(gap)) for gap in self._gaps.values()]
        messages = [*told, (Channel.GAUGES, payload)]
        if source is None:
            self._outbox.put_many(messages)
        else:
            self._outbox.note(*source, messages)
        self._gaps.clear()
        return True

    def tell_gaps(self) -> None:
        """Put the records of what was left out, at the end of a capture."""
        self._outbox.put_many((Channel.RECORD, encode_record(gap)) for gap in self._gaps.values())
        self._gaps.clear()

    def _make_room(self, size: int) -> bool:
        if self._has_room(size):
            return True
        self._outbox.give_back()
        while not self._has_room(size):
            if not self._thin_oldest():
                return False
            self._outbox.give_back()
        return True

    def _has_room(self, size: int) -> bool:
        used, free = self._outbox.bytes_free()
        # A row, its page and the log that it is written to first.
        return free - 4 * size > self._reserve and (self._limit is None or used + 2 * size <= self._limit)

    def _thin_oldest(self) -> bool:
        """Thin the oldest packs that are not yet; whether there were any."""
        through = int(self._outbox.fact(_THINNED) or 0)
        packs = self._outbox.gauges_after(through, THIN_TOGETHER)
        # What is rewritten stands in the log first, page by page: no more at once than the disk still takes.
        pages = self._outbox.bytes_free()[1] // (4 * _PAGE)
        if not packs or not pages:
            return False
        del packs[pages:]
        thin: list[Held] = []
        gaps: dict[str, CaptureGap] = {}
        for pack in packs:
            columns = _columns(pack.payload, self._outbox.site)
            payload = b"".join(thinned(each, self._outbox.site) for each in columns[:1])
            if len(columns) == 1 and len(payload) < len(pack.payload):
                thin.append(pack._replace(payload=payload))
                _widen(gaps, columns[0], self._outbox, "thinned")
        self._outbox.put_in_place(
            thin, [encode_record(gap) for gap in gaps.values()], (_THINNED, str(packs[-1].seq))
        )
        if thin:
            log.warning("disk is short, thinned packs=%d through=%d", len(thin), packs[-1].seq)
        return True

    def _leave_out(self, payload: bytes) -> None:
        before = len(self._gaps)
        for columns in _columns(payload, self._outbox.site):
            _widen(self._gaps, columns, self._outbox, "not_kept")
        if len(self._gaps) > before:
            log.error(
                "disk is full, gauge readings are not kept until there is room outbox=%s", self._outbox.path
            )


def thinned(columns: GaugeColumns, site: str) -> bytes:
    """A pack with a row a second of what the pack held."""
    rows: list[tuple[int, dict[Gauge, float]]] = []
    for number, at_us in enumerate(columns.at_us):
        if not rows or at_us - rows[-1][0] >= _ROW_US:
            values = {gauge: column[number] for gauge, column in columns.values.items()}
            rows.append((at_us, {gauge: value for gauge, value in values.items() if value is not None}))
    return pack_rows(site, columns.pump, rows)


def _columns(payload: bytes, site: str) -> Sequence[GaugeColumns]:
    try:
        return gauge_columns(payload, site, 0.0)
    except InputError:
        return []  # the landing will set it aside, with the reason


def _widen(gaps: dict[str, CaptureGap], columns: GaugeColumns, outbox: Outbox, cause: Cause) -> None:
    """Let the pump's gap, or a new one, take in the pack's time."""
    first, last = (datetime.fromtimestamp(columns.at_us[end] / 1e6, UTC) for end in (0, -1))
    known = gaps.get(columns.pump)
    gaps[columns.pump] = CaptureGap(
        id=uuid7() if known is None else known.id,
        site=outbox.site,
        pump=columns.pump,
        at=first if known is None else min(known.at, first),
        by=outbox.edge,
        edge=outbox.edge,
        until=last if known is None else max(known.until, last),
        cause=cause,
        packs=1 if known is None else (known.packs or 0) + 1,
    )
