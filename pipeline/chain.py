"""Does the logbook stand as it was written? Each pump's entries chained one by one, in the order they landed.

A line names an entry (a record, or a photograph), the digest of its whole row, and the digest of the line
before. So a line or a row changed, taken away, put in or moved shows, and where. Whoever rewrites a chain
from some entry on changes its last digest: the daily digest, printed or sent away, is held against it later.
"""

import hashlib
import logging
import os
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Final

import msgspec
import pyarrow as pa
from msgspec import Meta, Struct

from edge.files import make_durable

log = logging.getLogger(__name__)

FOLDER: Final = "logbook"
# More than two lines are long.
TAIL_BYTES: Final = 4096
BEGINNING: Final = "0" * 64
# What each chained table's rows are known by.
REF: Final = {"records": "id", "photos": "sha256"}

Digest = Annotated[str, Meta(pattern=r"^[0-9a-f]{64}\Z")]
Place = tuple[str, str]
Row = dict[str, Any]


class Link(Struct, frozen=True):
    """One line. n : from 1 on; prev : digest of the line before; row : digest of the entry's whole row."""

    n: int
    prev: Digest
    table: str
    ref: str
    landed_at: datetime
    row: Digest


class Head(Struct, frozen=True):
    """Where a pump's chain stood when an entry had been written: all before it hangs on this digest."""

    site: str
    pump: str
    n: int
    digest: Digest


class Chains:
    """The chains of one home, for the one landing that writes them."""

    def __init__(self, home: Path) -> None:
        self._home = home

    def add(self, table: str, rows: Iterable[Row]) -> None:
        """Write the rows down at the end of their pumps' chains; durable on return."""
        by_pump: dict[Place, list[Row]] = {}
        for row in rows:
            by_pump.setdefault((row["site"], row["pump"]), []).append(row)
        for place, some in by_pump.items():
            self._add(place, table, some)

    def catch_up(self, table: str, rows: Iterable[Row]) -> None:
        """Write down what landed and was never chained: a kill came between. rows : of the whole table."""
        chained: dict[Place, set[str]] = {}
        missing = []
        for row in rows:
            place = row["site"], row["pump"]
            if place not in chained:
                chained[place] = {link.ref for link in _readable(self._home, place) if link.table == table}
            if row[REF[table]] not in chained[place]:
                missing.append(row)
        missing.sort(key=lambda row: (row["landed_at"], row["stream"] or "", row["seq"] or 0))
        self.add(table, missing)

    def _add(self, place: Place, table: str, rows: list[Row]) -> None:
        path = path_of(self._home, place)
        path.parent.mkdir(parents=True, exist_ok=True)
        size, last = _tail(path)
        n, prev = 0, BEGINNING
        if last is not None:
            link = _decoded(last)
            if link is None:
                # Landing goes on: what comes now must not be lost over what somebody did to what came before.
                log.error("not chained file=%s reason=its last line is no entry, run logbook verify", path)
                return
            n, prev = link.n, digest_of(last)
        added = b""
        for row in rows:
            n += 1
            line = msgspec.json.encode(
                Link(n, prev, table, row[REF[table]], row["landed_at"], row_digest(table, row))
            )
            prev = digest_of(line)
            added += line + b"\n"
        with path.open("r+b" if path.exists() else "wb") as file:
            file.seek(size)  # past it lies what a kill tore off
            file.write(added)
            file.truncate()
        make_durable([path, path.parent, path.parent.parent, self._home])


def _tail(path: Path) -> tuple[int, bytes | None]:
    """Size of the whole lines of a chain, and the last of them."""
    if not path.exists():
        return 0, None
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        begins = max(0, size - TAIL_BYTES)
        file.seek(begins)
        data = file.read()
    end = data.rfind(b"\n")
    if end < 0:
        return begins, None if begins == 0 else b""
    return begins + end + 1, data[data.rfind(b"\n", 0, end) + 1 : end]


def path_of(home: Path, place: Place) -> Path:
    """A pump's chain; site and pump are names that can stand in a path."""
    return home / FOLDER / place[0] / f"{place[1]}.ndjson"


def digest_of(line: bytes) -> str:
    """SHA-256 of a line without its end, in hexadecimal."""
    return hashlib.sha256(line).hexdigest()


def row_digest(table: str, row: Mapping[str, Any]) -> str:
    """SHA-256 of a row as the table has it: the columns that say something, in order of their names.

    So a column that a later layout adds changes no entry of before it.
    """
    told = [table, *((name, row[name]) for name in sorted(row) if row[name] is not None)]
    return hashlib.sha256(msgspec.json.encode(told)).hexdigest()


def places(home: Path) -> list[Place]:
    """Pumps that have a chain."""
    return sorted((path.parent.name, path.stem) for path in (home / FOLDER).glob("*/*.ndjson"))


