"""Which rows does a batch add? Rows by table, without what stands there already, committed in one order.

Samples, records and photographs are known by what they are, so one that comes by another stream or from a
file is stored once.
"""

from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime
from types import MappingProxyType
from typing import Any, Final, NamedTuple

import numpy as np
import pyarrow as pa

from edge.errors import InputError
from edge.files import write_durably
from edge.records import AnyRecord, Correction, encode_record, kind_of
from edge.senml import GaugeColumns
from edge.wire import Address, Sender
from pipeline.history import History
from pipeline.land.aside import Aside, one_line
from pipeline.land.decode import Content, Photo, decode
from pipeline.land.known import DAY_US, IntArray, Known, day_of
from pipeline.land.samples import Origin, Samples, fill_in, join_packs, origin_of, to_table
from pipeline.tables import TABLES

# Commits of a batch go in this order; the last one of those there are also carries the whole.
ORDER: Final = ("photos", "records", "gauge_samples", "rejected")
EVERY_TABLE: Final = frozenset(ORDER)

PumpDay = tuple[str, str, date]


class Message(NamedTuple):
    """A message as it came. handle : what the inbox wants back when it is durable."""

    topic: str
    payload: bytes
    arrived_at: datetime
    handle: Any = None


class Landed(NamedTuple):
    """What a batch moved.

    through : (site, edge, stream) -> highest seq through which all is durable now
    touched : pumps and UTC dates with new rows; already : samples, records and photos that stood there before
    passed_over : messages that could not be landed, and beyond what may be set aside of their edge
    newest : (site, pump) -> latest moment of the new samples
    """

    through: dict[Sender, int]
    touched: set[PumpDay]
    samples: int = 0
    records: int = 0
    photos: int = 0
    rejected: int = 0
    already: int = 0
    passed_over: int = 0
    newest: Mapping[tuple[str, str], datetime] = MappingProxyType({})

    def and_then(self, other: "Landed") -> "Landed":
        """What this and a later batch moved together."""
        return Landed(
            {**self.through, **other.through},
            self.touched | other.touched,
            self.samples + other.samples,
            self.records + other.records,
            self.photos + other.photos,
            self.rejected + other.rejected,
            self.already + other.already,
            self.passed_over + other.passed_over,
            {**self.newest, **other.newest},
        )


def table_id(sender: Sender) -> str:
    """Application id under which a table says through which seq it has a stream.

    With the edge in it: whoever learns another edge's stream can't pass off messages as its next ones.
    """
    return "/".join(sender)


def whole_id(sender: Sender) -> str:
    """Application id under which a table says through which seq a stream is in all tables."""
    return f"through:{table_id(sender)}"


