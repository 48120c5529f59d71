"""How long does judging take that has years behind it? From nothing, and again after one more day.

    python -m tests.benchmarks.bench_judge [DAYS]

The pump is invented (tests/shop/year.py); tables, checkpoints and all are those of a real home.
"""

import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from edge.records import Record
from pipeline.history import History
from pipeline.judge.evidence import BalanceSpan, FaultSpan, IdleSpan, Span, StateSpan
from pipeline.judge.smears import SmearScore
from pipeline.judging import judge
from pipeline.settings import SiteSettings
from tests.shop.made_history import write, write_records
from tests.shop.year import Pump, Thing

SITE = SiteSettings(name="hall-9", day_starts="04:00", time_zone="America/Chicago")
FIRST = date(2025, 1, 1)
TABLES = {
    StateSpan: "pump_states",
    BalanceSpan: "balance_events",
    IdleSpan: "idle_spans",
    Span: "purges",
    FaultSpan: "sensor_faults",
}


def keep(home: Path, pump: str, things: list[Thing]) -> None:
    """Put what happened into the tables, as landing and analysis would have left it."""
    rows: dict[str, list[dict[str, Any]]] = {}
    for thing in things:
        place = {"site": "hall-9", "pump": pump}
        if isinstance(thing, SmearScore):
            row = {**place, "day": SITE.production_day(thing.at), "reasons": [], "calibrated": True}
            row |= {"at": thing.at, "sha256": thing.sha256, "verdict": thing.verdict, "sheet": thing.sheet}
            rows.setdefault("smear_scores", []).append(row)
        elif isinstance(thing, Span):
            row = {name: getattr(thing, name) for name in thing.__struct_fields__}
            row |= {**place, "day": SITE.production_day(thing.start)}
            rows.setdefault(TABLES[type(thing)], []).append(row)
    for table, some in rows.items():
        write(home, table, some)
    write_records(home, [thing for thing in things if isinstance(thing, Record)])


def main(days: int) -> None:
    """Print the times."""
    pump = Pump("pump-a", 1)
    things = [thing for n in range(days) for thing in pump.day(FIRST + timedelta(days=n))]
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        keep(home, "pump-a", things)
        history = History(home)
        for what in ("from nothing", "again, nothing new"):
            began = time.process_time()
            judge(history, SITE, "hall-9", "pump-a")
            print(f"{days} days, {what}: {time.process_time() - began:.2f} s of CPU")
        keep(
            home,
            "pump-a",
            pump.day(FIRST + timedelta(days=days)) or pump.day(FIRST + timedelta(days=days + 1)),
        )
        began = time.process_time()
        judge(history, SITE, "hall-9", "pump-a")
        print(f"{days} days, one day more: {time.process_time() - began:.2f} s of CPU")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 365)
