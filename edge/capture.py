"""What happens at the pump now? Gauge rows as the logger writes them, photographs as a folder gets them.

How far the logger's file was read is noted with each pack, as one step, so that a capture that was killed
goes on from there.
"""

import logging
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final, TypeVar

from edge.clock import ClockWatch
from edge.damage import CAPTURED
from edge.errors import InputError
from edge.gaugefile import Row
from edge.outbox import Outbox, OutboxDamagedError
from edge.room import Keeper
from edge.sources import Event
from edge.sources.gauges import follow_rows, pack_events
from edge.sources.photos import move_to_sent, photo_event, settled_photos
from edge.wire import Channel

log = logging.getLogger(__name__)

T = TypeVar("T")

PACK_S: Final = 1.0
_LOOK_S: Final = 1.0


def capture_until(
    stopped: threading.Event,
    outbox: Outbox,
    check: Callable[[], None],
    *,
    pump: str,
    by: str,
    gauges: Path | None,
    watch: Path | None,
    live: Iterator[Event | None] | None = None,
    from_start: bool = False,
    limit_bytes: int | None = None,
) -> None:
    """Put what comes up into the outbox until `stopped`.

    check : called now and then; raises what must end the capture
    gauges : a logger's file; watch : a folder of photographs; live : packs as other sources fill them
    from_start : where the file was not captured before, begin with the rows that are there already
    limit_bytes : what the outbox may hold before gauges are thinned
    Raises InputError if a source can't be used.
    """
    if watch is not None and not watch.is_dir():
        raise InputError("is no folder", where=str(watch), do="make it, or give another --watch")

    keeper = Keeper(outbox, limit_bytes=limit_bytes)
    clock = ClockWatch(outbox.site, outbox.edge, pump)
    left_lying: set[Path] = set()

    def between() -> None:
        check()
        if (told := clock.changed()) is not None:
            keeper.tell(told)
        if watch is not None:
            _send_photos(watch, keeper, pump, by, left_lying)

    if live is not None:
        for event in _with(between, live):
            if event is not None:
                keeper.put(event.channel, event.payload)
        keeper.tell_gaps()
        return
    if gauges is None:
        while not stopped.wait(_LOOK_S):
            between()
        return
    source = f"{CAPTURED}{gauges.resolve()}"
    before = outbox.fact(source)
    rows = follow_rows(gauges, stopped.is_set, from_start=from_start or before is not None)
    if before is not None:
        rows = _after(int(before), rows)
    for event in pack_events(_with(between, rows), outbox.site, pump, PACK_S):
        keeper.put(event.channel, event.payload, (source, str(event.at_us)))
    keeper.tell_gaps()


def _after(at_us: int, rows: Iterator[Row | None]) -> Iterator[Row | None]:
    """The rows without those at the beginning that were captured before. at_us : of the last of them."""
    for row in rows:
        if row is None or row.at_us > at_us:
            yield row
        if row is not None and row.at_us > at_us:
            break
    yield from rows


def _with(between: Callable[[], None], rows: Iterator[T | None]) -> Iterator[T | None]:
    """The rows or packs; other work is done whenever there is nothing new, and each second while there is."""
    done_at = time.monotonic()
    for row in rows:
        if row is None or time.monotonic() - done_at > _LOOK_S:
            between()
            done_at = time.monotonic()
        yield row


def _send_photos(folder: Path, keeper: Keeper, pump: str, by: str, left_lying: set[Path]) -> None:
    """Send what lies in the folder. left_lying : what can't be sent, so that each is told of once."""
    for path in settled_photos(folder):
        try:
            keeper.put(Channel.PHOTO, photo_event(path, pump=pump, by=by).payload)
        except InputError as error:
            if isinstance(error, OutboxDamagedError):
                raise
            if path not in left_lying:
                log.error("photo left lying reason=%s", error)
            left_lying.add(path)
            continue
        move_to_sent(path)
        log.info("photo put file=%s", path.name)
