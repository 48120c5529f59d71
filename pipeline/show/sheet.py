"""How does a shift look on paper? One A4 sheet to file and sign: verdict, findings, figures, tests, units."""

import json
from datetime import tzinfo
from importlib import resources
from zoneinfo import ZoneInfo

import typst

from edge.sentences import clauses
from pipeline.show.summary import ShiftSummary
from pipeline.show.words import clock, figures_of, verdict_line


def render_pdf(summary: ShiftSummary) -> bytes:
    """The sheet as PDF."""
    zone = ZoneInfo(summary.time_zone)

    hours = f"{clock(summary.start, zone)} to {clock(summary.end, zone)} {summary.time_zone}"
    so_far = f", so far: known until {clock(summary.so_far, zone)}" if summary.so_far else ""
    content = {
        "verdict": verdict_line(summary),
        "hold": summary.verdict == "hold",
        "title": f"{summary.site} · {summary.pump} · shift {summary.shift} {summary.name}",
        "when": f"{summary.day:%A %d %B %Y}, {hours}{so_far}",
        "reasons": summary.reasons,
        "findings": [
            (clock(f.start, zone) + (f"–{clock(f.end, zone)}" if f.end else ""), f.sentence)
            for f in summary.findings
        ],
        "reminders": summary.reminders,
        "figures": list(figures_of(summary)) if summary.known else [],
        "tests": rows_of_tests(summary, zone),
        "units": [
            (
                u.unit,
                f"{clock(u.started, zone)}–{clock(u.finished, zone)}",
                "suspect" if u.suspect else "covered" if u.covered else "NOT COVERED",
            )
            for u in summary.units
        ],
        "cautions": " ".join(summary.cautions),
    }
    template = resources.files("pipeline.show").joinpath("templates", "summary.typ").read_bytes()
    pdf: bytes = typst.compile(template, sys_inputs={"summary": json.dumps(content)})
    return pdf


def rows_of_tests(summary: ShiftSummary, zone: tzinfo) -> list[tuple[str, str, str, str, str]]:
    """(time of day, test, what it showed, verdict, by) of every test of the shift, in order of time."""
    rows = [
        (
            s.time,
            "smear, by eye" if s.seen_by == "eye" else "smear, photo",
            clauses(s.reasons) or s.note or ("" if s.cov is None else f"CoV {s.cov:.3f}"),
            "superseded" if s.superseded_by else s.verdict,
            s.person,
        )
        for s in summary.smears
    ]
    marks = {True: "in", False: "out", None: ""}
    rows += [
        (
            t.time,
            t.kind,
            f"{t.value} (limit {t.limit})",
            "superseded" if t.superseded_by else marks[t.passed],
            t.person,
        )
        for t in summary.tests
    ]
    return [(clock(row[0], zone), *row[1:]) for row in sorted(rows, key=lambda row: row[:2])]
