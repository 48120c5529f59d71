"""How does an analysis read as JSON? The contract of `inspect --json`: ISO 8601 in UTC, psi, litres."""

import statistics
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from edge.units import pa_to_psi
from edge.words import PumpState
from pipeline.derive.gauges.live import Now
from pipeline.derive.gauges.results import GaugeAnalysis, SensorFault, Volume

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def iso(us: int) -> str:
    """Microseconds since 1970 as ISO 8601 in UTC, to the millisecond."""
    moment = _EPOCH + timedelta(microseconds=us)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def as_json(analysis: GaugeAnalysis) -> dict[str, Any]:
    """The object that `inspect --json` prints."""
    return {
        "states": [{**_span(state), "type": state.type.value} for state in analysis.states],
        "reversals": [{"at": iso(r.at_us), "pump": r.part} for r in analysis.reversals],
        "balance_events": [
            {
                **_span(event),
                "type": event.type,
                "peak_psi": round(pa_to_psi(event.peak_pa), 1),
                "despite": despite(event, analysis),
            }
            for event in analysis.balance_events
        ],
        "idle_spans": [
            {
                **_span(idle),
                "purged": idle.purged,
                "purge_start": None if idle.purge_start_us is None else iso(idle.purge_start_us),
                "purge_end": None if idle.purge_end_us is None else iso(idle.purge_end_us),
                "despite": despite(idle, analysis),
            }
            for idle in analysis.idle_spans
        ],
        "changeovers": [{**_span(seen), "part": seen.part} for seen in analysis.changeovers],
        "sensor_faults": [
            {**_span(fault), "channel": fault.gauge.value if fault.gauge else "all", "type": fault.type.value}
            for fault in analysis.sensor_faults
        ],
        "strokes": {
            part: sum(reversal.part == part for reversal in analysis.reversals)
            for part in ("base", "catalyst")
        },
        "wear": wear_json(analysis),
        "clogging": clogging_json(analysis),
        "dispensed_l": _litres(analysis.volume),
        "volume_ratio": [
            {**_span(r), "ratio": round(r.ratio, 3), "low": round(r.low, 3), "high": round(r.high, 3)}
            for r in analysis.volume_ratio
        ],
        "leak_down": leak_json(analysis),
        "purge_due": None
        if analysis.purge_due is None
        else {"since": iso(analysis.purge_due.since_us), "due": iso(analysis.purge_due.due_us)},
    }


def despite(span: Any, analysis: GaugeAnalysis) -> list[str]:
    """Faults during a finding, each once as `channel type`: it was told from what was left of the data.

    span : anything with start_us and end_us, recorded times
    """
    return sorted(
        {
            f"{fault.gauge.value if fault.gauge else 'all'} {fault.type.value}"
            for fault in analysis.sensor_faults
            if fault.start_us <= span.end_us and span.start_us <= fault.end_us
        }
    )


def leak_json(analysis: GaugeAnalysis) -> list[dict[str, Any]]:
    """The `leak_down` list: per gauge the median and the worst of its stalls; positive where it falls."""
    of: dict[str, list[float]] = {}
    for leak in analysis.leaks:
        of.setdefault(leak.gauge.value, []).append(pa_to_psi(leak.pa_per_s) * 60.0)
    return [
        {
            "channel": gauge,
            "psi_per_min": round(statistics.median(rates), 2),
            "worst_psi_per_min": round(max(rates), 2),
            "stalls": len(rates),
        }
        for gauge, rates in of.items()
    ]


def wear_json(analysis: GaugeAnalysis) -> list[dict[str, Any]]:
    """The `wear` list: parts whose two directions run unlike each other."""
    return [
        {
            "part": wear.part,
            **_span(wear),
            "pressure_share": round(wear.pressure_share, 4),
            "duration_share": round(wear.duration_share, 4),
            "slip_share": round(wear.slip_share, 4),
            "strokes": wear.strokes,
        }
        for wear in analysis.wear
    ]


def clogging_json(analysis: GaugeAnalysis) -> dict[str, Any]:
    """The `clogging` object. rise : share above the level at the start."""
    clogging = analysis.clogging
    return {
        "rise": None if clogging.rise is None else round(clogging.rise, 4),
        "reference_psi": _psi(clogging.reference_pa),
        "latest_psi": _psi(clogging.latest_pa),
        "spans": [{**_span(span), "rise": round(span.rise, 4)} for span in clogging.spans],
    }


def _span(span: Any) -> dict[str, str]:
    return {"start": iso(span.start_us), "end": iso(span.end_us)}


def _psi(pa: float | None) -> float | None:
    return None if pa is None else round(pa_to_psi(pa), 1)


def _litres(volume: Volume | None) -> dict[str, float | None] | None:
    if volume is None:
        return None
    return {
        part: None if cubic is None else round(cubic * 1e3, 6)
        for part, cubic in (("base", volume.base_m3), ("catalyst", volume.catalyst_m3))
    }


def holds(analysis: GaugeAnalysis) -> bool:
    """Whether the recording alone is reason to hold: out of balance, an unpurged stop, a gauge that lies."""
    return (
        any(event.type == "out_of_balance" for event in analysis.balance_events)
        or any(not idle.purged for idle in analysis.idle_spans)
        or bool(analysis.sensor_faults)
    )


