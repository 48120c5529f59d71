"""How is the logbook filed? A PDF of a pump, a span of days or a project: every result, good and bad.

With photographs, limits and their versions, lots, who wrote what and when it landed; a correction stands
below what it corrects; each pump's chain digest stands at the end, and what verification found.
"""

import json
import tempfile
from collections.abc import Iterable, Sequence
from datetime import datetime
from importlib import metadata, resources
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import duckdb
import typst
from msgspec import to_builtins

from edge.words import CAUTIONS
from pipeline.chain import heads
from pipeline.join.open import connect
from pipeline.limits_in_force import Version, digest_of, versions
from pipeline.settings import SiteSettings, load_settings
from pipeline.show.logbook import Check, Entry, entries, verify
from pipeline.show.pictures import picture

PAPERS: Final = {"a4": "a4", "letter": "us-letter"}
Row = dict[str, Any]


def file_logbook(
    home: Path,
    *,
    site: str | None = None,
    pump: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    project: str | None = None,
    paper: str = "a4",
    now: datetime,
) -> bytes:
    """The PDF. project : what the numbers of its units begin with; its pumps' days are filed whole.

    paper : a key of PAPERS; since, until : from (included) to (excluded)
    """
    settings = load_settings(home)
    connection = connect(home, settings)
    found = entries(home, site, pump, since, until)
    units = _units(connection, site, pump, since, until, project)
    if project is not None:
        days = {(u["site"], u["pump"], settings.production_day(u["started"])) for u in units}
        found = [e for e in found if (e.site, e.pump, settings.production_day(e.time)) in days]
    places = sorted({(entry.site, entry.pump) for entry in found})
    last = heads(home)
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        told = {
            "paper": PAPERS[paper],
            "title": _title(places, project),
            "period": _period(since, until, found, settings),
            "made": f"{now.astimezone(settings.zone):%d %B %Y %H:%M} {settings.time_zone}, "
            f"beadbook {metadata.version('beadbook')}",
            "zone": settings.time_zone,
            "cautions": " ".join(CAUTIONS),
            "days": _days(found, _results(connection), settings),
            "spans": _spans(connection, places, found, settings),
            "units": [_unit(unit, settings.zone) for unit in units],
            "photos": _photos(home, root, found, _results(connection), settings.zone),
            "limits": [_limits(version, places, settings.zone) for version in _in_force(home, settings, now)],
            "heads": [[h.site, h.pump, str(h.n), h.digest] for h in last if (h.site, h.pump) in places],
            "checks": [_check(check) for check in verify(home)],
        }
        (root / "logbook.json").write_text(json.dumps(told), encoding="utf-8")
        template = resources.files("pipeline.show").joinpath("templates", "logbook.typ").read_bytes()
        (root / "logbook.typ").write_bytes(template)
        pdf: bytes = typst.compile(str(root / "logbook.typ"), root=str(root))
    return pdf


def _title(places: Sequence[tuple[str, str]], project: str | None) -> str:
    named = ", ".join(f"{pump} at {site}" for site, pump in places) or "nothing written down"
    return named if project is None else f"Units {project}… · {named}"


def _period(
    since: datetime | None, until: datetime | None, found: Sequence[Entry], settings: SiteSettings
) -> str:
    if not found:
        return "no entries"
    first, last = (at.astimezone(settings.zone) for at in (found[0].time, found[-1].time))
    asked = "all entries" if since is None and until is None else "as asked by UTC dates"
    return f"{first:%d %b %Y %H:%M} to {last:%d %b %Y %H:%M}, {asked}: {len(found)}"


def _days(found: Sequence[Entry], results: dict[str, str], settings: SiteSettings) -> list[Row]:
    """Entries by production day, in order of time; each correction again below what it corrects."""
    by_ref = {entry.ref: entry for entry in found}
    days: dict[str, list[Row]] = {}
    for entry in found:
        heading = f"{settings.production_day(entry.time):%A %d %B %Y}"
        row = _entry(entry, results, settings.zone)
        by = by_ref.get(entry.superseded_by or "")
        if entry.superseded_by:
            said = f"{by.person}: {by.text}" if by else f"record {entry.superseded_by}"
            row["below"] = f"No longer holds; corrected by {said}"
        days.setdefault(heading, []).append(row)
    return [{"day": day, "entries": rows} for day, rows in days.items()]


def _entry(entry: Entry, results: dict[str, str], zone: ZoneInfo) -> Row:
    result = results.get(entry.ref, "")
    landed = entry.landed_at
    return {
        "time": f"{entry.time.astimezone(zone):%H:%M}",
        "pump": entry.pump,
        "what": entry.what.replace("_", " "),
        "text": " · ".join(part for part in (entry.text, result) if part),
        "bad": result.startswith(("OUT", "FAIL", "NOT VALID", "UNSURE")) or entry.text.startswith("fail"),
        "who": entry.person,
        "ref": f"…{entry.ref[-8:]}",
        "landed": "" if landed is None else f"{landed.astimezone(zone):%d %b %H:%M}",
        "gone": entry.superseded_by is not None,
        "below": "",
    }


