"""What does one shift amount to? One structure, from which terminal, HTML, PDF and JSON are all made."""

from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import duckdb
from msgspec import Struct, convert

from edge.errors import InputError
from edge.words import CAUTIONS, ReleaseState
from pipeline.join.open import Focus, connect, open_views
from pipeline.settings import SiteSettings, load_settings
from pipeline.show import tested
from pipeline.show.findings import Finding, find
from pipeline.show.reminders import remind

_DAY: Final = timedelta(days=1)


class Span(Struct, frozen=True):
    """A stretch of the shift, cut at its ends. what : a pump state, or 'release' | 'hold'."""

    start: datetime
    end: datetime
    what: str
    rules: tuple[str, ...] = ()


class Smear(Struct, frozen=True):
    """A smear photograph judged, or a call by eye; columns as in the view smear_tests."""

    time: datetime
    person: str
    seen_by: str
    verdict: str
    score: float | None = None
    cov: float | None = None
    cov_low: float | None = None
    cov_high: float | None = None
    certainty: float | None = None
    segregation: float | None = None
    striation_mm: float | None = None
    delta_e_p95: float | None = None
    shade_delta_e: float | None = None
    reasons: tuple[str, ...] = ()
    calibrated: bool | None = None
    sha256: str | None = None
    sheet: str | None = None
    note: str = ""
    superseded_by: str | None = None


class Stop(Struct, frozen=True):
    """A stop longer than the limit for a base purge."""

    start: datetime
    end: datetime
    minutes: float
    purged: bool
    purge_start: datetime | None = None


class Replaced(Struct, frozen=True):
    """A drum, pail or static mixer replaced."""

    time: datetime
    part: str
    new_lot: str | None
    old_lot: str | None
    reason: str | None
    person: str
    superseded_by: str | None = None


class Unit(Struct, frozen=True):
    """A unit glazed, and what it rests on."""

    unit: str
    started: datetime
    finished: datetime | None
    covered: bool
    suspect: bool
    smear_at: datetime | None = None
    base_lot: str | None = None
    curing_agent_lot: str | None = None
    reasons: tuple[str, ...] = ()


class Gauge(Struct, frozen=True):
    """How much of the shift a gauge has readings for. share : of its seconds, 0 to 1."""

    gauge: str
    share: float
    faults: dict[str, int] = {}


class ShiftSummary(Struct, frozen=True, kw_only=True):
    """The whole shift. figures : the row of the view shift_summary; empty where nothing is known."""

    site: str
    pump: str
    day: date
    shift: int
    name: str
    start: datetime
    end: datetime
    time_zone: str
    known: bool
    so_far: datetime | None
    verdict: ReleaseState
    reasons: tuple[str, ...]
    overridden: bool
    findings: tuple[Finding, ...] = ()
    figures: dict[str, Any] = {}
    smears: tuple[Smear, ...] = ()
    tests: tuple[tested.Test, ...] = ()
    charts: tuple[tested.Chart, ...] = ()
    lots: tuple[tested.Lot, ...] = ()
    around: tested.Surroundings = tested.Surroundings()
    outside_units_l: float | None = None
    stops: tuple[Stop, ...] = ()
    replaced: tuple[Replaced, ...] = ()
    units: tuple[Unit, ...] = ()
    gauges: tuple[Gauge, ...] = ()
    states: tuple[Span, ...] = ()
    release: tuple[Span, ...] = ()
    reminders: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS


