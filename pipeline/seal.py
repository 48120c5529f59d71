"""Is what landed still as it was committed? Seals over the landed tables' files, each over the one before.

A seal names the files that came to a table and those that compaction put away, with their digests and the
digest of the seal before it. So a file changed, a log entry edited, a row or a whole table taken away shows.
Whoever rewrites the whole chain changes its last digest: print it with the logbook and file it elsewhere.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Final

import msgspec
from msgspec import Meta, Struct

from edge.errors import InputError
from edge.files import make_durable

FILE_NAME: Final = "seals.ndjson"
BEGINNING: Final = "0" * 64

Digest = Annotated[str, Meta(pattern=r"^[0-9a-f]{64}\Z")]


class Seal(Struct, frozen=True):
    """What a table held at a version, as the change since its last seal. prev : digest of the line before."""

    table: str
    version: int
    adds: dict[str, Digest]
    removes: list[str]
    prev: Digest


class Chain:
    """The seals read so far, and what they say should be there."""

    def __init__(self) -> None:
        self.lines = 0
        self.last: str = BEGINNING
        self.version: dict[str, int] = {}
        self.files: dict[str, dict[str, str]] = {}

    def read(self, line: bytes) -> str | None:
        """Take the next line; what is wrong with it, if anything is."""
        before, self.last = self.last, hashlib.sha256(line).hexdigest()
        self.lines += 1
        try:
            seal = msgspec.json.decode(line, type=Seal)
        except (msgspec.DecodeError, UnicodeDecodeError):
            return f"{FILE_NAME}, line {self.lines}: it is no seal."
        self.version[seal.table] = seal.version
        files = self.files.setdefault(seal.table, {})
        files.update(seal.adds)
        for path in seal.removes:
            files.pop(path, None)
        if seal.prev != before:
            return f"{FILE_NAME}, line {self.lines}: a seal before it was changed or taken away."
        return None


class Seals:
    """The chain of one home, for the one landing that writes it."""

    def __init__(self, home: Path) -> None:
        self._path = home / FILE_NAME
        self._root = home / "history"
        self._chain = Chain()
        self._size = 0

    def seal(self, table: str, version: int, paths: Iterable[str]) -> None:
        """Seal what a table holds now; durable on return.

        version : the table's; paths : of its files, below its folder
        Raises InputError if the chain there is damaged: it must not be written on.
        """
        self._catch_up()
        there, known = set(paths), self._chain.files.get(table, {})
        if there == known.keys():
            return
        adds = {path: file_digest(self._root / table / path) for path in sorted(there - known.keys())}
        seal = Seal(table, version, adds, sorted(known.keys() - there), self._chain.last)
        line = msgspec.json.encode(seal)
        with self._path.open("ab") as file:
            file.write(line + b"\n")
        make_durable([self._path, self._path.parent])
        self._size = self._path.stat().st_size
        self._chain.read(line)

    def _catch_up(self) -> None:
        """Read what stands there already; a last line that a kill tore off is taken away."""
        size = self._path.stat().st_size if self._path.exists() else 0
        if size == self._size:
            return
        data = self._path.read_bytes()
        whole = data[: data.rfind(b"\n") + 1]
        self._chain = Chain()
        for line in whole.splitlines():
            if (wrong := self._chain.read(line)) is not None:
                raise InputError(wrong.rstrip("."), where=str(self._path), do="run `beadbook logbook verify`")
        if len(whole) < len(data):
            with self._path.open("r+b") as file:
                file.truncate(len(whole))
        self._size = len(whole)


def file_digest(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def check(home: Path, named: Mapping[str, set[str]]) -> tuple[Chain, list[str]]:
    """The chain, and a sentence for each thing that is not as it was sealed.

    named : the files that each landed table names now, by paths below its folder
    """
    chain = Chain()
    path = home / FILE_NAME
    lines = path.read_bytes().splitlines() if path.exists() else []
    wrong = [sentence for line in lines if (sentence := chain.read(line)) is not None]
    for table, files in chain.files.items():
        folder = home / "history" / table
        put_away = set(_put_away(folder / "_delta_log", chain.version[table]))
        for file, digest in sorted(files.items()):
            if file in put_away:
                continue
            if file not in named.get(table, set()):
                wrong.append(f"table {table}: file {file} was sealed, and the table no longer names it.")
            elif not (folder / file).is_file():
                wrong.append(f"table {table}: file {file} is gone.")
            elif (found := file_digest(folder / file)) != digest:
                wrong.append(f"table {table}: file {file} has changed, its digest is now {found}.")
    return chain, wrong


def _put_away(log: Path, after: int) -> Iterator[str]:
    """Files that a table's log removes after a version: what is committed may not be sealed yet."""
    for entry in log.glob("*.json"):
        if int(entry.stem) <= after:
            continue
        try:
            actions = [json.loads(line) for line in entry.read_bytes().splitlines()]
            yield from (action["remove"]["path"] for action in actions if "remove" in action)
        except (OSError, ValueError, KeyError, TypeError):
            continue  # the check of the log itself says so
