"""How does a shift read as a page? One HTML file that needs nothing else, for a desk, a phone and A4."""

from functools import partial
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from pipeline.show.pictures import picture_uri
from pipeline.show.summary import Shift, ShiftSummary
from pipeline.show.timeline import draw_timeline
from pipeline.show.words import clock, figures_of, ordinary, verdict_line

WIDE_PX, NARROW_PX = 1040, 358  # a desk or A4; a phone of 390 less its margins
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
    environment.globals.update(ordinary=ordinary, verdict_word=_VERDICT_WORD)
    timelines = {"wide": WIDE_PX, "narrow": NARROW_PX} if summary.known else {}
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
    )
