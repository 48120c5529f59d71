"""How does a shift read as a page? One HTML file that needs nothing else, for a desk, a phone and A4."""

from functools import partial
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from pipeline.show.charts import chart_words, draw_chart
from pipeline.show.pictures import picture_uri
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

WIDE_PX, NARROW_PX, PAPER_PX = 1040, 358, 690  # a desk; a phone of 390 less its margins; A4 or Letter
_VERDICT_WORD: Final = {"pass": "✓ pass", "fail": "✗ fail", "retake": "↻ retake"}


def render_page(summary: ShiftSummary, shift: Shift, home: Path) -> str:
    """The page. home : where the photographs and overlays stand."""
    zone = ZoneInfo(summary.time_zone)

    environment = Environment(
        loader=PackageLoader("pipeline.show"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["clock"] = partial(clock, zone=zone)
    environment.globals.update(
        verdict_word=_VERDICT_WORD,
        test_word=test_word,
        numbers_of=numbers_of,
        purge_word=partial(purge_word, zone=zone),
    )
    timelines = {"wide": WIDE_PX, "narrow": NARROW_PX, "paper": PAPER_PX} if summary.known else {}
    pictures = {
        smear.sha256: picture_uri(home, smear.sha256)
        for smear in summary.smears
        if smear.sha256 and smear.seen_by == "camera"
    }
    return environment.get_template("summary.html.j2").render(
        summary=summary,
        verdict=verdict_line(summary),
        figures=list(figures_of(summary)) if summary.known else [],
        timelines={name: Markup(draw_timeline(summary, shift, px)) for name, px in timelines.items()},
        pictures=pictures,
        why=reasons_of(summary.units),
        charts=[
            (Markup(draw_chart(chart, zone)) if len(chart.points) > 1 else "", chart_words(chart))
            for chart in summary.charts
        ],
        lots=list(lots_of(summary, zone)),
        around=list(around_of(summary, zone)),
    )