def heads(home: Path, until: datetime | None = None) -> list[Head]:
    """Each pump's last entry, or the last that had landed before `until`."""
    found = []
    for place in places(home):
        last: Head | None = None
        for line in path_of(home, place).read_bytes().splitlines():
            link = _decoded(line)
            if link is not None and (until is None or link.landed_at < until):
                last = Head(*place, link.n, digest_of(line))
        if last is not None:
            found.append(last)
    return found


def check_chain(
    home: Path, place: Place, rows: Mapping[str, Mapping[str, list[Row]]]
) -> tuple[int, list[str]]:
    """(entries looked at, a sentence for each place at which something is not as it was written).

    rows : of the pump, by table and by what they are known by
    """
    path = path_of(home, place)
    lines = path.read_bytes().splitlines() if path.exists() else []
    where = f"logbook of {place[1]} at {place[0]}"
    wrong = list(_broken(lines, where))
    seen: dict[tuple[str, str], int] = {}
    for number, line in enumerate(lines, 1):
        link = _decoded(line)
        if link is None:
            continue
        key = link.table, link.ref
        if key in seen:
            wrong.append(f"{where}, line {number}: {_named(link)} stands at line {seen[key]} already.")
            continue
        seen[key] = number
        there = rows.get(link.table, {}).get(link.ref, [])
        if not there:
            wrong.append(f"{where}, line {number}: {_named(link)} is gone from its table.")
        elif all(row_digest(link.table, row) != link.row for row in there):
            wrong.append(f"{where}, line {number}: {_named(link)} does not read as it was written down.")
        elif all(row["landed_at"] != link.landed_at for row in there):
            wrong.append(f"{where}, line {number}: it does not say when {_named(link)} landed.")
    for table, refs in rows.items():
        for ref, some in refs.items():
            said = f"{_ONE[table]} {ref}"
            if (table, ref) not in seen:
                wrong.append(f"{where}: {said} stands in its table and was never written down here.")
            elif len(some) > 1:
                wrong.append(
                    f"{where}, line {seen[table, ref]}: {said} stands {len(some)} times in its table."
                )
    return len(lines), wrong


def check_heads(home: Path, filed: Iterable[Head]) -> list[str]:
    """A sentence for each filed digest that its chain no longer bears."""
    wrong = []
    for head in filed:
        path = path_of(home, (head.site, head.pump))
        lines = path.read_bytes().splitlines() if path.exists() else []
        where = f"logbook of {head.pump} at {head.site}"
        if len(lines) < head.n:
            wrong.append(f"{where}: it ends at entry {len(lines)}, the digest was filed at entry {head.n}.")
        elif digest_of(lines[head.n - 1]) != head.digest:
            wrong.append(f"{where}: entry {head.n} or one before it is not the one whose digest was filed.")
    return wrong


_ONE: Final = {"records": "record", "photos": "photograph"}


def _named(link: Link) -> str:
    return f"{_ONE.get(link.table, link.table)} {link.ref}"


def _broken(lines: list[bytes], where: str) -> Iterator[str]:
    """Lines that are no entries, or do not follow from the one before."""
    prev, wanted = BEGINNING, 1
    for number, line in enumerate(lines, 1):
        link = _decoded(line)
        if link is None:
            yield f"{where}, line {number}: it is no entry as they are written."
            prev, wanted = digest_of(line), wanted + 1
            continue
        if link.n > wanted:
            yield f"{where}, line {number}: entries {wanted} to {link.n - 1} are missing before it."
        elif link.n < wanted:
            yield f"{where}, line {number}: entry {link.n} stands where entry {wanted} should."
        elif link.prev != prev:
            before = f"from line {number - 1}" if number > 1 else "on nothing"
            yield f"{where}, line {number}: it does not follow {before}; one of the two was changed."
        prev, wanted = digest_of(line), link.n + 1


def _decoded(line: bytes) -> Link | None:
    """The entry; None where the line is not, to the byte, as one is written."""
    try:
        link = msgspec.json.decode(line, type=Link)
    except (msgspec.DecodeError, UnicodeDecodeError):
        return None
    return link if msgspec.json.encode(link) == line else None


def _readable(home: Path, place: Place) -> Iterator[Link]:
    path = path_of(home, place)
    for line in path.read_bytes().splitlines() if path.exists() else []:
        link = _decoded(line)
        if link is not None:
            yield link


def rows_by_place(table: str, rows: pa.Table) -> dict[Place, dict[str, list[Row]]]:
    """A chained table's rows by pump, and by what they are known by."""
    found: dict[Place, dict[str, list[Row]]] = {}
    for row in rows.to_pylist():
        refs = found.setdefault((row["site"], row["pump"]), {})
        refs.setdefault(row[REF[table]], []).append(row)
    return found
