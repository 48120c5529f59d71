"""Which tests did the shift see? Each with its number and limit, its chart, the lots and the surroundings."""

from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any, Final

from msgspec import Struct, convert

from edge.sentences import clauses
from edge.units import pa_to_psi
from pipeline.settings import PumpSettings, SiteSettings

Row = dict[str, Any]
Rows = Callable[..., list[Row]]


class Test(Struct, frozen=True):
    """A test other than a smear. passed : None where nothing is proved; why : what is against it."""

    time: datetime
    kind: str
    value: str
    limit: str
    passed: bool | None
    person: str
    id: str
    superseded_by: str | None = None
    why: str = ""


class Point(Struct, frozen=True):
    """A point of a chart. mine : of this shift; signals : run rules it breaks."""

    time: datetime
    value: float
    mine: bool
    moving_range: float | None = None
    signals: tuple[str, ...] = ()


class Chart(Struct, frozen=True):
    """A measure's last points, and the limits that its baseline sets; those are None while none stands."""

    measure: str
    label: str
    unit: str
    points: tuple[Point, ...]
    baseline: str | None = None
    centre: float | None = None
    lower: float | None = None
    upper: float | None = None
    range_upper: float | None = None


class Lot(Struct, frozen=True):
    """A lot on the pump in the shift. expired : at the shift's end; stored_badly : None where nobody says."""

    part: str
    lot: str
    since: datetime
    since_known: bool
    until: datetime | None = None
    expires: datetime | None = None
    expired: bool | None = None
    stored_badly: bool | None = None


class Surroundings(Struct, frozen=True):
    """The room and the mixer. Temperatures [degC] and humidities [%RH] of the gauges, over the shift.

    mixer_h : age of the static mixer at the shift's end [h], None where no change is recorded
    """

    coldest_degc: float | None = None
    warmest_degc: float | None = None
    driest_pct: float | None = None
    dampest_pct: float | None = None
    mixer_at: datetime | None = None
    mixer_h: float | None = None


# measure -> its name on the page, its unit there, and the factor from the history's unit.
MEASURES: Final[dict[str, tuple[str, str, float]]] = {
    "snap_time_adjusted": ("snap time, adjusted", "min", 1.0),
    "snap_time": ("snap time as taken", "min", 1.0),
    "shade": ("shade, ΔE00 to the standard", "", 1.0),
    "lightness": ("lightness L* of the smear", "", 1.0),
    "cov": ("CoV of the smear", "", 1.0),
    "balance": ("balance, mean of the day", "psi", pa_to_psi(1.0)),
    "hardness": ("hardness at 24 h", "Shore A", 1.0),
}
_BETTER: Final = {"snap_time_adjusted": "snap_time", "shade": "lightness"}
POINTS_SHOWN: Final = 30
_MINE: Final = "site = $site AND pump = $pump AND time >= $start AND time < $end"


def tests(rows: Rows, settings: SiteSettings, pump: str) -> list[Test]:
    """All tests but smears, in order of time. rows : runs a query for the shift (summary.py)."""
    found = [*_snaps(rows), *_ratios(rows), *_beads(rows), *_coupons(rows, settings.pump(pump))]
    return sorted(found, key=lambda test: (test.time, test.id))


def _snaps(rows: Rows) -> Iterator[Test]:
    for row in rows(f"SELECT * FROM snap_tests WHERE {_MINE}"):
        value = f"{row['minutes']:g} min"
        if row["temp_degc"] is not None:
            value += f" at {row['temp_degc']:g} °C" + (f", {row['rh_pct']:g} %RH" if row["rh_pct"] else "")
        if row["adjusted_min"] is not None:
            value += (
                f"; adjusted {row['adjusted_min']:.1f} min "
                f"({row['adjusted_low_min']:.1f} to {row['adjusted_high_min']:.1f})"
            )
        unsaid = f"not said: how it was {', '.join(row['unsaid'])}" if row["unsaid"] else ""
        yield Test(
            time=row["time"],
            kind="snap time",
            value=value,
            limit=f"{row['min_min']:g} to {row['max_min']:g} min",
            passed=row["in_limits"],
            person=row["person"],
            id=row["id"],
            superseded_by=row["superseded_by"],
            why=f"does not count: {', '.join(row['problems'])}" if row["problems"] else unsaid,
        )


def _ratios(rows: Rows) -> Iterator[Test]:
    for row in rows(f"SELECT * FROM ratio_checks WHERE {_MINE}"):
        sure = ""
        if row["ratio_low"] is not None:
            sure = f", 95 % {row['ratio_low']:.2f} to {row['ratio_high']:.2f}"
        volume = f"; {row['by_volume']:.2f} : 1 by volume" if row["by_volume"] is not None else ""
        yield Test(
            time=row["time"],
            kind="ratio check",
            value=f"{row['ratio']:.2f} : 1 ({row['deviation_pct']:+.1f} %{sure}), "
            f"{row['catches']} catches{volume}",
            limit=f"{row['wanted']:g} : 1 ± {row['tolerance_pct']:g} %",
            passed={"in": True, "out": False}.get(row["verdict"]) if row["verdict"] else row["in_tolerance"],
            person=row["person"],
            id=row["id"],
            superseded_by=row["superseded_by"],
            why=row["why"] or "",
        )


