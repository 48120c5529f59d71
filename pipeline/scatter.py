"""How is all that is derived computed anew on many workers? A pump a task, over Dask distributed.

Each task runs the same `advance` as a minute or a year would and writes its own pump's part of the history,
so a task that is run twice leaves what one run leaves. The workers see the home under the same path.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any, Final

from edge.errors import CallError, InputError
from pipeline.advance import advance
from pipeline.history import History
from pipeline.settings import load_settings

CONNECT: Final = "10s"


def rebuild_pump(home: str, site: str, pump: str, days: list[date]) -> tuple[str, str]:
    """Everything derived of one pump, from what landed. Runs on a worker; returns which pump it was."""
    path = Path(home)
    if not path.is_dir():
        raise InputError("this worker does not see the home", where=home, do="mount it there under that path")
    advance(History(path), load_settings(path), site, pump, days, again=True)
    return site, pump


def scattered(address: str, home: Path, pumps: dict[tuple[str, str], set[date]]) -> Iterator[tuple[str, str]]:
    """Each pump as it is done, in no order.

    Raises CallError if Dask is not installed or nobody answers at the address; what a task raised else.
    """
    with _client(address) as client:
        from distributed import as_completed

        tasks = [
            client.submit(rebuild_pump, str(home.resolve()), site, pump, sorted(days), pure=False, retries=2)
            for (site, pump), days in sorted(pumps.items())
        ]
        for task in as_completed(tasks):
            yield task.result()


@contextmanager
def _client(address: str) -> Iterator[Any]:
    try:
        from distributed import Client
    except ImportError:
        raise CallError(
            "Dask distributed is not installed", where="--scheduler", do="pip install 'beadbook[cluster]'"
        ) from None
    try:
        client = Client(address, timeout=CONNECT)
    except (OSError, ValueError) as error:
        told = (str(error).splitlines() or ["no answer"])[0]
        raise CallError(f"no scheduler at {address} ({told})", where="--scheduler", do="check it") from None
    with client:
        yield client
