"""How are the summary's figures said? The same words for the terminal, the page and the printed sheet."""

import math
from collections.abc import Iterator
from datetime import datetime, timedelta, tzinfo

from edge.units import pa_to_psi
from edge.words import ReleaseState
from pipeline.show.summary import ShiftSummary


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
    peak = row["peak_balance_pa"]
    yield "worst balance event", "none" if peak is None else f"{pa_to_psi(abs(peak)):.0f} psi"
    yield "stops, unpurged", f"{row['stops']}, {row['unpurged_stops']}"
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
