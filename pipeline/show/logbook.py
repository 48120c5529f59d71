"""What has been written down, and is it still as it came? The logbook, and what can be checked of it.

`verify` checks what the history itself can tell: every record parses and says what its columns say, no id
stands twice with different words, every photograph's bytes match the digest they are filed under, the log of
each landed table has removed no rows, and the tables' files are those that were sealed. It can't find a
record that was false when it was written.
"""

import hashlib
import json
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Final

import duckdb
import msgspec
import pyarrow as pa
import pyarrow.parquet as pq
from deltalake.exceptions import DeltaError
from msgspec import Struct

from edge.errors import InputError
from edge.records import decode_record, kind_of
from pipeline.chain import REF as CHAINED
from pipeline.chain import Head, check_chain, check_heads, heads, places, rows_by_place
from pipeline.history import History
from pipeline.join.open import connect
from pipeline.seal import check
from pipeline.tables import LANDED, TABLES


class Entry(Struct, frozen=True):
    """A row of the view logbook."""

    time: datetime
    site: str
    pump: str
    person: str
    what: str
    text: str
    ref: str
    superseded_by: str | None = None
    landed_at: datetime | None = None


class Check(Struct, frozen=True):
    """One thing verified. wrong : a sentence for each place where it does not hold."""

    what: str
    looked_at: int
    wrong: tuple[str, ...] = ()


