"""Where does everything stand? Delta tables in one folder: appended once, read by anyone.

A commit is durable when `append` returns: data files and their folders are synced before the log names
them, and the log entry after. `deltalake` itself syncs nothing. Readers need no lock, in any process; one
landing at a time holds the home.
"""

import fcntl
import json
import logging
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final
from uuid import uuid4

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from deltalake import (
    CommitProperties,
    DeltaTable,
    PostCommitHookProperties,
    Schema,
    Transaction,
    write_deltalake,
)
from deltalake.exceptions import CommitFailedError
from deltalake.transaction import AddAction, RemoveAction
from pyarrow.fs import LocalFileSystem, SubTreeFileSystem

from edge.errors import InputError
from edge.files import make_durable
from pipeline.chain import REF as CHAINED
from pipeline.chain import Chains
from pipeline.crowded import HeldFile, Place, crowded_places, write_merged
from pipeline.mend import mend_tail
from pipeline.seal import Seals
from pipeline.tables import DERIVED, LANDED, PARTITIONS, TABLES

log = logging.getLogger(__name__)

Filters = list[tuple[str, str, Any]]

# Small files are rewritten as one when a partition has more than this.
FILES_MAX: Final = 24
KEEP_REPLACED_H: Final = 6  # [h] files that were replaced stay for readers that began before
# Opening a table lists its log, at 16 ms a thousand entries, so what a checkpoint has taken up goes soon.
LOG_KEPT: Final = "interval 10 minutes"
LOG_ENTRIES_MAX: Final = 100
_REPLACE_TRIES: Final = 5
# Checkpoints are made in `compact`, where they are synced.
_NO_CHECKPOINT: Final = PostCommitHookProperties(create_checkpoint=False, cleanup_expired_logs=False)


