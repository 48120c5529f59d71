"""How is the history opened to questions? DuckDB views over the tables' own Parquet files.

    from pipeline.join import connect
    connect("HOME").sql("SELECT * FROM shift_summary").df()

Nothing is copied: a connection sees the history as it was when it was opened, and landing goes on beside it.
"""

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta
from importlib import resources
from pathlib import Path
from typing import Any, Final

import duckdb
import pyarrow as pa
from msgspec import Struct

from edge.errors import InputError
from edge.records import Correction, decode_record
from edge.units import psi_to_pa
from pipeline.corrections import superseded
from pipeline.history import History
from pipeline.settings import SiteSettings, load_settings
from pipeline.tables import MOMENT, PARTITIONS, TABLES

# In the order in which they build on each other.
VIEWS: Final = (
    *("gauge_samples", "pump_states", "strokes", "balance_events", "idle_spans", "sensor_quality"),
    *("smear_tests", "snap_tests", "ratio_checks", "bead_readings", "bead_surveys", "bead_dues"),
    *("adhesion_tests", "changeovers", "lots", "control_charts", "units"),
    *("smear_agreement", "smear_shades"),
    *("release_spans", "unit_coverage", "suspect_units", "shift_summary", "logbook"),
    "clocks",
)
_SQL_TYPE: Final = {
    pa.string(): "VARCHAR",
    pa.int64(): "BIGINT",
    pa.int8(): "TINYINT",
    pa.float64(): "DOUBLE",
    pa.bool_(): "BOOLEAN",
    pa.date32(): "DATE",
    MOMENT: "TIMESTAMPTZ",
    pa.list_(pa.string()): "VARCHAR[]",
}


# Tables whose files may lack columns that came later. To compare the files' columns costs a look at each.
_GROWN: Final = frozenset({"smear_scores"})


# A table's log is read in a few milliseconds, most of it outside Python.
_OPENERS: Final = 4
# Of these only the days asked for are read; of all others, all that is known of the pump.
_LARGE: Final = frozenset(
    {
        *("gauge_samples", "pump_states", "strokes", "balance_events", "idle_spans", "purges"),
        *("sensor_faults", "changeovers_seen", "clogging_spans"),
    }
)


class Focus(Struct, frozen=True):
    """One pump, and of the large tables a few days, first and last included."""

    site: str
    pump: str
    first: date
    last: date

    def holds(self, name: str, path: str) -> bool:
        """Whether a file of a table, by the folders it lies in, can hold what is asked for."""
        below = path.rpartition(f"/{name}/")[2]
        split = dict(part.split("=", 1) for part in below.split("/") if "=" in part)
        day = split.get("day") if name in _LARGE else None
        return (
            split.get("site", self.site) == self.site
            and split.get("pump", self.pump) == self.pump
            and (day is None or self.first.isoformat() <= day <= self.last.isoformat())
        )

    def where(self, name: str) -> str:
        """The condition on a table's rows."""
        fields = TABLES[name].names
        said = [
            f"{key} = {_quoted(value)}"
            for key, value in (("site", self.site), ("pump", self.pump))
            if key in fields
        ]
        if name in _LARGE:
            said.append(f"day BETWEEN '{self.first}' AND '{self.last}'")
        return " AND ".join(said) or "true"


def connect(home: str | Path, settings: SiteSettings | None = None) -> duckdb.DuckDBPyConnection:
    """A connection on which every public view stands. Raises InputError if there is no such home.

    home : the pipeline's folder; settings : those in its site.toml unless given
    """
    return open_views(home, settings)[0]


