"""How are the summary's figures said? The same words for the terminal, the page and the printed sheet."""

import math
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta, tzinfo
from typing import Final

from edge.units import pa_to_psi
from edge.words import ReleaseState, Verdict
from pipeline.show.summary import ShiftSummary, Smear, Stop, Unit
from pipeline.show.tested import Test

_DAY: Final = timedelta(hours=24)


def verdict_line(summary: ShiftSummary) -> str:
    """The verdict in capitals, and by whom where a person decided it."""
    if summary.verdict == ReleaseState.HOLD:
        return "HOLD" if summary.known else "HOLD, no data"
    return "RELEASE by a person, against the rules" if summary.overridden else "RELEASE"


def figures_of(summary: ShiftSummary) -> Iterator[tuple[str, str]]:
    """What the shift amounts to, as (name, figure), the most asked for first."""
    row = summary.figures
    yield "ran", f"{row['run_min']:.0f} min"
    yield "on hold", f"{row['hold_min']:.0f} min"
    yield "strokes", f"{row['base_strokes']} base, {row['catalyst_strokes']} catalyst"
    litres = [
        f"{row[column]:.1f} l {word}"
        for column, word in (("base_l", "base"), ("curing_agent_l", "curing agent"))
        if row[column] is not None
    ]
    yield "dispensed", ", ".join(litres) or "not known: no displacement in the settings"
    share = row["balance_in_limits_share"]
    yield "balance in limits", "no strokes" if share is None else f"{percent(share)} of strokes"
    waste = summary.outside_units_l
    yield "outside units", "not known" if waste is None else f"{waste:.1f} l: tests, purges, waste"
    peak = row["peak_balance_pa"]
    yield "worst balance event", "none" if peak is None else f"{pa_to_psi(abs(peak)):.0f} psi"
    stops, unpurged = row["stops"], row["unpurged_stops"]
    yield (
        "stops",
        f"{stops} due for a purge, {stops - unpurged} purged in time" if stops else "none long enough",
    )
    passed, failed, retakes = row["smear_passed"], row["smear_failed"], row["smear_retakes"]
    yield "smear photographs", f"{passed} pass, {failed} fail, {retakes} retake"
    yield "snap times", _of(row["snap_tests"], row["snap_out_of_limits"])
    yield "ratio checks", _of(row["ratio_checks"], row["ratio_out"])
    yield "changeovers, mixers", f"{row['changeovers']}, {row['mixer_changes']}"
    made, covered, suspect = row["units_made"], row["units_covered"], row["units_suspect"]
    yield "units", f"{made} made, {covered} covered, {suspect} suspect"
    yield "time recorded", percent(row["completeness_share"])
    gauges = ", ".join(f"{gauge.gauge} {percent(gauge.share)}" for gauge in summary.gauges if gauge.share)
    yield "readings", gauges or "none"
    yield "gauge faults", str(row["sensor_faults"] or "none")
    yield "messages rejected", str(row["rejected_messages"] or "none")


def test_word(test: Test) -> str:
    """Whether a test is in its limit, in a word; 'no proof' where it proves nothing."""
    if test.superseded_by:
        return "superseded"
    return {True: "✓ in", False: "✗ OUT", None: "? no proof"}[test.passed]


def numbers_of(smear: Smear) -> str:
    """What was measured on a smear photograph."""
    if smear.verdict == Verdict.RETAKE:
        return "not measured"
    return (
        f"CoV {ordinary(smear.cov, '{:.3f}')} · streak {ordinary(smear.striation_mm, '{:.1f} mm')} · "
        f"ΔE p95 {ordinary(smear.delta_e_p95, '{:.1f}')} · shade {ordinary(smear.shade_delta_e, '{:.1f}')}"
        + ("" if smear.calibrated else " · no sheet, uncalibrated")
    )


def reasons_of(units: Sequence[Unit]) -> dict[str, int]:
    """Why units are not covered or suspect: each reason once, with its number."""
    told = dict.fromkeys(reason for unit in units for reason in unit.reasons)
    return {reason: number for number, reason in enumerate(told, 1)}


def purge_word(stop: Stop, zone: tzinfo) -> str:
    """Whether a stop was base-purged, and when."""
    if stop.purged:
        return f"✓ {clock(stop.purge_start, zone)}"
    return f"✗ LATE, {clock(stop.purge_start, zone)}" if stop.purge_start else "✗ NONE"


def lots_of(summary: ShiftSummary, zone: tzinfo) -> Iterator[tuple[str, str]]:
    """(part, lot with its dates) of each lot on the pump."""
    for lot in summary.lots:
        since = f"from {clock(lot.since, zone)}" if lot.since_known and lot.since >= summary.start else ""
        until = f"to {clock(lot.until, zone)}" if lot.until and lot.until < summary.end else ""
        expiry = "no expiry recorded"
        if lot.expires is not None:
            day = f"{lot.expires.astimezone(zone):%d %b %Y}"
            expiry = f"✗ EXPIRED {day}" if lot.expired else f"expires {day}"
        stored = {True: "✗ STORED BADLY", False: "stored well", None: ""}[lot.stored_badly]
        said = " ".join(filter(None, (lot.lot, since, until)))
        yield lot.part.replace("_", " "), ", ".join(filter(None, (said, expiry, stored)))


def around_of(summary: ShiftSummary, zone: tzinfo) -> Iterator[tuple[str, str]]:
    """(name, figure) of the mixer's age and of the room."""
    around = summary.around
    if around.mixer_at is None or around.mixer_h is None:
        yield "static mixer", "no change recorded"
    else:
        day = "" if around.mixer_at >= summary.start - _DAY else f"{around.mixer_at.astimezone(zone):%d %b} "
        yield "static mixer", f"new at {day}{clock(around.mixer_at, zone)}, {around.mixer_h:.1f} h old"
    for name, low, high, unit in (
        ("room temperature", around.coldest_degc, around.warmest_degc, "°C"),
        ("room humidity", around.driest_pct, around.dampest_pct, "%RH"),
    ):
        yield name, "not recorded" if low is None or high is None else f"{low:.1f} to {high:.1f} {unit}"


def clock(at: datetime | None, zone: tzinfo) -> str:
    """Local time of day to the nearest minute; nothing where there is none."""
    return "" if at is None else f"{(at + timedelta(seconds=30)).astimezone(zone):%H:%M}"


def percent(share: float) -> str:
    """A share in percent, never rounded up to the whole."""
    tenths = math.floor(share * 1000 + 1e-9) / 10
    return f"{tenths:g} %"


def ordinary(number: float | None, form: str) -> str:
    """A number that may not be there."""
    return "–" if number is None else form.format(number)


def _of(taken: int, out: int) -> str:
    return f"{taken} taken, {out} out of limits" if taken else "none taken"
