"""How does a file survive a power cut? Synced itself, and so is the folder that names it."""

import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Final
from uuid import uuid4

# Many files are synced by one call for all of the disk, which then costs less than one each.
_SYNC_ONE_BY_ONE: Final = 16


def make_durable(paths: Iterable[Path]) -> None:
    """Sync files and folders to the disk, in the order given."""
    for path in paths:
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def write_durably(path: Path, data: bytes, mode: int | None = None) -> None:
    """Write a file whole or not at all, durable on return; its folders are made.

    mode : who may read it, so from its first byte on; as the process makes files if None
    """
    missing = [folder for folder in path.parents if not folder.exists()]
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.{uuid4().hex}.part")
    try:
        opened = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666 if mode is None else 0o600)
        with os.fdopen(opened, "wb") as file:
            if mode is not None:
                os.fchmod(file.fileno(), mode)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    make_durable([path.parent, *(folder.parent for folder in missing)])


def write_all_durably(files: Mapping[Path, bytes]) -> None:
    """Write the files of one folder, each whole or not at all, all durable on return."""
    if len(files) <= _SYNC_ONE_BY_ONE:
        for path, data in files.items():
            write_durably(path, data)
        return
    parts: list[tuple[Path, Path]] = []
    try:
        for path, data in files.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            parts.append((path.with_name(f".{path.name}.{uuid4().hex}.part"), path))
            parts[-1][0].write_bytes(data)
        os.sync()
        for part, path in parts:
            part.replace(path)
        os.sync()
    finally:
        for part, _ in parts:
            part.unlink(missing_ok=True)
