"""What is still to be done when a shift ends? Tests not yet taken, holds that stand, units left open."""

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from typing import Any, Final

from pipeline.settings import SiteSettings
from pipeline.show.material import material_left, running_out

# What falls due within so long is the next shift's to do.
_NEXT_SHIFT: Final = timedelta(hours=8)

Rows = Callable[..., list[dict[str, Any]]]


def purge_due(rows: Rows, settings: SiteSettings, reached: datetime) -> datetime | None:
    """When a base purge is due of a pump that stands at `reached`; None once late: then it is a hold."""
    states = rows(
        """
        SELECT max("end") FILTER (type = 'dispensing') AS stopped,
               max("end") FILTER (type = 'purging') AS purged
        FROM pump_states WHERE site = $site AND pump = $pump AND start < $reached AND start >= $start
        """,
        reached=reached,
    )[0]
    stopped, purged = states["stopped"], states["purged"]
    if stopped is None or stopped >= reached or (purged is not None and purged >= stopped):
        return None
    due: datetime = stopped + timedelta(minutes=settings.limits.idle_min)
    return due if due > reached else None


def remind(
    rows: Rows, settings: SiteSettings, pump: str, start: datetime, reached: datetime
) -> Iterator[str]:
    """One sentence each. Tests a day are common practice, no published source.

    rows : runs a query for the shift's pump and window (summary.py)
    """
    day = settings.production_day(start)

    def clock(at: datetime) -> str:
        return f"{at.astimezone(settings.zone):%H:%M}"

    def day_clock(at: datetime) -> str:
        return f"{at.astimezone(settings.zone):%d %b %H:%M}"

    def done_since(view: str, since: datetime, also: str = "true") -> bool:
        sql = f"""
            SELECT count(*) AS n FROM {view} WHERE site = $site AND pump = $pump AND superseded_by IS NULL
            AND time >= $since AND time < $reached AND {also}
        """
        return bool(rows(sql, since=since, reached=reached)[0]["n"])

    due = purge_due(rows, settings, reached)
    if due is not None:
        yield f"Purge the gun with base by {clock(due)}: the pump stands, and it was not purged."
    yield from running_out(material_left(rows, settings, pump, start, reached), settings, reached)
    begins = settings.day_start(day)
    if not done_since("snap_tests", begins):
        yield "Take the day's snap time: none is recorded yet."
    if not done_since("ratio_checks", begins):
        yield "Weigh the day's ratio: no check is recorded yet."
    if not done_since("changeovers", begins, "part = 'mixer'"):
        yield "Put in the day's new static mixer, or record it: no mixer change is recorded yet."
    for row in rows(
        """
        SELECT bead, due_h, due FROM bead_dues WHERE site = $site AND pump = $pump
        AND known <= $reached AND due <= $soon AND (read IS NULL OR read > $reached) AND due > $reached -
        to_hours(if(due_h = 24, 24, 336)) ORDER BY due, bead
        """,
        reached=reached,
        soon=reached + _NEXT_SHIFT,
    ):
        verb = "is due" if row["due"] > reached else "was due"
        yield f"Read bead {row['bead']} at {row['due_h']:g} h: it {verb} {day_clock(row['due'])}."
    for row in rows(
        """
        SELECT part, lot, expires FROM lots WHERE site = $site AND pump = $pump
        AND since <= $reached AND coalesce(until > $reached, true) AND expires <= $reached + INTERVAL 7 DAY
        ORDER BY expires, part
        """,
        reached=reached,
    ):
        verb = "expires" if row["expires"] > reached else "expired"
        part = "base" if row["part"] == "base" else "curing-agent"
        yield f"Replace {part} lot {row['lot']}: it {verb} {day_clock(row['expires'])}."
    replaced = rows(
        """
        SELECT time, part FROM changeovers WHERE site = $site AND pump = $pump AND superseded_by IS NULL
        AND time >= $begins AND time < $reached AND part <> 'mixer' ORDER BY time DESC LIMIT 1
        """,
        begins=begins,
        reached=reached,
    )
    for row in replaced:
        if not done_since("snap_tests", row["time"]):
            due = row["time"] + timedelta(minutes=settings.limits.snap_due_min)
            yield f"Take a snap time of the lot opened at {clock(row['time'])}; it was due by {clock(due)}."
        if not done_since("ratio_checks", row["time"]):
            yield f"Weigh the ratio of the lot opened at {clock(row['time'])}."
    for row in rows(
        """
        SELECT s.start, s.part FROM history.changeovers_seen s
        WHERE s.site = $site AND s.pump = $pump AND s.start >= $start AND s.start < $end
        AND NOT EXISTS (
            FROM changeovers c WHERE c.site = s.site AND c.pump = s.pump AND c.superseded_by IS NULL
            AND (c.part = 'base') = (s.part = 'base')
            AND c.time BETWEEN s.start - INTERVAL 15 MINUTE AND s."end" + INTERVAL 60 MINUTE)
        ORDER BY s.start
        """
    ):
        part = "base drum" if row["part"] == "base" else "curing-agent pail"
        yield f"The pressures at {clock(row['start'])} look like a new {part}, and no changeover is recorded."
    for row in rows(
        """
        SELECT unit, started FROM unit_coverage WHERE site = $site AND pump = $pump AND finished IS NULL
        AND started >= $begins AND started < $end ORDER BY started
        """,
        begins=begins,
    ):
        yield f"Unit {row['unit']}, started at {clock(row['started'])}, has no end recorded."
    doubtful = rows(
        """
        SELECT unit FROM unit_coverage WHERE site = $site AND pump = $pump AND (NOT covered OR suspect)
        AND cleared IS NULL AND started >= $start AND started < $end ORDER BY started
        """
    )
    if doubtful:
        named = ", ".join(row["unit"] for row in doubtful)
        yield f"Decide on the units that no test covers: {named}."
