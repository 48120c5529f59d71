"""What did a power cut tear off a table? An end of its log that never reached the disk whole is set aside.

Nothing that was receipted is lost by it: a receipt comes after the log entry is synced, so a torn entry or
checkpoint belongs to a commit that nobody was told of.
"""

import logging
from pathlib import Path

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq

log = logging.getLogger(__name__)


def mend_tail(table: Path) -> list[Path]:
    """Set aside torn log entries at the end of a table's log and a checkpoint that can't be read.

    table : its folder, which need not exist
    Returns what was set aside, under its new name; call it only while no one writes.
    """
    folder = table / "_delta_log"
    torn = []
    for entry in sorted(folder.glob("*.json"), reverse=True):
        if _is_whole(entry):
            break
        torn.append(_set_aside(entry))
    # Entries go only when the checkpoint that stands for them is synced: if the newest is torn, the one
    # before or the entries themselves are there.
    unreadable = [path for path in folder.glob("*.checkpoint*.parquet") if not _is_checkpoint(path)]
    torn += [_set_aside(path) for path in unreadable]
    torn += [
        _set_aside(path) for path in folder.glob("_last_checkpoint") if unreadable or not _is_whole(path)
    ]
    return torn


def _is_whole(path: Path) -> bool:
    lines = path.read_bytes().splitlines()
    try:
        for line in lines:
            msgspec.json.decode(line)
    except (msgspec.DecodeError, UnicodeDecodeError):
        return False
    return bool(lines)


def _is_checkpoint(path: Path) -> bool:
    try:
        pq.read_metadata(path)
    except (pa.ArrowInvalid, OSError):
        return False
    return True


def _set_aside(path: Path) -> Path:
    aside = path.with_name(f"{path.name}.torn")
    path.rename(aside)
    log.warning("set aside torn log entry file=%s", aside)
    return aside