def _beads(rows: Rows) -> Iterator[Test]:
    for row in rows(f"SELECT * FROM bead_surveys WHERE {_MINE}"):
        norm = "no norm" if row["norm"] is None else f"norm {row['norm']:g}"
        yield Test(
            time=row["time"],
            kind="bead survey",
            value=f"bead {row['bead']} at {row['age_h']:.0f} h: {row['marks']} marks, Shore A "
            f"{row['lowest']:g} to {row['highest']:g}, {norm}",
            limit="no mark 5 or more below the norm"
            if row["due_h"] == 24
            else "no mark 5 or more off the norm",
            passed=row["passed"],
            person=row["person"],
            id=row["ids"][0],
            why=row["why"],
        )


def _coupons(rows: Rows, limits: PumpSettings) -> Iterator[Test]:
    for row in rows(f"SELECT * FROM adhesion_tests WHERE {_MINE}"):
        strength = "" if row["strength_pa"] is None else f", {row['strength_pa'] / 1e3:.0f} kPa"
        peel = "" if row["peel_n_per_m"] is None else f", {row['peel_n_per_m'] / 1e3:.2f} N/mm"
        shares = {word: row[f"{word}_pct"] for word in ("cohesive", "adhesive", "substrate")}
        said = ", ".join(f"{share:g} % {word}" for word, share in shares.items() if share)
        yield Test(
            time=row["time"],
            kind=f"adhesion, {row['method']}",
            value=f"{row['specimen']}: {said}{strength}{peel}",
            limit=f"{limits.cohesive_min_pct:g} % cohesive"
            + (f", {limits.tensile_min_kpa:g} kPa" if row["method"] == "tensile" else ""),
            passed=row["passed"],
            person=row["person"],
            id=row["id"],
            superseded_by=row["superseded_by"],
            why=clauses(row["why"]),
        )


def charts(rows: Rows) -> list[Chart]:
    """Charts of the measures that the shift adds a point to, with the points before it."""
    found = []
    for measure, (label, unit, factor) in MEASURES.items():
        points = rows(
            """
            SELECT *, time >= $start AS mine FROM control_charts
            WHERE site = $site AND pump = $pump AND measure = $measure AND time < $end
            ORDER BY time DESC, ref LIMIT $shown
            """,
            measure=measure,
            shown=POINTS_SHOWN,
        )[::-1]
        if not any(point["mine"] for point in points):
            continue
        last = points[-1]
        scaled = {
            name: None if last[name] is None else last[name] * factor
            for name in ("centre", "lower", "upper", "range_upper")
        }
        found.append(
            Chart(
                measure=measure,
                label=label,
                unit=unit,
                # Points under an earlier baseline are no measure of this one's limits.
                points=tuple(
                    Point(
                        point["time"],
                        point["value"] * factor,
                        point["mine"],
                        None if point["moving_range"] is None else point["moving_range"] * factor,
                        tuple(point["signals"]),
                    )
                    for point in points
                    if point["baseline"] == last["baseline"]
                ),
                baseline=last["baseline"],
                **scaled,
            )
        )
    # The same tests' better measure stands for them.
    drawn = {chart.measure for chart in found}
    lesser = {lesser for better, lesser in _BETTER.items() if better in drawn}
    return [chart for chart in found if chart.measure not in lesser]


def lots(rows: Rows, reached: datetime) -> list[Lot]:
    """Lots on the pump in the shift, as far as records name them."""
    return [
        convert(row, Lot)
        for row in rows(
            """
            SELECT part, lot, since, since_known, until, expires, expires <= $reached AS expired, stored_badly
            FROM lots WHERE site = $site AND pump = $pump AND since < $end AND coalesce(until, $end) > $start
            ORDER BY part, since
            """,
            reached=reached,
        )
    ]


def surroundings(rows: Rows, reached: datetime) -> Surroundings:
    """The room over the shift, and how old the static mixer was at its end."""
    room = rows(
        f"""
        SELECT min(ambient_temp_degc) AS coldest_degc, max(ambient_temp_degc) AS warmest_degc,
               min(ambient_rh_pct) AS driest_pct, max(ambient_rh_pct) AS dampest_pct
        FROM gauge_samples WHERE {_MINE}
        """
    )[0]
    mixer = rows(
        """
        SELECT max(time) AS time FROM changeovers
        WHERE site = $site AND pump = $pump AND part = 'mixer' AND superseded_by IS NULL AND time <= $reached
        """,
        reached=reached,
    )[0]["time"]
    age = None if mixer is None else (reached - mixer).total_seconds() / 3600
    return Surroundings(**room, mixer_at=mixer, mixer_h=age)


def outside(around: Surroundings, settings: SiteSettings, pump: str) -> Iterator[str]:
    """What of the surroundings lies beyond the limits set for a pump, a clause each."""
    limits = settings.pump(pump)
    cold, warm = around.coldest_degc, around.warmest_degc
    if cold is not None and limits.application_min_degc is not None and cold < limits.application_min_degc:
        yield f"the room fell to {cold:.1f} °C, wanted {limits.application_min_degc:g} °C or more"
    if warm is not None and limits.application_max_degc is not None and warm > limits.application_max_degc:
        yield f"the room rose to {warm:.1f} °C, wanted {limits.application_max_degc:g} °C or less"
    if around.mixer_h is not None and around.mixer_h > limits.mixer_max_h:
        yield f"the static mixer was {around.mixer_h:.0f} h old, wanted {limits.mixer_max_h:g} h or less"
