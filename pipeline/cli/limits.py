"""What may a stranger's question cost this machine? Time and memory, also where DuckDB does not keep to them.

DuckDB looks at its own limits between chunks of rows; one function that makes a list of a billion numbers
gets past both. What holds here is the process's own, so it belongs to a command, not to a library call.
"""

import os
import resource
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from edge.errors import CallError

# Address space: what a question may hold (ask.MEMORY) and as much again twice, for it is reserved before use.
MEMORY_BYTES: Final = 6 * 1024**3
# How long DuckDB may take to notice that it was interrupted.
GRACE_S: Final = 5.0


@contextmanager
def limited(timeout_s: float) -> Iterator[None]:
    """End the process, with one sentence and exit status 2, where the time is long over.

    timeout_s : what was asked for [s]; the end comes GRACE_S later
    Raises CallError where the memory is used up.
    """
    before = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, before[1]))
    alarm = threading.Timer(timeout_s + GRACE_S, _end, (timeout_s,))
    alarm.daemon = True
    alarm.start()
    try:
        yield
    except MemoryError:
        raise CallError(
            "the answer does not fit in memory", where="SQL", do="narrow it, or ask for fewer columns"
        ) from None
    finally:
        alarm.cancel()
        resource.setrlimit(resource.RLIMIT_AS, before)


@contextmanager
def no_file_written() -> Iterator[None]:
    """Let this process write to no file for a while, pipes and terminals aside."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def _end(timeout_s: float) -> None:
    error = CallError(f"no answer within {timeout_s:g} s", where="SQL", do="narrow it to fewer days or pumps")
    print(f"beadbook: {error}", file=sys.stderr, flush=True)
    os._exit(error.exit_status)