def entries(
    home: Path,
    site: str | None = None,
    pump: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> list[Entry]:
    """Entries in order of time; every filter may be left out."""
    connection = connect(home)
    rows = connection.execute(
        """
        SELECT time, site, pump, person, what, text, ref, superseded_by, landed_at FROM logbook
        WHERE site = coalesce($site, site) AND pump = coalesce($pump, pump)
        AND time >= coalesce($since, time) AND ($until IS NULL OR time < $until)
        ORDER BY time, ref
        """,
        {"site": site, "pump": pump, "since": since, "until": until},
    ).fetchall()
    return [Entry(*row) for row in rows]


def verify(home: Path) -> list[Check]:
    """Every check, in turn. Raises InputError if there is no such home."""
    if not home.is_dir():
        raise InputError("there is no such home", where=str(home), do="name one with --home")
    return [
        _told(_RECORDS, lambda: _records(connect(home))),
        _told(_PHOTOS, lambda: _photos(connect(home), home)),
        *_logs(home),
        _told(_SEALS, lambda: _seals(home)),
        *_chains(home),
    ]


def _chains(home: Path) -> Iterator[Check]:
    """Each pump's entries, one by one. Tables are read first: what lands meanwhile is chained by then."""
    history = History(home)
    tables = {name: rows_by_place(name, _readable(history, name)) for name in CHAINED}
    there = {place for rows in tables.values() for place in rows}
    last = {(head.site, head.pump): head for head in heads(home)}
    for place in sorted({*places(home), *there}):
        rows = {name: some.get(place, {}) for name, some in tables.items()}
        looked_at, wrong = check_chain(home, place, rows)
        head = last.get(place)
        ends = f", entry {head.n} has the digest {head.digest}" if head else ""
        yield Check(f"{_ENTRIES} of {place[1]} at {place[0]}{ends}", looked_at, tuple(wrong))


def _readable(history: History, name: str) -> pa.Table:
    """Rows of the files that can be read, whatever size or digest they have now.

    The checks before it tell of the others: here their entries are gone, and one changed file hides no other.
    """
    parts = []
    with suppress(DeltaError, OSError):
        for path in history.files(name):
            with suppress(pa.ArrowException, OSError, KeyError):
                parts.append(pq.ParquetFile(path).read().select(TABLES[name].names).cast(TABLES[name]))
    return pa.concat_tables(parts) if parts else TABLES[name].empty_table()


def verify_filed(home: Path, filed: Path) -> Check:
    """Whether the chains still bear the digests that were filed. Raises InputError if the file is none."""
    try:
        told = msgspec.json.decode(filed.read_bytes(), type=list[Head])
    except OSError as error:
        raise InputError(f"can't be read: {error.strerror}", where=str(filed), do="name the file") from None
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise InputError(
            f"no digests ({error})", where=str(filed), do="give what `beadbook logbook digest --json` wrote"
        ) from None
    return Check("digests filed earlier are still borne", len(told), tuple(check_heads(home, told)))


_RECORDS: Final = "records parse, agree with their columns, and stand once"
_PHOTOS: Final = "photographs match the digest they are filed under"
_ENTRIES: Final = "entries follow one another and read as they were written,"
_SEALS: Final = "landed tables hold the files that were sealed"


def _told(what: str, look: Callable[[], Check]) -> Check:
    """The check; where a damaged file ends it, that is what is wrong."""
    try:
        return look()
    except (duckdb.Error, DeltaError, pa.ArrowException, OSError) as error:
        said = str(error).splitlines()[0].rstrip(".") if str(error) else type(error).__name__
        return Check(what, 0, (f"a table can't be read: {said}.",))


def _seals(home: Path) -> Check:
    history = History(home)
    chain, wrong = check(home, {name: history.files_below(name) for name in LANDED})
    last = f", the last seal is {chain.last}" if chain.lines else ""
    return Check(f"{_SEALS}{last}", chain.lines, tuple(wrong))


def _records(connection: duckdb.DuckDBPyConnection) -> Check:
    rows = connection.execute(
        'SELECT id, site, pump, "at", "by", kind, note, body FROM history.records ORDER BY id, landed_at'
    ).fetchall()
    wrong: list[str] = []
    said: dict[str, str] = {}
    for ref, site, pump, at, by, kind, note, body in rows:
        try:
            record = decode_record(body.encode(), f"record {ref}")
        except InputError as error:
            wrong.append(str(error))
            continue
        columns = (
            str(record.id),
            record.site,
            record.pump,
            record.at,
            record.by,
            kind_of(record),
            record.note,
        )
        if columns != (ref, site, pump, at, by, kind, note):
            wrong.append(f"record {ref}: its columns do not say what its body says.")
        if said.setdefault(ref, body) != body:
            wrong.append(f"record {ref}: it stands twice, with different words.")
    return Check(_RECORDS, len(rows), tuple(wrong))


def _photos(connection: duckdb.DuckDBPyConnection, home: Path) -> Check:
    digests = [row[0] for row in connection.execute("SELECT DISTINCT sha256 FROM history.photos").fetchall()]
    wrong = []
    for digest in sorted(digests):
        path = home / "photos" / digest[:2] / digest
        try:
            found = hashlib.sha256(path.read_bytes()).hexdigest()
        except OSError:
            wrong.append(f"photo {digest}: its file is gone.")
            continue
        if found != digest:
            wrong.append(f"photo {digest}: its bytes have changed, their digest is now {found}.")
    return Check(_PHOTOS, len(digests), tuple(wrong))


def _logs(home: Path) -> Iterator[Check]:
    """No commit of a landed table may take rows away; compaction takes files away and no rows."""
    for name in LANDED:
        log = sorted((home / "history" / name / "_delta_log").glob("*.json"))
        wrong: list[str] = []
        rows_in: dict[str, int] = {}
        for expected, entry in enumerate(log, int(log[0].stem) if log else 0):
            if int(entry.stem) != expected:
                wrong.append(f"table {name}: version {expected} is gone from its log.")
                break
            try:
                added, removed = _rows_moved(entry, rows_in)
            except (OSError, ValueError, KeyError):
                wrong.append(f"table {name}, version {expected}: its log entry can't be read.")
                break
            if removed > added:
                wrong.append(f"table {name}, version {expected}: {removed - added} rows were removed.")
        yield Check(f"table {name} has only ever grown", len(log), tuple(wrong))


def _rows_moved(entry: Path, rows_in: dict[str, int]) -> tuple[int, int]:
    """Rows that one commit adds and removes. rows_in : rows of each file yet named, brought up to date."""
    added = removed = 0
    for line in entry.read_text(encoding="utf-8").splitlines():
        action = json.loads(line)
        if "add" in action:
            count = int(json.loads(action["add"].get("stats") or "{}").get("numRecords", 0))
            rows_in[action["add"]["path"]] = count
            added += count
        elif "remove" in action:
            removed += rows_in.pop(action["remove"]["path"], 0)
    return added, removed
