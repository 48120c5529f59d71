"""Which photographs are to be sent? One file, or whatever is laid in a folder."""

import hashlib
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import msgspec

from edge.errors import InputError
from edge.pictures import BEGINNING_BYTES, WANTED, is_picture
from edge.sources import Event
from edge.wire import PHOTO_BYTES_MAX, Channel, PhotoHead, frame_photo

SUFFIXES: Final = frozenset({".jpg", ".jpeg", ".png", ".heic", ".heif", ".webp"})
SENT: Final = "sent"
_SETTLED_S: Final = 1.0  # a file unchanged for so long has been written whole


def photo_event(
    path: Path, *, pump: str, by: str, taken_at: datetime | None = None, sheet: str | None = None
) -> Event:
    """The message for a photo file. taken_at : aware; the file's own time if left out.

    Raises InputError if the file can't be read or is too large, or a field is not as it should be.
    """
    try:
        size = path.stat().st_size
        if size > PHOTO_BYTES_MAX:
            raise InputError(
                f"{size} bytes are more than a photo's {PHOTO_BYTES_MAX}",
                where=str(path),
                do="take it with fewer pixels",
            )
        photo = path.read_bytes()
        at = taken_at or datetime.fromtimestamp(path.stat().st_mtime, UTC)
    except OSError as error:
        raise InputError(f"can't be read ({error.strerror})", where=str(path), do="check the name") from None
    head = {
        "sha256": hashlib.sha256(photo).hexdigest(),
        "pump": pump,
        "taken_at": at,
        "by": by,
        "sheet": sheet,
        "name": path.name[:200],
    }
    try:
        checked = msgspec.convert(head, PhotoHead)
    except msgspec.ValidationError as error:
        raise InputError(f"can't be sent so: {error}", where=str(path), do="mend that field") from None
    return Event(round(at.timestamp() * 1e6), Channel.PHOTO, frame_photo(checked, photo))


def check_picture(path: Path) -> None:
    """Raise InputError if a file is not there, or does not begin as a picture does."""
    try:
        with path.open("rb") as file:
            beginning = file.read(BEGINNING_BYTES)
    except OSError as error:
        raise InputError(f"can't be read ({error.strerror})", where=str(path), do="check the name") from None
    if not is_picture(beginning):
        raise InputError("is no picture", where=str(path), do=f"send {WANTED}")


def settled_photos(folder: Path) -> Iterator[Path]:
    """Photos in a folder that are written whole, oldest first."""
    now = time.time()
    found = []
    for path in folder.iterdir():
        if path.suffix.lower() in SUFFIXES and path.is_file():
            changed = path.stat().st_mtime
            if now - changed >= _SETTLED_S:
                found.append((changed, path))
    yield from (path for _, path in sorted(found))


def move_to_sent(path: Path) -> None:
    """Take a photo that stands in the outbox out of the folder's sight."""
    sent = path.parent / SENT
    sent.mkdir(exist_ok=True)
    target = sent / path.name
    if target.exists():
        target = sent / f"{path.stem}-{time.time_ns()}{path.suffix}"
    path.rename(target)
