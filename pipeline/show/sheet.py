"""How does a shift look on paper? One page to sign, and the evidence on those behind it. A4 or Letter."""

import json
from collections.abc import Iterator
from datetime import tzinfo
from importlib import resources
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import typst

from edge.sentences import clauses
from pipeline.show.charts import chart_words, draw_chart
from pipeline.show.drawing import standalone
from pipeline.show.pictures import picture
from pipeline.show.summary import Shift, ShiftSummary
from pipeline.show.timeline import draw_timeline
from pipeline.show.words import (
    around_of,
    clock,
    figures_of,
    lots_of,
    numbers_of,
    purge_word,
    reasons_of,
    test_word,
    verdict_line,
)

PAPERS: Final[dict[str, str]] = {"a4": "a4", "letter": "us-letter"}
# At which the timeline is drawn, so that its words come out readable at the paper's width.
PAPER_PX: Final = 700


def render_pdf(summary: ShiftSummary, shift: Shift, home: Path, paper: str = "a4") -> bytes:
    """The sheet as PDF. home : where the photographs and overlays stand; paper : of PAPERS."""
    zone = ZoneInfo(summary.time_zone)
    content = _content(summary, shift, home, zone) | {"paper": PAPERS[paper]}
    template = resources.files("pipeline.show").joinpath("templates", "summary.typ").read_bytes()
    pdf: bytes = typst.compile(template, sys_inputs={"summary": json.dumps(content)})
    return pdf


def _content(summary: ShiftSummary, shift: Shift, home: Path, zone: tzinfo) -> dict[str, Any]:
    hours = f"{clock(summary.start, zone)} to {clock(summary.end, zone)} {summary.time_zone}"
    so_far = f", so far: known until {clock(summary.so_far, zone)}" if summary.so_far else ""
    content: dict[str, Any] = {
        "known": summary.known,
        "verdict": verdict_line(summary),
        "hold": summary.verdict == "hold",
        "title": f"{summary.site} · {summary.pump} · shift {summary.shift} {summary.name}",
        "short": f"{summary.site} · {summary.pump} · {summary.day} · shift {summary.shift}",
        "when": f"{summary.day:%A %d %B %Y}, {hours}{so_far}",
        "reasons": summary.reasons,
        "cautions": " ".join(summary.cautions),
    }
    if not summary.known:
        return content
    why = reasons_of(summary.units)
    return content | {
        "unit_reasons": [(number, reason) for reason, number in why.items()],
        "findings": [
            (clock(f.start, zone) + (f"–{clock(f.end, zone)}" if f.end else ""), f.sentence)
            for f in summary.findings
        ],
        "timeline": standalone(draw_timeline(summary, shift, PAPER_PX)),
        "reminders": summary.reminders,
        "figures": list(figures_of(summary)),
        "tests": rows_of_tests(summary, zone),
        "photos": list(_photos(summary, home, zone)),
        "charts": [
            {
                "drawn": standalone(draw_chart(chart, zone)) if len(chart.points) > 1 else None,
                "words": chart_words(chart),
            }
            for chart in summary.charts
        ],
        "stops": [
            (f"{clock(s.start, zone)}–{clock(s.end, zone)}", f"{s.minutes:.0f} min", purge_word(s, zone))
            for s in summary.stops
        ],
        "replaced": [
            (
                clock(one.time, zone),
                one.part.replace("_", " "),
                " ".join(filter(None, (one.new_lot, one.old_lot and f"after {one.old_lot}", one.reason))),
                one.person,
            )
            for one in summary.replaced
        ],
        "kept": [*lots_of(summary, zone), *around_of(summary, zone)],
        "units": [
            (
                u.unit,
                f"{clock(u.started, zone)}–{clock(u.finished, zone)}",
                f"smear {clock(u.smear_at, zone)}" if u.smear_at else "no smear",
                "suspect" if u.suspect else "covered" if u.covered else "NOT COVERED",
                " ".join(f"({why[reason]})" for reason in u.reasons),
            )
            for u in summary.units
        ],
        "gauges": [
            (
                g.gauge.replace("_", " "),
                f"{100 * g.share:.1f} %",
                ", ".join(f"{n} × {kind.replace('_', ' ')}" for kind, n in g.faults.items()) or "no faults",
            )
            for g in summary.gauges
        ],
    }


def rows_of_tests(summary: ShiftSummary, zone: tzinfo) -> list[tuple[str, str, str, str, str, str]]:
    """(time of day, test, what it showed, verdict, by, why) of every test of the shift, in order of time."""
    rows = [
        (
            s.time,
            "smear, by eye" if s.seen_by == "eye" else "smear, photo",
            numbers_of(s) if s.seen_by == "camera" else s.note,
            "superseded" if s.superseded_by else s.verdict,
            s.person,
            clauses(s.reasons),
        )
        for s in summary.smears
    ]
    rows += [
        (t.time, t.kind, f"{t.value} (limit {t.limit})", test_word(t), t.person, t.why) for t in summary.tests
    ]
    return [(clock(row[0], zone), *row[1:]) for row in sorted(rows, key=lambda row: row[:2])]


def _photos(summary: ShiftSummary, home: Path, zone: tzinfo) -> Iterator[dict[str, Any]]:
    for smear in summary.smears:
        if smear.sha256 and smear.seen_by == "camera":
            jpeg = picture(home, smear.sha256)
            yield {
                "picture": None if jpeg is None else list(jpeg),
                "verdict": smear.verdict,
                "time": clock(smear.time, zone),
                "by": smear.person,
                "numbers": numbers_of(smear),
            }