class History:
    """The tables of one home. Use one object a thread."""

    def __init__(self, home: Path) -> None:
        """home : the pipeline's folder; the tables stand in home/history/<table>."""
        self.home = home
        self.root = home / "history"
        self._tables: dict[str, DeltaTable] = {}
        self._seals = Seals(home)
        self._chains = Chains(home)

    # -- reading

    def files(self, name: str) -> list[str]:
        """Paths of the Parquet files that make up a table now; none if nothing is in it yet."""
        table = self._open(name)
        return [] if table is None else [str(uri) for uri in table.file_uris()]

    def files_below(self, name: str) -> set[str]:
        """The same, as paths below the table's folder."""
        table = self._open(name)
        if table is None:
            return set()
        return set(pa.table(table.get_add_actions(flatten=True)).column("path").to_pylist())

    def read(
        self,
        name: str,
        *,
        site: str | None = None,
        pump: str | None = None,
        days: tuple[date, date] | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        columns: Sequence[str] | None = None,
        where: pc.Expression | None = None,
    ) -> pa.Table:
        """Rows of a table, in no order.

        days : first and last `day`, both included; since, until : `at` from (included) to (excluded)
        where : any further condition on the columns
        """
        schema = TABLES[name]
        names = list(columns) if columns is not None else schema.names
        wanted = pa.schema([schema.field(column) for column in names])
        table = self._open(name)
        if table is None:
            return wanted.empty_table()
        condition = where
        for each in (
            None if site is None else pc.field("site") == site,
            None if pump is None else pc.field("pump") == pump,
            None if days is None else (pc.field("day") >= days[0]) & (pc.field("day") <= days[1]),
            None if since is None else pc.field("at") >= since,
            None if until is None else pc.field("at") < until,
        ):
            if each is not None:
                condition = each if condition is None else condition & each
        # Arrow's own file system: deltalake's is a Python object, which a thread of Arrow may let go of while
        # the interpreter ends, and the process aborts.
        files = SubTreeFileSystem(str((self.root / name).resolve()), LocalFileSystem())
        dataset = table.to_pyarrow_dataset(schema=schema, filesystem=files)
        return dataset.to_table(columns=names, filter=condition).cast(wanted)

    def days(self, name: str, site: str, pump: str) -> list[date]:
        """Days of a table split by day for which a pump has rows, in order."""
        table = self._open(name)
        if table is None:
            return []
        parts = table.partitions(file_pruning_predicate=[("site", "=", site), ("pump", "=", pump)])
        return sorted({date.fromisoformat(str(part["day"])) for part in parts})

    def transaction(self, name: str, app_id: str) -> int | None:
        """Version last committed to a table under an application id."""
        table = self._open(name)
        return None if table is None else table.transaction_version(app_id)

    # -- writing

    def append(
        self,
        name: str,
        rows: pa.Table,
        transactions: Mapping[str, int] | None = None,
    ) -> None:
        """Add rows to a table that landed data stands in; durable on return.

        transactions : version by application id, committed with the rows or not at all; with them, rows may
            be empty
        """
        if rows.num_rows or transactions:
            self._commit(name, self._write_files(name, rows), transactions)
            if name in CHAINED:
                self._chains.add(name, rows.select(TABLES[name].names).cast(TABLES[name]).to_pylist())

    def replace_day(self, name: str, rows: pa.Table, site: str, pump: str, day: date) -> None:
        """Put `rows` in place of all that a table split by day holds of a pump's day, as one commit."""
        place: Filters = [("site", "=", site), ("pump", "=", pump), ("day", "=", day.isoformat())]
        self._commit(name, self._write_files(name, rows), None, instead_of=place)

    def replace(self, name: str, rows: pa.Table, site: str, pump: str, day: date | None = None) -> None:
        """Put `rows` in place of what a derived table holds of a pump, or of its production day.

        rows : of that pump and day alone; columns as in tables.py
        """
        schema = DERIVED[name]
        rows = rows.select(schema.names).cast(schema)
        where = f"site = '{site}' AND pump = '{pump}'" + (f" AND day = '{day}'" if day else "")
        for tries in range(_REPLACE_TRIES):
            try:
                self._bring_forward(name)
                table = self._open(name) or self._create(name)
                write_deltalake(
                    table, rows, mode="overwrite", predicate=where, post_commithook_properties=_NO_CHECKPOINT
                )
                break
            except CommitFailedError:
                # Someone else replaced another pump or day meanwhile: look again.
                if tries == _REPLACE_TRIES - 1:
                    raise
        self._sync_entry(name)

    def compact(self, names: Sequence[str] = tuple(LANDED), files_max: int = FILES_MAX) -> int:
        """Rewrite partitions that lie in too many files, seal and shorten logs; how many were rewritten.

        names : tables that no one else writes to meanwhile
        """
        if set(names) & LANDED.keys():
            with self.committing():
                return self._compact(names, files_max)
        return self._compact(names, files_max)

    def _compact(self, names: Sequence[str], files_max: int) -> int:
        rewritten = 0
        for name in names:
            table = self._open(name)
            if table is None:
                continue
            crowded = crowded_places(table, PARTITIONS.get(name, []), files_max)
            for place, files in crowded:
                self._merge(name, place, files)
            if name in LANDED:
                # Before a checkpoint lets the log forget what was put away.
                self._seal(name, table)
            if crowded or self._log_is_long(name):
                self._checkpoint(name)
            rewritten += len(crowded)
        pa.default_memory_pool().release_unused()
        return rewritten

    def _merge(self, name: str, place: Place, files: list[HeldFile]) -> None:
        """Put `files` of a partition together as one, as one commit; readers see the same rows."""
        folder, kept = self.root / name, [field for field in TABLES[name] if field.name not in dict(place)]
        relative = f"{files[0].path.rpartition('/')[0]}/part-{uuid4().hex}.parquet".lstrip("/")
        paths = [folder / file.path for file in files]
        write_merged(paths, folder / relative, pa.schema(kept))
        make_durable([folder / relative, (folder / relative).parent])
        now_ms = time.time_ns() // 1_000_000
        rows = sum(file.rows for file in files)
        size = (folder / relative).stat().st_size
        added = AddAction(relative, size, dict(place), now_ms, False, json.dumps({"numRecords": rows}))
        removed = [RemoveAction(file.path, False, now_ms, file.size, dict(place)) for file in files]
        self._commit(name, [added, *removed], None)

    @contextmanager
    def only_landing(self) -> Iterator[None]:
        """Hold the home for one landing; what a power cut tore off its last commit is mended first.

        Raises InputError if another landing holds it.
        """
        self.root.mkdir(parents=True, exist_ok=True)
        with (self.home / "landing.lock").open("w") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                raise InputError(
                    "another landing already writes to this home",
                    where=str(self.home),
                    do="stop that `serve` or `import`, or give another --home",
                ) from None
            for name in TABLES:
                mend_tail(self.root / name)
                self._bring_forward(name)
            for name in CHAINED:
                self._chains.catch_up(name, self.read(name).to_pylist())
            yield

    @contextmanager
    def committing(self) -> Iterator[None]:
        """While one commits to the landed tables, no backup copies their logs, and the other way round."""
        self.home.mkdir(parents=True, exist_ok=True)
        with (self.home / "commit.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield

    # -- inside

    def _bring_forward(self, name: str) -> None:
        """Give a table of an earlier layout the columns that have come since; old rows have null there."""
        table = self._open(name)
        if table is None:
            return
        there = {field.name for field in table.schema().fields}
        lacking = [field for field in Schema.from_arrow(TABLES[name]).fields if field.name not in there]
        if lacking:
            table.alter.add_columns(lacking, post_commithook_properties=_NO_CHECKPOINT)
            self._sync_entry(name)
            log.info("brought forward table=%s columns=%s", name, [field.name for field in lacking])

    def _open(self, name: str) -> DeltaTable | None:
        table = self._tables.get(name)
        if table is not None:
            table.update_incremental()
            return table
        path = self.root / name
        if not any((path / "_delta_log").glob("*.json")):
            return None
        self._tables[name] = table = DeltaTable(str(path))
        return table

    def _create(self, name: str) -> DeltaTable:
        path = self.root / name
        path.mkdir(parents=True, exist_ok=True)
        table = DeltaTable.create(
            str(path),
            TABLES[name],
            mode="ignore",
            partition_by=PARTITIONS.get(name, []),
            configuration={"delta.logRetentionDuration": LOG_KEPT},
        )
        self._tables[name] = table
        self._sync_entry(name)
        make_durable([self.root, self.home])
        return table

    def _write_files(self, name: str, rows: pa.Table) -> list[AddAction]:
        """Parquet files of the rows, one a partition, each durable; the actions that will name them."""
        schema, split = TABLES[name], PARTITIONS.get(name, [])
        rows = rows.select(schema.names).cast(schema)
        kept = [column for column in schema.names if column not in split]
        actions, paths = [], []
        for values, part in _parts(rows, split):
            folder = "/".join(f"{column}={value}" for column, value in values.items())
            relative = "/".join(filter(None, (folder, f"part-{uuid4().hex}.parquet")))
            path = self.root / name / relative
            path.parent.mkdir(parents=True, exist_ok=True)
            pq.write_table(part.select(kept), path, compression="zstd")
            paths.append(path)
            actions.append(
                AddAction(
                    relative,
                    path.stat().st_size,
                    values,
                    time.time_ns() // 1_000_000,
                    True,
                    json.dumps({"numRecords": part.num_rows}),
                )
            )
        folders = {
            above for path in paths for above in path.parents if above.is_relative_to(self.root / name)
        }
        make_durable([*paths, *sorted(folders)])
        return actions

    def _commit(
        self,
        name: str,
        actions: Sequence[AddAction | RemoveAction],
        transactions: Mapping[str, int] | None,
        instead_of: Filters | None = None,
    ) -> None:
        """instead_of : the partition whose files all go, for those that are added"""
        table = self._open(name) or self._create(name)
        table.create_write_transaction(
            list(actions),
            "overwrite" if instead_of else "append",
            TABLES[name],
            PARTITIONS.get(name, []),
            partition_filters=instead_of,
            commit_properties=CommitProperties(
                app_transactions=[Transaction(app_id, version) for app_id, version in transactions.items()]
                if transactions
                else None
            ),
            post_commithook_properties=_NO_CHECKPOINT,
        )
        self._sync_entry(name)

    def _sync_entry(self, name: str) -> None:
        """Make the newest log entry and whatever it names durable."""
        table = self._tables[name]
        table.update_incremental()
        folder = self.root / name / "_delta_log"
        entry = folder / f"{table.version():020d}.json"
        added = [
            self.root / name / action["add"]["path"]
            for action in map(json.loads, entry.read_bytes().splitlines())
            if "add" in action
        ]
        make_durable([*added, *{path.parent for path in added}, entry, folder, folder.parent])

    def _seal(self, name: str, table: DeltaTable) -> None:
        try:
            self._seals.seal(name, table.version(), self.files_below(name))
        except InputError as error:
            # Landing goes on: what comes now must not be lost over what somebody did to what came before.
            log.error("not sealed table=%s reason=%s", name, error)

    def _log_is_long(self, name: str) -> bool:
        folder = self.root / name / "_delta_log"
        begins = max((path.name for path in folder.glob("*.checkpoint*.parquet")), default="")[:20]
        return sum(path.name[:20] > begins for path in folder.glob("*.json")) > LOG_ENTRIES_MAX

    def _checkpoint(self, name: str) -> None:
        table = self._tables[name]
        table.update_incremental()
        table.vacuum(retention_hours=KEEP_REPLACED_H, enforce_retention_duration=False, dry_run=False)
        table.update_incremental()
        table.create_checkpoint()
        folder = self.root / name / "_delta_log"
        make_durable([*folder.glob("*.checkpoint*.parquet"), folder / "_last_checkpoint", folder])
        table.cleanup_metadata()  # only now, when the checkpoint that stands for them is on the disk


def _parts(rows: pa.Table, split: Sequence[str]) -> Iterator[tuple[dict[str, str | None], pa.Table]]:
    """The rows of each partition."""
    if not rows.num_rows:
        return
    if not split:
        yield {}, rows
        return
    keys = rows.select(split).group_by(split).aggregate([]).to_pylist()
    for key in keys:
        if len(keys) == 1:
            part = rows
        else:
            mask = None
            for column, value in key.items():
                same = pc.equal(rows.column(column), pa.scalar(value, rows.schema.field(column).type))
                mask = same if mask is None else pc.and_(mask, same)
            part = rows.filter(mask)
        yield {column: str(value) for column, value in key.items()}, part
