"""What happens at the pump now? Gauge rows as the logger writes them, photographs as a folder gets them."""

import logging
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from edge.errors import InputError
from edge.gaugefile import Row
from edge.outbox import Outbox
from edge.sources.gauges import follow_rows, pack_events
from edge.sources.photos import move_to_sent, photo_event, settled_photos
from edge.wire import Channel

log = logging.getLogger(__name__)

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
    from_start: bool = False,
) -> None:
    """Put what comes up into the outbox until `stopped`.

    check : called now and then; raises what must end the capture
    gauges : a logger's file; watch : a folder of photographs
    Raises InputError if a source can't be used.
    """
    if watch is not None and not watch.is_dir():
        raise InputError("is no folder", where=str(watch), do="make it, or give another --watch")

    left_lying: set[Path] = set()

    def between() -> None:
        check()
        if watch is not None:
            _send_photos(watch, outbox, pump, by, left_lying)

    if gauges is None:
        while not stopped.wait(_LOOK_S):
            between()
        return
    rows = _until_quiet(follow_rows(gauges, stopped.is_set, from_start=from_start), between)
    for event in pack_events(rows, outbox.site, pump, PACK_S):
        outbox.put(event.channel, event.payload)


def _until_quiet(rows: Iterator[Row | None], between: Callable[[], None]) -> Iterator[Row | None]:
    """The rows; whenever there is nothing new, other work is done too."""
    for row in rows:
        if row is None:
            between()
        yield row


def _send_photos(folder: Path, outbox: Outbox, pump: str, by: str, left_lying: set[Path]) -> None:
    """Send what lies in the folder. left_lying : what can't be sent, so that each is told of once."""
    for path in settled_photos(folder):
        try:
            event = photo_event(path, pump=pump, by=by)
        except InputError as error:
            if path not in left_lying:
                log.error("photo left lying reason=%s", error)
            left_lying.add(path)
            continue
        outbox.put(Channel.PHOTO, event.payload)
        move_to_sent(path)
        log.info("photo put file=%s", path.name)
