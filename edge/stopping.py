"""How is a long-running command stopped? SIGTERM and SIGINT set a flag; what is under way is finished."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def stop_signal() -> Iterator[threading.Event]:
    """An event that SIGTERM or SIGINT sets; the signals mean what they meant before when it is left."""
    stopped = threading.Event()
    before = {
        number: signal.signal(number, lambda *_: stopped.set()) for number in (signal.SIGTERM, signal.SIGINT)
    }
    try:
        yield stopped
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