def _results(connection: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """What each test showed against its limit, by record id; CoV of a photograph by its digest."""
    told: dict[str, str] = {}
    for row in _rows(connection, "SELECT id, min_min, max_min, valid, problems, in_limits FROM snap_tests"):
        verdict = "IN" if row["in_limits"] else "OUT"
        if not row["valid"]:
            verdict = f"NOT VALID ({'; '.join(row['problems'])})"
        told[row["id"]] = f"{verdict}, limits {row['min_min']:g} to {row['max_min']:g} min"
    sql = "SELECT id, ratio, wanted, deviation_pct, tolerance_pct, verdict FROM ratio_checks"
    for row in _rows(connection, sql):
        told[row["id"]] = (
            f"{row['verdict'].upper()}: {row['ratio']:.2f} : 1 ({row['deviation_pct']:+.1f} %), "
            f"limits {row['wanted']:g} : 1 ± {row['tolerance_pct']:g} %"
        )
    for row in _rows(connection, "SELECT ids, norm, passed, why FROM bead_surveys"):
        for each in row["ids"]:
            verdict = {True: "even", False: f"FAIL: {row['why']}", None: row["why"]}[row["passed"]]
            told[each] = f"{verdict} (norm {row['norm']:g})" if row["norm"] is not None else verdict
    for row in _rows(connection, "SELECT sha256, cov FROM smear_tests WHERE seen_by = 'camera'"):
        told[row["sha256"]] = "" if row["cov"] is None else f"CoV {row['cov']:.3f}"
    return told


def _units(
    connection: duckdb.DuckDBPyConnection,
    site: str | None,
    pump: str | None,
    since: datetime | None,
    until: datetime | None,
    project: str | None,
) -> list[Row]:
    sql = """
        SELECT * FROM unit_coverage
        WHERE site = coalesce($site, site) AND pump = coalesce($pump, pump)
        AND started >= coalesce($since, started) AND ($until IS NULL OR started < $until)
        AND ($project IS NULL OR starts_with(unit, $project))
        ORDER BY started, unit
    """
    given = {"site": site, "pump": pump, "since": since, "until": until, "project": project}
    return _rows(connection, sql, given)


def _unit(unit: Row, zone: ZoneInfo) -> Row:
    def clock(at: datetime | None) -> str:
        return "–" if at is None else f"{at.astimezone(zone):%d %b %H:%M}"

    lots = " + ".join(lot for lot in (unit["base_lot"], unit["curing_agent_lot"]) if lot)
    stands = "SUSPECT" if unit["suspect"] else "covered" if unit["covered"] else "NOT COVERED"
    return {
        "unit": unit["unit"],
        "pump": unit["pump"],
        "from": clock(unit["started"]),
        "to": clock(unit["finished"]),
        "smear": clock(unit["smear_at"]),
        "mixer": clock(unit["mixer_at"]),
        "lots": lots,
        "stands": stands,
        "reasons": list(unit["reasons"]),
    }


def _spans(
    connection: duckdb.DuckDBPyConnection,
    places: Sequence[tuple[str, str]],
    found: Sequence[Entry],
    settings: SiteSettings,
) -> list[Row]:
    if not found:
        return []
    rows = _rows(
        connection,
        """
        SELECT * FROM release_spans WHERE start <= $last AND ("end" IS NULL OR "end" > $first)
        ORDER BY start, pump
        """,
        {"first": found[0].time, "last": found[-1].time},
    )

    def clock(at: datetime | None) -> str:
        return "lasts" if at is None else f"{at.astimezone(settings.zone):%d %b %H:%M}"

    return [
        {
            "pump": row["pump"],
            "from": clock(row["start"]),
            "to": clock(row["end"]),
            "state": row["state"].upper(),
            "reasons": list(row["reasons"]),
        }
        for row in rows
        if (row["site"], row["pump"]) in places
    ]


def _photos(
    home: Path, root: Path, found: Iterable[Entry], results: dict[str, str], zone: ZoneInfo
) -> list[Row]:
    """Each photograph judged, as a file beside the template, with its caption."""
    told = []
    for entry in found:
        if entry.what != "smear_score":
            continue
        jpeg = picture(home, entry.ref)
        name = ""
        if jpeg is not None:
            name = f"{entry.ref}.jpg"
            (root / name).write_bytes(jpeg)
        caption = [f"{entry.time.astimezone(zone):%d %b %H:%M}, {entry.pump}, {entry.person}"]
        caption += [part for part in (entry.text, results.get(entry.ref, "")) if part]
        told.append({"file": name, "caption": caption, "ref": entry.ref[:16]})
    return told


def _in_force(home: Path, settings: SiteSettings, now: datetime) -> list[Version]:
    return versions(home) or [Version(now, digest_of(settings), settings)]


def _limits(version: Version, places: Sequence[tuple[str, str]], zone: ZoneInfo) -> Row:
    settings = version.settings
    rows = [[name, _plain(value)] for name, value in to_builtins(settings.limits).items()]
    for pump in sorted({pump for _, pump in places}):
        for name, value in to_builtins(settings.pump(pump)).items():
            rows.append([f"{pump}: {name}", _plain(value)])
    rows += [[f"smear: {name}", _plain(value)] for name, value in to_builtins(settings.smear).items()]
    return {
        "since": f"{version.since.astimezone(zone):%d %b %Y %H:%M}",
        "digest": version.digest,
        "rows": rows,
    }


def _plain(value: Any) -> str:
    if value is None or value in ([], ()):
        return "–"
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def _check(check: Check) -> str:
    if not check.wrong:
        return f"Sound: {check.what} ({check.looked_at} looked at)."
    return f"WRONG: {check.what}: {' '.join(check.wrong[:5])}"


def _rows(connection: duckdb.DuckDBPyConnection, sql: str, given: Row | None = None) -> list[Row]:
    answer = connection.execute(sql, given or {})
    names = [column[0] for column in answer.description or ()]
    return [dict(zip(names, row, strict=True)) for row in answer.fetchall()]