class Shift(Struct, frozen=True):
    """Which shift is asked about, and the connection that knows of it."""

    connection: duckdb.DuckDBPyConnection
    settings: SiteSettings
    site: str
    pump: str
    day: date
    number: int

    @property
    def window(self) -> tuple[datetime, datetime]:
        """Start and end [UTC]."""
        return self.settings.shift_window(self.day, self.number)

    def rows(self, sql: str, **more: Any) -> list[dict[str, Any]]:
        """Rows of a query that may name $site, $pump, $start, $end and whatever else is given."""
        start, end = self.window
        known = {"site": self.site, "pump": self.pump, "start": start, "end": end, **more}
        used = {name: value for name, value in known.items() if f"${name}" in sql}
        cursor = self.connection.execute(sql, used)
        names = [column[0] for column in cursor.description or ()]
        return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def open_shift(home: Path, site: str, pump: str, day: date, number: int) -> Shift:
    """The shift of a pump in a home. Raises InputError naming the sites, pumps or shifts there are."""
    settings = load_settings(home)
    settings.shift(number)
    connection, _ = open_views(home, settings, Focus(site, pump, day - _DAY, day + 2 * _DAY))
    shift = Shift(connection, settings, site, pump, day, number)
    if shift.rows("SELECT 1 FROM pump_until WHERE site = $site AND pump = $pump"):
        return shift
    # Nothing is known of it: is there such a pump at all?
    known = connect(home, settings).execute("SELECT site, pump FROM pump_until ORDER BY ALL").fetchall()
    sites = sorted({row[0] for row in known} | {settings.name})
    if site not in sites:
        raise InputError(f"no site {site!r}", where=str(home), do=f"take one of {', '.join(sites)}")
    pumps = sorted({row[1] for row in known if row[0] == site} | set(settings.pumps))
    if pump not in pumps:
        do = f"take one of {', '.join(pumps)}" if pumps else "land something of a pump first"
        raise InputError(f"no pump {pump!r} at {site}", where=str(home), do=do)
    return shift


def summarise(shift: Shift) -> ShiftSummary:
    """The shift's summary. A shift of which nothing is known is a hold that says so."""
    start, end = shift.window
    figures = shift.rows(
        "SELECT * FROM shift_summary WHERE site = $site AND pump = $pump AND day = $day AND shift = $number",
        day=shift.day,
        number=shift.number,
    )
    until = shift.rows("SELECT until FROM pump_until WHERE site = $site AND pump = $pump")
    named: dict[str, Any] = {
        "site": shift.site,
        "pump": shift.pump,
        "day": shift.day,
        "shift": shift.number,
        "name": shift.settings.shift(shift.number).name,
        "start": start,
        "end": end,
        "time_zone": shift.settings.time_zone,
    }
    if not figures:
        return ShiftSummary(
            **named,
            known=False,
            so_far=None,
            verdict=ReleaseState.HOLD,
            reasons=(
                "Nothing is known of this shift: no gauge data, photograph or record has landed for it.",
            ),
            overridden=False,
        )
    row = figures[0]
    reached = min(end, until[0]["until"])
    release = _release(shift, reached)
    units = [convert(unit, Unit) for unit in shift.rows(_UNITS)]
    smears = [convert(smear, Smear) for smear in shift.rows(_SMEARS)]
    lots, around = tested.lots(shift.rows, reached), tested.surroundings(shift.rows, reached)
    outside = list(tested.outside(around, shift.settings, shift.pump))
    return ShiftSummary(
        **named,
        known=True,
        so_far=reached if reached < end else None,
        verdict=ReleaseState(row["verdict"]),
        reasons=tuple(row["reasons"]),
        overridden=row["verdict"] == ReleaseState.RELEASE and bool(row["reasons"]),
        findings=tuple(find(shift.rows, shift.settings, start, reached, outside, lots)),
        figures={key: value for key, value in row.items() if key not in _NAMED},
        smears=tuple(smears),
        tests=tuple(tested.tests(shift.rows, shift.settings, shift.pump)),
        charts=tuple(tested.charts(shift.rows)),
        lots=tuple(lots),
        around=around,
        outside_units_l=shift.rows(_OUTSIDE_UNITS)[0]["litres"],
        stops=tuple(convert(stop, Stop) for stop in shift.rows(_STOPS)),
        replaced=tuple(convert(one, Replaced) for one in shift.rows(_REPLACED)),
        units=tuple(units),
        gauges=tuple(_gauges(shift, reached)),
        states=tuple(convert(span, Span) for span in shift.rows(_STATES)),
        release=tuple(release),
        reminders=tuple(remind(shift.rows, shift.settings, shift.pump, start, reached)),
    )