class Batch:
    """What is to be committed together."""

    def __init__(
        self,
        history: History,
        known: Known,
        aside: Aside,
        landed_at: datetime,
        expect: Callable[[set[PumpDay]], None],
        tied: Mapping[str, frozenset[str]],
    ) -> None:
        """
        expect : told, before a commit, for which pumps and UTC dates it brings something
        tied : edges that speak for these pumps alone
        """
        self._history = history
        self._expect = expect
        self._known = known
        self._aside = aside
        self._payloads: dict[str, bytes] = {}  # to be set aside, by digest
        self._landed_at = landed_at
        self._tied = tied
        self._packs: dict[tuple[str, str], list[tuple[GaugeColumns, Origin]]] = {}
        self._samples: list[tuple[str, str, Samples]] = []
        self._rows: dict[str, list[dict[str, Any]]] = {"photos": [], "records": [], "rejected": []}
        self._keys: dict[str, set[tuple[str, ...]]] = {"photos": set(), "records": set()}
        self._touched: set[PumpDay] = set()
        self._already = 0

    def take(self, address: Address, message: Message, missing: frozenset[str] = EVERY_TABLE) -> str | None:
        """Add what a message says, or set it aside and give the reason.

        missing : tables that its stream's seq is not in yet
        Raises BeyondAllowanceError if its edge may have no more set aside.
        """
        try:
            content = decode(address, message.payload, message.arrived_at.timestamp())
            _require_its_own(content, address, self._tied.get(address.edge))
        except InputError as error:
            if "rejected" in missing:
                self.set_aside(message.topic, message.payload, address, error)
            return one_line(str(error))
        if _table_of(content) in missing:
            self._add(content, address)
        return None

    def add_samples(self, site: str, pump: str, samples: Samples) -> None:
        """Add a pump's rows that are columns already."""
        self._samples.append((site, pump, samples))

    def set_aside(self, topic: str, payload: bytes, address: Address | None, error: InputError) -> None:
        """Keep what can't be landed, with the reason. topic : where it came from.

        Raises BeyondAllowanceError.
        """
        row = self._aside.row(topic, payload, address, one_line(str(error)), self._landed_at)
        if row is not None:
            self._payloads[row["sha256"]] = payload
            self._rows["rejected"].append(row)

    def commit(self, streams: Mapping[Sender, tuple[Mapping[str, int], int]] | None = None) -> Landed:
        """Commit everything; durable on return.

        streams : stream -> (seq by table that it is in there already, seq that it is in everywhere with this)
        """
        streams = streams or {}
        tables = {
            name: pa.Table.from_pylist(rows, schema=TABLES[name]) for name, rows in self._rows.items() if rows
        }
        moments, gauge_rows = self._gauge_rows()
        if gauge_rows is not None:
            tables["gauge_samples"] = gauge_rows
        if self._touched:
            self._expect(self._touched)
        self._aside.keep(self._payloads)
        names: list[str] = [name for name in ORDER if name in tables]
        if streams and not names:
            names = ["gauge_samples"]  # nothing new in it, yet the receipt must outlive us
        with self._history.committing():
            for name in names:
                carried = {table_id(one): max(inside[name], seq) for one, (inside, seq) in streams.items()}
                if name == names[-1]:
                    carried |= {whole_id(one): seq for one, (_, seq) in streams.items()}
                self._history.append(name, tables.get(name, TABLES[name].empty_table()), carried)
        for site, pump, at_us in moments:
            self._known.add_samples(site, pump, at_us)
        for name, keys in self._keys.items():
            if keys:
                self._known.keys(name, ()).update(keys)
        counts = {name: len(rows) for name, rows in self._rows.items()}
        samples = 0 if gauge_rows is None else gauge_rows.num_rows
        newest = {
            (site, pump): datetime.fromtimestamp(int(at_us.max()) / 1e6, UTC) for site, pump, at_us in moments
        }
        return Landed({}, self._touched, samples=samples, already=self._already, newest=newest, **counts)

    # -- rows

    def _add(self, content: Content, address: Address) -> None:
        if isinstance(content, list):
            for columns in content:
                self._packs.setdefault((address.site, columns.pump), []).append((columns, origin_of(address)))
        elif isinstance(content, Photo):
            self._add_photo(content, address)
        else:
            self._add_record(content, address)

    def _add_photo(self, photo: Photo, address: Address) -> None:
        head = photo.head
        if not self._is_new("photos", (head.sha256, head.pump), ("sha256", "pump")):
            return
        path = self._history.home / "photos" / head.sha256[:2] / head.sha256
        if not path.exists():
            write_durably(path, photo.data)
        self._rows["photos"].append(
            {
                "sha256": head.sha256,
                **self._common(address, head.pump, head.taken_at),
                "by": head.by,
                "sheet": head.sheet,
                "name": head.name,
                "size_bytes": len(photo.data),
            }
        )

    def _add_record(self, record: AnyRecord, address: Address) -> None:
        if self._is_new("records", (str(record.id),), ("id",)):
            self._rows["records"].append(
                {
                    "id": str(record.id),
                    **self._common(address, record.pump, record.at),
                    "by": record.by,
                    "kind": kind_of(record),
                    "note": record.note,
                    "body": encode_record(record).decode(),
                }
            )

    def _common(self, address: Address, pump: str, at: datetime) -> dict[str, Any]:
        self._touched.add((address.site, pump, at.astimezone(UTC).date()))
        origin = origin_of(address)._asdict()
        return {"site": address.site, "pump": pump, "at": at, **origin, "landed_at": self._landed_at}

    def _is_new(self, table: str, key: tuple[str, ...], columns: tuple[str, ...]) -> bool:
        here = self._keys[table]
        if key in self._known.keys(table, columns) or key in here:
            self._already += 1
            return False
        here.add(key)
        return True

    def _gauge_rows(self) -> tuple[list[tuple[str, str, IntArray]], pa.Table | None]:
        """New rows, and their moments by pump."""
        joined = [(site, pump, join_packs(packs)) for (site, pump), packs in self._packs.items()]
        moments, tables = [], []
        for site, pump, samples in (*joined, *self._samples):
            known = self._known.samples(site, pump, samples.at_us)
            if known.any():
                self._already += int(known.sum()) - self._fill_in(site, pump, samples.where(known))
                samples = samples.where(~known)
            if len(samples.at_us):
                moments.append((site, pump, samples.at_us))
                tables.append(to_table(samples, site, pump, self._landed_at))
                self._touched |= {(site, pump, day) for day in _days(samples)}
        return moments, pa.concat_tables(tables) if tables else None

    def _fill_in(self, site: str, pump: str, samples: Samples) -> int:
        """Let readings that came by themselves join the row of their moment; how many rows that was."""
        # Carries no transaction, for done twice it is as if done once.
        joined = 0
        days = samples.at_us // DAY_US
        for number in np.unique(days).tolist():
            day = day_of(number * DAY_US)
            there = self._history.read("gauge_samples", site=site, pump=pump, days=(day, day))
            filled, count = fill_in(there, samples.where(days == number))
            if count:
                self._expect({(site, pump, day)})
                self._history.replace_day("gauge_samples", filled, site, pump, day)
                self._touched.add((site, pump, day))
                joined += count
        return joined


def _require_its_own(content: Content, address: Address, tied: frozenset[str] | None) -> None:
    """Raise InputError where an edge that is tied to its pumps speaks for another."""
    if tied is None:
        return
    for pump in _pumps(content):
        if pump not in tied:
            raise InputError(
                f"speaks for pump {pump}, which is not one of its own",
                where=f"edge {address.edge}",
                do="name it under also_pumps of that edge in site.toml, if that is meant",
            )


def _pumps(content: Content) -> list[str]:
    if isinstance(content, list):
        return [columns.pump for columns in content]
    if isinstance(content, Photo):
        return [content.head.pump]
    if isinstance(content, Correction) and content.corrected is not None:
        return [content.pump, content.corrected.pump]
    return [content.pump]


def _days(samples: Samples) -> list[date]:
    return [day_of(number * DAY_US) for number in np.unique(samples.at_us // DAY_US).tolist()]


def _table_of(content: Content) -> str:
    if isinstance(content, list):
        return "gauge_samples"
    return "photos" if isinstance(content, Photo) else "records"