def open_views(
    home: str | Path, settings: SiteSettings | None = None, focus: Focus | None = None
) -> tuple[duckdb.DuckDBPyConnection, list[str]]:
    """The connection, and the files that its views read; with a focus, what lies outside it is not there."""
    home = Path(home).expanduser()
    if not home.is_dir():
        raise InputError(
            "there is no such home", where=str(home), do="name one with --home, or land data first"
        )
    settings = settings or load_settings(home)
    history = History(home)
    connection = duckdb.connect(":memory:")
    # What a question may need is in the wheel; nothing is fetched behind anyone's back.
    for setting in (
        "autoinstall_known_extensions",
        "autoload_known_extensions",
        "allow_community_extensions",
    ):
        connection.execute(f"SET {setting} = false")
    connection.execute("SET TimeZone = 'UTC'")
    connection.execute("CREATE SCHEMA history")
    with ThreadPoolExecutor(_OPENERS) as pool:
        files_of = dict(zip(TABLES, pool.map(history.files, TABLES), strict=True))
    files = [path for name in TABLES for path in _relation(connection, name, files_of[name], focus)]
    _site_tables(connection, settings, focus)
    connection.execute(_text("ground.sql"))
    if focus is not None:
        connection.execute("CREATE TABLE unpacked AS FROM history.said")
        connection.execute("CREATE OR REPLACE VIEW history.said AS FROM unpacked")
    for view in VIEWS:
        connection.execute(_text("views", f"{view}.sql"))
    return connection, files


def _relation(
    connection: duckdb.DuckDBPyConnection, name: str, files: list[str], focus: Focus | None
) -> list[str]:
    """history.<name>: the table's files, or nothing in the right shape. Returns the files."""
    types = {field.name: _SQL_TYPE[field.type] for field in TABLES[name]}
    nulls = ", ".join(f'NULL::{kind} AS "{column}"' for column, kind in types.items())
    if focus is not None:
        files = [path for path in files if focus.holds(name, path)]
    if files:
        columns = ", ".join(f'"{column}"' for column in types)
        hive = ", ".join(f"'{column}': {types[column]}" for column in PARTITIONS.get(name, []))
        how = f"hive_partitioning = true, hive_types = {{{hive}}}" if hive else "hive_partitioning = false"
        listed = ", ".join(_quoted(path) for path in files)
        query = f"FROM read_parquet([{listed}], {how}, union_by_name = {name in _GROWN})"
        if name in _GROWN:
            query = f"FROM (SELECT {nulls} WHERE false UNION ALL BY NAME {query})"
        query = f"SELECT {columns} {query}"
        if focus is not None:
            query += f" WHERE {focus.where(name)}"
    else:
        query = f"SELECT {nulls} WHERE false"
    try:
        # One pump is read once and asked many times; only its samples are too many to hold.
        kept = focus is not None and name != "gauge_samples"
        connection.execute(f"CREATE {'TABLE' if kept else 'VIEW'} history.{name} AS {query}")
    except duckdb.BinderException:
        raise InputError(
            f"table {name} lacks a column that this version reads", where="history", do="run beadbook rebuild"
        ) from None
    return files