_NAMED: Final = frozenset(
    {"site", "pump", "day", "shift", "name", "start", "end", "verdict", "reasons", "still_running"}
)
_MINE: Final = "site = $site AND pump = $pump AND time >= $start AND time < $end"
_SMEARS: Final = f"SELECT * FROM smear_tests WHERE {_MINE} ORDER BY time, seen_by"
_REPLACED: Final = f"SELECT * FROM changeovers WHERE {_MINE} ORDER BY time"
_UNITS: Final = """
    SELECT * FROM unit_coverage WHERE site = $site AND pump = $pump
    AND started < $end AND coalesce(finished, started) >= $start ORDER BY started, unit
"""
# What ran through the gun while no unit was glazed: tests, purges, what went to waste.
_OUTSIDE_UNITS: Final = """
    SELECT sum(if(part = 'base', base_stroke_ml, curing_agent_stroke_ml)) / 1000 AS litres
    FROM strokes s JOIN pump_limits USING (site, pump)
    WHERE site = $site AND pump = $pump AND start >= $start AND start < $end AND NOT EXISTS (
        FROM unit_coverage u WHERE u.site = $site AND u.pump = $pump
        AND s.start >= u.started AND s.start < coalesce(u.finished, $end))
"""
_STOPS: Final = """
    SELECT * FROM idle_spans WHERE site = $site AND pump = $pump AND start < $end AND "end" > $start
    ORDER BY start
"""
_STATES: Final = """
    SELECT greatest(start, $start) AS start, least("end", $end) AS "end", type AS what
    FROM pump_states WHERE site = $site AND pump = $pump AND start < $end AND "end" > $start ORDER BY start
"""


def _release(shift: Shift, reached: datetime) -> list[Span]:
    """Release and hold, cut at the shift's ends; neighbours under the same rules are one."""
    spans = shift.rows(
        """
        SELECT greatest(start, $start) AS start, least(coalesce("end", $reached), $reached) AS "end",
               state AS what, rules
        FROM release_spans WHERE site = $site AND pump = $pump
        AND start < $reached AND coalesce("end", $reached) > $start ORDER BY start
        """,
        reached=reached,
    )
    joined: list[Span] = []
    for row in spans:
        span = convert(row, Span)
        if joined and (joined[-1].what, set(joined[-1].rules)) == (span.what, set(span.rules)):
            span = Span(joined[-1].start, span.end, span.what, span.rules)
            joined.pop()
        joined.append(span)
    return joined


def _gauges(shift: Shift, reached: datetime) -> list[Gauge]:
    """Of each pressure gauge, the share of the readings due so far that there are.

    How many are due is told by the usual time from one row to the next, whatever the gauges' rate.
    """
    start, _ = shift.window
    names = ("base", "catalyst_1", "catalyst_2", "air")
    counts = ", ".join(f"count({name}_pa) AS {name}" for name in names)
    row = shift.rows(
        f"""
        WITH mine AS (SELECT * FROM gauge_samples WHERE {_MINE}),
        -- Every tenth minute tells the usual step as well as all of them do.
        steps AS (
            SELECT epoch_us(time) - lag(epoch_us(time)) OVER (ORDER BY time) AS step
            FROM mine WHERE epoch(time)::BIGINT // 60 % 10 = 0)
        SELECT {counts}, (SELECT median(step) FROM steps WHERE step > 0) / 1e6 AS step_s FROM mine
        """
    )[0]
    due = max(1.0, (reached - start).total_seconds() / (row["step_s"] or 1.0))
    faults: dict[str, dict[str, int]] = {}
    for fault in shift.rows(
        """
        SELECT gauge, type, count(*) AS n FROM sensor_quality
        WHERE site = $site AND pump = $pump AND start < $end AND "end" >= $start GROUP BY ALL ORDER BY ALL
        """
    ):
        faults.setdefault(fault["gauge"], {})[fault["type"]] = fault["n"]
    found = [Gauge(name, min(1.0, row[name] / due), faults.pop(name, {})) for name in names]
    return [g for g in found if g.share > 0 or g.faults or g.gauge != "air"] + [
        Gauge(name, 0.0, counted) for name, counted in faults.items()
    ]
