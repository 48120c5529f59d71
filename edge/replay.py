"""How is a recording played as if it happened now? Into the outbox, at its own pace or at once."""

import threading
import time
from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from itertools import groupby, islice
from typing import Final, NamedTuple

from edge.courier import Courier
from edge.errors import BeadbookError, InputError
from edge.outbox import Outbox
from edge.sentences import counted
from edge.sources import Event

# How many messages are put in one commit when nothing has to be waited for.
_TOGETHER: Final = 100
_LOOK_S: Final = 0.02


class Outage(NamedTuple):
    """A stretch of the recording in which the network is down, to rehearse it."""

    lost_at: datetime
    back_at: datetime


class RecordingClock:
    """The recording's own time: that of the event put last."""

    def __init__(self) -> None:
        self._at_us = 0

    def move_to(self, at_us: int) -> None:
        """Time has come to `at_us`; it never goes back."""
        self._at_us = max(self._at_us, at_us)

    def __call__(self) -> datetime:
        """The recording's time now."""
        return datetime.fromtimestamp(self._at_us / 1e6, UTC)


class CourierThread:
    """A courier at work beside whoever fills the outbox; what stops it is raised at the next look."""

    def __init__(self, courier: Courier) -> None:
        self.courier = courier
        self._failure: BaseException | None = None
        self._thread = threading.Thread(target=self._work, name="courier", daemon=True)

    def __enter__(self) -> "CourierThread":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.courier.stop()
        self._thread.join(timeout=10)

    def check(self) -> None:
        """Raise what stopped the courier, if anything did."""
        if self._failure is not None:
            raise self._failure

    def wait_until_receipted(
        self, outbox: Outbox, timeout_s: float, moved: Callable[[], None] = lambda: None
    ) -> None:
        """Return once the outbox is empty. Raises InputError when for `timeout_s` nothing was receipted.

        moved : called at each look
        """
        waiting = outbox.depth().messages
        deadline = time.monotonic() + timeout_s
        while waiting:
            self.check()
            if time.monotonic() > deadline:
                reason = self.courier.failure or "no receipt"
                raise InputError(
                    f"nothing receipted in {timeout_s:g} s, {counted(waiting, 'message')} left ({reason})",
                    where=str(outbox.path),
                    do="see that broker and landing run; what waits is kept, and goes out with the next call",
                )
            time.sleep(_LOOK_S)
            moved()
            now = outbox.depth().messages
            if now != waiting:
                deadline = time.monotonic() + timeout_s
            waiting = now

    def _work(self) -> None:
        try:
            self.courier.run()
        except BaseException as error:
            self._failure = error
            if not isinstance(error, BeadbookError):
                raise


def play(
    events: Iterable[Event],
    outbox: Outbox,
    courier: CourierThread,
    clock: RecordingClock,
    *,
    speed: float | None,
    outages: Sequence[Outage] = (),
    timeout_s: float = 60.0,
    moved: Callable[[int], None] = lambda _messages: None,
) -> int:
    """Put a recording's events into the outbox and see them receipted; how many there were.

    events : in order of time
    speed : times real time; None for as fast as possible
    outages : apart from each other, in order
    moved : called with the number of messages put so far
    Raises InputError if for `timeout_s` nothing is receipted while it must be waited for.
    """
    put = 0
    started: tuple[float, int] | None = None
    borders = [_us(moment) for outage in outages for moment in outage]
    passed = 0  # borders: the network is down after an odd number of them
    for stage, staged in groupby(events, lambda event: bisect_right(borders, event.at_us)):
        while passed < stage:
            _cross(borders[passed], outbox, courier, clock, timeout_s, down=passed % 2 == 0)
            passed += 1
        # One by one where each has its moment; many in one commit where they have none.
        while batch := list(islice(staged, 1 if speed is not None else _TOGETHER)):
            courier.check()
            if speed is not None:
                started = started or (time.monotonic(), batch[0].at_us)
                _wait_until(started[0] + (batch[0].at_us - started[1]) / 1e6 / speed, courier)
            outbox.put_many((event.channel, event.payload) for event in batch)
            clock.move_to(batch[-1].at_us)
            put += len(batch)
            moved(put)
    if passed % 2:
        _cross(borders[passed], outbox, courier, clock, timeout_s, down=False)
    courier.wait_until_receipted(outbox, timeout_s, lambda: moved(put))
    return put


def _cross(
    border_us: int,
    outbox: Outbox,
    courier: CourierThread,
    clock: RecordingClock,
    timeout_s: float,
    *,
    down: bool,
) -> None:
    """Take the network down or bring it back."""
    if down:
        # Up to here the network was there, so nothing of before may still wait.
        courier.wait_until_receipted(outbox, timeout_s)
        clock.move_to(border_us)
        courier.courier.hang_up()
        return
    clock.move_to(border_us)
    if not courier.courier.call_again(timeout_s):
        courier.check()
        raise InputError(
            f"no contact within {timeout_s:g} s after the outage ({courier.courier.failure})",
            where="replay",
            do="see that the broker runs, and call again: the messages are kept",
        )


def _wait_until(due: float, courier: CourierThread) -> None:
    while (wait := due - time.monotonic()) > 0:
        courier.check()
        time.sleep(min(wait, 0.2))


def _us(at: datetime) -> int:
    return round(at.timestamp() * 1e6)
