"""What do a pump's tests show? Records and scores -> derive/cure -> history, whole each time.

Replaced only where something came out differently, for most of what lands is no test.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from itertools import pairwise
from typing import Any

import msgspec
import pyarrow as pa
import pyarrow.compute as pc

from edge.records import AdhesionResult, AnyPlainRecord, RatioCheck, SnapTime, decode_record
from edge.words import Verdict
from pipeline.corrections import effective
from pipeline.derive.cure.adhesion import coupon_result
from pipeline.derive.cure.bead import DUE_H, bead_surveys
from pipeline.derive.cure.charts import BASELINE_POINTS, Limits, chart, individuals_limits
from pipeline.derive.cure.limits import CureLimits, Measure
from pipeline.derive.cure.ratio import weighed_ratio
from pipeline.derive.cure.snap import snap_results
from pipeline.history import History
from pipeline.settings import SiteSettings
from pipeline.tables import DERIVED

Row = dict[str, Any]


class Point(msgspec.Struct, frozen=True):
    """A measure of one moment. ref : what it is of."""

    at: datetime
    ref: str
    value: float


def derive_cure(
    history: History,
    settings: SiteSettings,
    site: str,
    pump: str,
    records: Sequence[AnyPlainRecord] | None = None,
) -> None:
    """Bring the results of a pump's tests and its control charts up to date.

    records : of the pump, as corrected; read from the history where not given
    """
    if records is None:
        bodies = history.read("records", site=site, pump=pump, columns=["id", "body"]).to_pylist()
        records = effective(decode_record(row["body"].encode(), row["id"]) for row in bodies)
    limits = settings.cure_of(pump)
    tables = result_rows(records, limits)
    points = _points(history, site, pump, records, tables)
    tables["chart_points"] = [
        row for measure, some in points.items() for row in charted(some, measure, settings, pump)
    ]
    for table, rows in tables.items():
        placed = [
            {"site": site, "pump": pump, "day": settings.production_day(row["at"]), **row} for row in rows
        ]
        found = pa.Table.from_pylist(placed, schema=DERIVED[table])
        if not _same(history.read(table, site=site, pump=pump), found):
            history.replace(table, found, site=site, pump=pump)


def result_rows(records: Sequence[AnyPlainRecord], limits: CureLimits) -> dict[str, list[Row]]:
    """Rows of the result tables. records : of one pump, as corrected."""
    by_id = {str(record.id): record for record in records}
    snaps = []
    for result in snap_results(records, limits):
        fit = result.fit
        snaps.append(
            {
                "at": by_id[result.id].at,
                "id": result.id,
                "valid": result.valid,
                "passed": result.passed,
                "problems": result.problems,
                "unsaid": result.unsaid,
                "least_min": result.least,
                "most_min": result.most,
                "adjusted_min": result.adjusted,
                "adjusted_low_min": result.adjusted_low,
                "adjusted_high_min": result.adjusted_high,
                "ea_j_mol": fit and fit.ea,
                "ea_low_j_mol": fit and fit.low,
                "ea_high_j_mol": fit and fit.high,
                "fit_tests": fit and fit.tests,
                "base_lot": result.base_lot,
                "curing_agent_lot": result.curing_agent_lot,
            }
        )
    surveys, marks = [], []
    for survey in bead_surveys(records, limits):
        row = msgspec.structs.asdict(survey)
        row |= {"at": row.pop("time"), "by": row.pop("person"), "marks": len(survey.marks)}
        row["ids"] = [mark.id for mark in survey.marks]
        surveys.append(row)
        for mark in survey.marks:
            kept = {name: getattr(mark, name) for name in ("id", "valid", "below", "soft", "problems")}
            marks.append({"at": by_id[mark.id].at, **kept})
    return {
        "snap_results": snaps,
        "ratio_results": [
            {"at": r.at, "id": str(r.id), **msgspec.structs.asdict(weighed_ratio(r.catches, limits))}
            for r in records
            if isinstance(r, RatioCheck)
        ],
        "bead_surveys": surveys,
        "bead_marks": marks,
        "coupon_results": [
            {"at": r.at, "id": str(r.id), **msgspec.structs.asdict(coupon_result(r, limits))}
            for r in records
            if isinstance(r, AdhesionResult)
        ],
    }


def charted(points: Sequence[Point], measure: Measure, settings: SiteSettings, pump: str) -> list[Row]:
    """Rows of chart_points of one measure. points : in order of time.

    A baseline holds from its first day on until the next one's. Points before any are held against the first
    20, once there are so many: points that come later never move those limits.
    """
    named = (b for b in settings.baselines if b.measure == measure and b.pump in (None, pump))
    mine = sorted(named, key=lambda b: b.first)
    days = [settings.production_day(point.at) for point in points]
    edges = [0, *(sum(day < b.first for day in days) for b in mine), len(points)]
    rows: list[Row] = []
    for place, (first, last) in enumerate(pairwise(edges)):
        some = points[first:last]
        if place == 0:
            name = f"first {BASELINE_POINTS}"
            base = [p.value for p in some[:BASELINE_POINTS]] if len(some) >= BASELINE_POINTS else []
        else:
            name, until = mine[place - 1].name, mine[place - 1].last
            base = [p.value for p, day in zip(some, days[first:last], strict=True) if day <= until]
        limits = individuals_limits(base) if len(base) >= 2 else None
        rows += _rows_of(some, measure, name, limits)
    return rows


def _rows_of(some: Sequence[Point], measure: Measure, name: str, limits: Limits | None) -> Iterable[Row]:
    # Gauges' balance drifts over days: small moves that add up are a signal too.
    held_against = chart([p.value for p in some], limits, cusum=measure == "balance")
    for point, held in zip(some, held_against, strict=True):
        yield {
            "at": point.at,
            "measure": measure,
            "ref": point.ref,
            "baseline": name if limits else None,
            "baseline_points": limits and limits.points,
            "centre": limits and limits.centre,
            "lower": limits and limits.lower,
            "upper": limits and limits.upper,
            "range_upper": limits and limits.range_upper,
            **msgspec.structs.asdict(held),
        }


def _points(
    history: History,
    site: str,
    pump: str,
    records: Iterable[AnyPlainRecord],
    tables: dict[str, list[Row]],
) -> dict[Measure, list[Point]]:
    """Every measure's points, in order of time."""
    minutes = {str(record.id): record.minutes for record in records if isinstance(record, SnapTime)}
    snaps = [row for row in tables["snap_results"] if row["valid"]]
    columns = ["at", "sha256", "verdict", "shade_delta_e", "shade_l", "cov"]
    smears = [
        row
        for row in history.read("smear_scores", site=site, pump=pump, columns=columns)
        .sort_by("at")
        .to_pylist()
        if row["verdict"] != Verdict.RETAKE
    ]
    strokes = history.read("strokes", site=site, pump=pump, columns=["day", "end", "balance_pa"])
    strokes = strokes.filter(pc.is_valid(strokes["balance_pa"]))
    by_day = strokes.group_by("day").aggregate([("end", "max"), ("balance_pa", "mean")]).sort_by("day")
    return {
        "snap_time": [Point(row["at"], row["id"], minutes[row["id"]]) for row in snaps],
        "snap_time_adjusted": [
            Point(row["at"], row["id"], row["adjusted_min"])
            for row in snaps
            if row["adjusted_min"] is not None
        ],
        "shade": _of_smears(smears, "shade_delta_e"),
        "lightness": _of_smears(smears, "shade_l"),
        "cov": _of_smears(smears, "cov"),
        "balance": [
            Point(row["end_max"], row["day"].isoformat(), row["balance_pa_mean"])
            for row in by_day.to_pylist()
        ],
        "hardness": [
            Point(row["at"], row["ids"][0], row["norm"])
            for row in tables["bead_surveys"]
            if row["due_h"] == DUE_H[0] and row["norm"] is not None
        ],
    }


def _of_smears(smears: Iterable[Row], column: str) -> list[Point]:
    return [Point(row["at"], row["sha256"], row[column]) for row in smears if row[column] is not None]


def _same(before: pa.Table, after: pa.Table) -> bool:
    """Whether two tables hold the same rows, in whatever order."""
    if before.num_rows != after.num_rows:
        return False
    if not after.num_rows:
        return True
    by = [(name, "ascending") for name in ("day", "at", "measure", "ref", "id") if name in after.column_names]
    ordered = [table.select(after.column_names).sort_by(by) for table in (before, after)]
    return bool(ordered[0].equals(ordered[1]))