def _site_tables(connection: duckdb.DuckDBPyConnection, settings: SiteSettings, focus: Focus | None) -> None:
    """What SQL can't know: days and shifts by the site's clock, limits, and which records are superseded."""
    corrections = _corrections(connection)
    known = connection.execute(
        """
        WITH moments AS (
            SELECT site, pump, last_at AS moment FROM history.pump_days
            UNION ALL SELECT site, pump, first_at FROM history.pump_days
            UNION ALL SELECT site, pump, "at" FROM history.records
            UNION ALL SELECT site, pump, "at" FROM history.smear_scores)
        SELECT site, pump, moment::DATE AS utc_date, max(moment)
        FROM moments WHERE moment BETWEEN '1990-01-01' AND '2200-01-01' GROUP BY site, pump, utc_date
        """
    ).fetchall()
    heard = [c.corrected for c in corrections if c.corrected and 1990 <= c.corrected.at.year < 2200]
    known += [(r.site, r.pump, r.at.astimezone(UTC).date(), r.at) for r in heard]
    dates: dict[str, set[date]] = {}
    until: dict[tuple[str, str], datetime] = {}
    for site, pump, utc_date, last_at in known:
        # A UTC date overlaps the local one before it and the one after it.
        dates.setdefault(site, set()).update(utc_date + timedelta(days=shift) for shift in (-1, 0, 1))
        until[site, pump] = max(last_at, until.get((site, pump), last_at))
    days = [(site, day) for site, found in dates.items() for day in sorted(found)]
    shifts = [
        (site, day, shift.number, shift.name, *settings.shift_window(day, shift.number))
        for site, day in days
        if focus is None or focus.first <= day <= focus.last
        for shift in settings.shifts
    ]
    limits, pumps = settings.limits, [(site, pump, settings.pump(pump)) for site, pump in until]
    tables: dict[str, tuple[pa.Schema, list[tuple[Any, ...]]]] = {
        "days": (
            _schema(site=pa.string(), day=pa.date32(), start=MOMENT),
            [(site, day, settings.day_start(day)) for site, day in days],
        ),
        "shifts": (
            _schema(
                **{"site": pa.string(), "day": pa.date32(), "shift": pa.int64(), "name": pa.string()},
                **dict.fromkeys(("start", "end"), MOMENT),
            ),
            shifts,
        ),
        "shift_days": (
            _schema(
                **{"site": pa.string(), "made_on": pa.date32(), "day": pa.date32(), "shift": pa.int64()},
                **dict.fromkeys(("start", "end"), MOMENT),
            ),
            [
                (site, made_on, day, number, start, end)
                for site, day, number, _, start, end in shifts
                for made_on in _production_days(settings, start, end)
            ],
        ),
        "pump_until": (
            _schema(site=pa.string(), pump=pa.string(), until=MOMENT),
            [(site, pump, at) for (site, pump), at in until.items()],
        ),
        "pump_limits": (
            _schema(
                **{"site": pa.string(), "pump": pa.string()},
                **dict.fromkeys(("ratio_by_mass", "ratio_tolerance_pct", "snap_min_min"), pa.float64()),
                **dict.fromkeys(("snap_max_min", "base_stroke_ml", "curing_agent_stroke_ml"), pa.float64()),
                **dict.fromkeys(("storage_min_degc", "storage_max_degc"), pa.float64()),
            ),
            [
                (
                    *(site, pump, p.ratio_by_mass, p.ratio_tolerance_pct, p.snap_min_min),
                    *(p.snap_max_min, p.base_stroke_ml, p.curing_agent_stroke_ml),
                    *(p.storage_min_degc, p.storage_max_degc),
                )
                for site, pump, p in pumps
            ],
        ),
        "site_limits": (
            _schema(
                **dict.fromkeys(("balance_caution_pa", "balance_out_pa", "clock_ahead_s"), pa.float64()),
                same_sample_us=pa.int64(),
            ),
            [
                (
                    psi_to_pa(limits.balance_caution_psi),
                    psi_to_pa(limits.balance_out_psi),
                    limits.clock_ahead_s,
                    round(limits.same_sample_min * 60e6),
                )
            ],
        ),
        "superseded": (
            _schema(id=pa.string(), by=pa.string()),
            [(str(old), str(new)) for old, new in superseded(corrections).items()],
        ),
    }
    for name, (schema, rows) in tables.items():
        table = pa.table(
            [pa.array(column, field.type) for column, field in _columns(rows, schema)], schema=schema
        )
        connection.register("rows_of", table)
        connection.execute(f"CREATE TABLE {name} AS SELECT * FROM rows_of")
        connection.unregister("rows_of")


def _production_days(settings: SiteSettings, start: datetime, end: datetime) -> list[date]:
    """Production days whose spans can reach into a shift: those it overlaps, and the one before."""
    first, last = settings.production_day(start), settings.production_day(end)
    return [first + timedelta(days=shift) for shift in range(-1, (last - first).days + 1)]


def _corrections(connection: duckdb.DuckDBPyConnection) -> list[Correction]:
    bodies = connection.execute("SELECT id, body FROM history.records WHERE kind = 'correction'").fetchall()
    records = [decode_record(body.encode(), f"record {ref}") for ref, body in bodies]
    return [record for record in records if isinstance(record, Correction)]


def _columns(rows: list[tuple[Any, ...]], schema: pa.Schema) -> list[tuple[list[Any], pa.Field]]:
    columns = [list(column) for column in zip(*rows, strict=True)] or [[] for _ in schema]
    return list(zip(columns, schema, strict=True))


def _schema(**types: pa.DataType) -> pa.Schema:
    return pa.schema(list(types.items()))


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _text(*path: str) -> str:
    return resources.files("pipeline.join").joinpath(*path).read_text(encoding="utf-8")
