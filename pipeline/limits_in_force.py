"""Which limits were in force, and from when? Versions of a site's settings, noted when first used.

One line a version, never changed: the moment, its digest, the settings whole. What was judged between two
lines was judged by the first of them; `rebuild` judges all anew by the last.
"""

import hashlib
from datetime import datetime
from pathlib import Path
from typing import Final

import msgspec
from msgspec import Struct

from edge.files import make_durable
from pipeline.settings import SiteSettings

FILE_NAME: Final = "limits.ndjson"


class Version(Struct, frozen=True):
    """Settings as they were used from a moment on. digest : the first 16 of SHA-256, in hexadecimal."""

    since: datetime
    digest: str
    settings: SiteSettings


def note(home: Path, settings: SiteSettings, now: datetime) -> None:
    """Write the settings down, unless they are those noted last; durable on return."""
    digest = digest_of(settings)
    known = versions(home)
    if known and known[-1].digest == digest:
        return
    path = home / FILE_NAME
    with path.open("ab") as file:
        file.write(msgspec.json.encode(Version(now, digest, settings)) + b"\n")
    make_durable([path, home])


def versions(home: Path) -> list[Version]:
    """Every version, in order; a line that can't be read is left out."""
    try:
        lines = (home / FILE_NAME).read_bytes().splitlines()
    except FileNotFoundError:
        return []
    found = []
    for line in lines:
        try:
            found.append(msgspec.json.decode(line, type=Version))
        except (msgspec.DecodeError, UnicodeDecodeError):
            continue  # torn off by a kill, or of another version of these settings
    return found


def digest_of(settings: SiteSettings) -> str:
    """What a version is known by."""
    return hashlib.sha256(msgspec.json.encode(settings)).hexdigest()[:16]
