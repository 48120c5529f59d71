"""How fast is a year of ten pumps asked? One shift's summary out of it, and the whole year by shift.

Run as `python -m tests.benchmarks.bench_year [HOME]`: lays the invented day out over 365 days and ten pumps,
with a gauge file a pump and day (a row a minute, the asked day at 10 Hz), and times what a user waits for.
Keeps HOME for the next run if it is named. Bars: a shift 1 s, the year by shift 3 s.
"""

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import duckdb
import pyarrow as pa
from deltalake import write_deltalake

from pipeline.history import History
from pipeline.join import connect
from pipeline.show.page import render_page
from pipeline.show.summary import open_shift, summarise
from pipeline.tables import PARTITIONS, TABLES
from tests.shop.day import DAY, SITE
from tests.shop.made_history import build

DAYS, PUMPS = 365, 10
ASKED = DAY + timedelta(days=180)
_SHIFTED = {"day", "at", "start", "end", "started", "finished", "purge_start", "purge_end"}
_SHIFTED |= {"smear_at", "mixer_at", "first_at", "last_at", "landed_at"}
_IDS = {"id", "snap_id", "sha256", "smear_sha256", "ref"}


def lay_out(home: Path) -> None:
    """The year, in a home of its own."""
    with tempfile.TemporaryDirectory() as folder:
        day = History(build(Path(folder) / "day"))
        home.mkdir(parents=True, exist_ok=True)
        (home / "site.toml").write_bytes((day.home / "site.toml").read_bytes())
        database = duckdb.connect()
        database.execute("SET TimeZone = 'UTC'")
        for name, schema in TABLES.items():
            one = day.read(name)  # noqa: F841  read by its name in the SQL below
            if not database.sql("SELECT 1 FROM one LIMIT 1").fetchall():
                continue
            gauges = name == "gauge_samples"
            for pump in range(PUMPS):
                columns = ", ".join(_column(field.name, pump) for field in schema)
                thinned = 'AND epoch(o."at")::BIGINT % 60 = 0' if gauges else ""
                rows = database.sql(
                    f"SELECT {columns} FROM one o, range({DAYS}) k(n) "
                    f"WHERE o.pump = 'pump-{'ab'[pump % 2]}' {thinned}"
                ).to_arrow_table()
                if gauges:
                    rows = pa.concat_tables([rows.cast(schema), _dense(day, database, schema, pump)])
                write_deltalake(
                    home / "history" / name,
                    rows.cast(schema),
                    mode="append",
                    partition_by=PARTITIONS.get(name, []),
                )


def _column(name: str, pump: int) -> str:
    if name == "pump":
        return f"'pump-{pump:02d}' AS pump"
    if name == "day":
        return "(o.day + n::INTEGER)::DATE AS day"
    if name in _SHIFTED:
        return f'o."{name}" + to_days(n::INTEGER) AS "{name}"'
    if name in _IDS:
        return f"""md5(o."{name}" || '{pump}' || n) AS "{name}\""""
    return f'o."{name}"'


def _dense(day: History, database: duckdb.DuckDBPyConnection, schema: pa.Schema, pump: int) -> pa.Table:
    """The asked day's rows between the minutes, ten a second."""
    if pump:
        return schema.empty_table()
    one = day.read("gauge_samples")  # noqa: F841  read by its name in the SQL below
    asked = (ASKED - DAY).days
    columns = ", ".join(
        _column(field.name, pump).replace(
            "+ to_days(n::INTEGER)", f"+ to_days({asked}) + to_milliseconds(100 * m)"
        )
        if field.name == "at"
        else _column(field.name, pump).replace("n::INTEGER", str(asked))
        for field in schema
    )
    return (
        database.sql(f"SELECT {columns} FROM one o, range(1, 50) k(m) WHERE o.pump = 'pump-a'")
        .to_arrow_table()
        .cast(schema)
    )


def timed(name: str, call: Callable[[], object], bar_s: float | None = None, tries: int = 3) -> None:
    """Print the best and the worst of some tries, against a bar, and the least CPU time."""
    took, cpu = [], []
    for _ in range(tries):
        began, worked = time.perf_counter(), time.process_time()
        call()
        took.append(time.perf_counter() - began)
        cpu.append(time.process_time() - worked)
    against = "" if bar_s is None else f" (bar {bar_s:g} s: {'met' if min(took) <= bar_s else 'MISSED'})"
    print(f"{name}: {min(took):.2f} to {max(took):.2f} s{against}, CPU of both cores {min(cpu):.2f} s")


def main(home: Path) -> None:
    if not (home / "history").exists():
        began = time.perf_counter()
        lay_out(home)
        print(f"laid out in {time.perf_counter() - began:.0f} s")
    connection = connect(home)
    for name in ("records", "strokes", "pump_states", "gauge_samples"):
        count, files = (
            connection.sql(f"SELECT count(*) FROM history.{name}").fetchall()[0][0],
            History(home).files(name),
        )
        print(f"{name}: {count:,} rows in {len(files):,} files")

    def one_shift() -> None:
        summarise(open_shift(home, SITE, "pump-00", ASKED, 1))

    def one_page() -> None:
        opened = open_shift(home, SITE, "pump-00", ASKED, 1)
        render_page(summarise(opened), opened, home)

    def year() -> None:
        rows = connect(home).sql("SELECT * FROM shift_summary").fetchall()
        assert len(rows) == 2 * DAYS * PUMPS, len(rows)

    timed("open the views", lambda: connect(home))
    timed("a shift's summary out of it", one_shift, 1.0)
    timed("the same with its page", one_page)
    timed("the whole year by shift", year, 3.0)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory {peak_mb:.0f} MB")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as scratch:
            main(Path(scratch) / "home")