def summary_lines(analysis: GaugeAnalysis) -> list[tuple[str, str]]:
    """What a person wants to see at once: pairs of a heading and a text of one or more lines."""
    if analysis.first_at_us is None or analysis.last_at_us is None:
        return [("recorded", "nothing")]
    lines = [
        ("recorded", f"{iso(analysis.first_at_us)} to {iso(analysis.last_at_us)}, {analysis.samples} rows")
    ]
    for state in PumpState:
        seconds = sum(s.end_us - s.start_us for s in analysis.states if s.type == state) / 1e6
        if seconds:
            lines.append((state.value, _duration(seconds)))
    counts = [sum(r.part == part for r in analysis.reversals) for part in ("base", "catalyst")]
    lines.append(("strokes", f"base {counts[0]}, catalyst {counts[1]}"))
    if analysis.volume is not None:
        litres = _litres(analysis.volume) or {}
        lines.append(("dispensed", ", ".join(f"{p} {x:.2f} l" for p, x in litres.items() if x is not None)))
    if analysis.volume_ratio:
        hours = analysis.volume_ratio
        ratios = [hour.ratio for hour in hours]
        wide = max((hour.high - hour.low) / 2 for hour in hours)
        says = f"{min(ratios):.2f} to {max(ratios):.2f} by volume in {len(hours)} h, give or take {wide:.2f}"
        lines.append(("ratio by strokes", f"{says}: no test, weigh it"))
    lines += [
        (f"leak-down, {leak['channel']}", f"{leak['psi_per_min']:.1f} psi/min over {leak['stalls']} stalls")
        for leak in leak_json(analysis)
    ]
    if analysis.purge_due is not None and analysis.last_at_us is not None:
        left = (analysis.purge_due.due_us - analysis.last_at_us) / 60e6
        says = f"in {left:.1f} min" if left > 0 else f"overdue by {-left:.1f} min"
        lines.append(("base purge due", f"{iso(analysis.purge_due.due_us)}, {says}"))
    lines += [
        (event.type, f"{_clock(event)}, peak {pa_to_psi(event.peak_pa):.0f} psi")
        for event in analysis.balance_events
    ]
    lines += [
        ("stop, purged" if idle.purged else "stop, not purged", _clock(idle)) for idle in analysis.idle_spans
    ]
    lines += [("changeover seen", f"{_clock(seen)}, {seen.part}") for seen in analysis.changeovers]
    lines += [
        ("wear", f"{wear.part}: one direction lets {wear.slip_share:.0%} of a travel back")
        for wear in analysis.wear
    ]
    lines += [
        ("clogging", f"{_clock(span)}, pressure up {span.rise:.0%}") for span in analysis.clogging.spans
    ]
    faults: dict[tuple[str, str], list[SensorFault]] = {}
    for fault in analysis.sensor_faults:
        faults.setdefault((fault.gauge.value if fault.gauge else "all", fault.type.value), []).append(fault)
    for (channel, kind), found in faults.items():
        more = f" and {len(found) - 1} more" if len(found) > 1 else ""
        lines.append((f"fault, {channel}", f"{kind} {_clock(found[0])}{more}"))
    return lines


def now_line(now: Now) -> str:
    """What a pump does at this moment, in a line."""
    state = now.state.value.replace("_", " ")
    parts = [iso(now.at_us), f"{state} for {_duration((now.at_us - now.since_us) / 1e6)}"]
    if now.balance_pa is not None:
        parts.append(f"balance of the last stroke {pa_to_psi(now.balance_pa):+.0f} psi")
    if now.purge_due is not None:
        left = (now.purge_due.due_us - now.at_us) / 1e6
        says = f"due in {_duration(left)}" if left > 0 else f"overdue by {_duration(-left)}"
        parts.append(f"base purge {says}")
    return ", ".join(parts)


def marks_of(analysis: GaugeAnalysis) -> list[tuple[int, int, str, str, str]]:
    """What a plot marks, in order of time: start, end [us], lane, a word, a sentence.

    Lanes: balance, stops, pump, faults:<gauge>, faults:all
    """
    marks = []
    for event in analysis.balance_events:
        what = event.type.replace("_", " ")
        marks.append(
            (
                event.start_us,
                event.end_us,
                "balance",
                what,
                f"{what}, peak {pa_to_psi(event.peak_pa):.0f} psi",
            )
        )
    for idle in analysis.idle_spans:
        what = "purged" if idle.purged else "not purged"
        says = f"stop of {_duration((idle.end_us - idle.start_us) / 1e6)}, {what}"
        marks.append((idle.start_us, idle.end_us, "stops", what, says))
    for purge in analysis.purges:
        says = f"base purge of {(purge.end_us - purge.start_us) / 1e6:.0f} s"
        marks.append((purge.start_us, purge.end_us, "pump", "purge", says))
    for seen in analysis.changeovers:
        says = f"{seen.part}: a drum or pail seems to have been replaced"
        marks.append((seen.start_us, seen.end_us, "stops", f"changeover, {seen.part}", says))
    for fault in analysis.sensor_faults:
        channel, kind = fault.gauge.value if fault.gauge else "all", fault.type.value.replace("_", " ")
        on = "all gauges" if channel == "all" else channel.replace("_", " ")
        marks.append((fault.start_us, fault.end_us, f"faults:{channel}", kind, f"{kind}, {on}"))
    for span in analysis.clogging.spans:
        says = f"pressure at equal flow up {span.rise:.0%}: the mixer clogs"
        marks.append((span.start_us, span.end_us, "stops", "clogging", says))
    return sorted(marks)


def _clock(span: Any) -> str:
    return f"{iso(span.start_us)} to {iso(span.end_us)[11:]}"


def _duration(seconds: float) -> str:
    hours, rest = divmod(round(seconds), 3600)
    return f"{hours} h {rest // 60:02d} min {rest % 60:02d} s"
