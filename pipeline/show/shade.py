"""How has the shade moved? A chart of the smears' lightness over time, a shape for each pair of lots.

Lightness alone: a two-part sealant that runs lean or rich gets paler or darker. The dashed line is the
material's own shade where one is set, else the median of the smears that passed.
"""

from datetime import datetime, tzinfo
from html import escape
from pathlib import Path
from typing import Final

import numpy as np
from msgspec import Struct

from edge.errors import InputError
from pipeline.join import connect
from pipeline.settings import SiteSettings

_WIDTH: Final = 960
_LEFT: Final = 64
_TOP: Final = 44
_WIDE: Final = _WIDTH - _LEFT - 24
_TALL: Final = 220
_DATES: Final = _TOP + _TALL + 22
_LEGEND: Final = _DATES + 34
_LINE: Final = 20
_SPAN_LEAST: Final = 6.0  # [L*], so that mere noise does not fill the chart
_SHAPES: Final = (
    "M-4.5,-4.5h9v9h-9z",
    "M0,-6L6,5H-6z",
    "M0,-6.5L6.5,0L0,6.5L-6.5,0z",
    "M-5,0a5,5 0 1,0 10,0a5,5 0 1,0 -10,0",
)


class Shade(Struct, frozen=True, kw_only=True):
    """One smear's shade. light, red, yellow : CIE L*, a*, b*, the sheet's paper as white."""

    time: datetime
    verdict: str
    light: float
    red: float
    yellow: float
    base_lot: str | None
    curing_agent_lot: str | None

    @property
    def lots(self) -> str:
        """Both lots in words."""
        return f"base {self.base_lot or 'unknown'}, curing agent {self.curing_agent_lot or 'unknown'}"


def shades_of(home: Path, settings: SiteSettings, site: str, pump: str) -> list[Shade]:
    """The shades of a pump, in order of time. Raises InputError where there is none."""
    rows = (
        connect(home, settings)
        .execute(
            "SELECT time, verdict, l, a, b, base_lot, curing_agent_lot FROM smear_shades "
            "WHERE site = ? AND pump = ? ORDER BY time, sha256",
            [site, pump],
        )
        .fetchall()
    )
    if not rows:
        raise InputError(
            f"no smear of {pump} at {site} was judged on the printed sheet",
            where=str(home),
            do="print one with beadbook sheet; where an older version judged, run beadbook rebuild",
        )
    return [Shade(**dict(zip(Shade.__struct_fields__, row, strict=True))) for row in rows]


def median_shade(shades: list[Shade]) -> tuple[float, float, float]:
    """Median L*, a*, b* of the smears that passed, of all where none did: a material's own shade to set."""
    passed = [s for s in shades if s.verdict == "pass"] or shades
    light, red, yellow = np.median([(s.light, s.red, s.yellow) for s in passed], axis=0)
    return float(light), float(red), float(yellow)


def draw_shades(shades: list[Shade], title: str, own: tuple[str, float], zone: tzinfo) -> str:
    """The chart as SVG. own : name and L* of the shade to hold against; zone : the site's, for the dates."""
    low, high = _span([*(s.light for s in shades), own[1]])
    lots = list(dict.fromkeys(s.lots for s in shades))
    tall = _LEGEND + _LINE * len(lots) + 8
    first, last = shades[0].time.timestamp(), shades[-1].time.timestamp()

    def x(shade: Shade) -> float:
        at = shade.time.timestamp()
        return _LEFT + _WIDE * ((at - first) / (last - first) if last > first else 0.5)

    def y(light: float) -> float:
        return _TOP + _TALL * (high - light) / (high - low)

    upright = f'transform="translate(20 {_TOP + _TALL / 2}) rotate(-90)"'
    parts = [
        _head(tall, title),
        '<rect width="100%" height="100%" fill="#fff"/>',
        _text(_LEFT, 26, title, 'font-size="16" font-weight="bold"'),
        _text(0, 0, "lightness L*", f'text-anchor="middle" {upright}'),
    ]
    step = 1 if high - low < 10 else 2 if high - low < 20 else 5
    for level in range(int(np.ceil(low / step)) * step, int(high) + 1, step):
        parts.append(f'<path d="M{_LEFT},{y(level):.1f}h{_WIDE}" stroke="#ddd"/>')
        parts.append(_text(_LEFT - 8, y(level) + 4, str(level), 'text-anchor="end"'))
    line = y(own[1])
    parts.append(f'<path d="M{_LEFT},{line:.1f}h{_WIDE}" stroke="#000" stroke-dasharray="7 5"/>')
    parts.append(_text(_LEFT + _WIDE, line - 6, f"{own[0]}: {own[1]:.1f}", 'text-anchor="end"'))
    for before, shade in zip([shades[0], *shades], shades, strict=False):
        if shade.lots != before.lots:
            parts.append(f'<path d="M{x(shade):.1f},{_TOP}v{_TALL}" stroke="#888" stroke-dasharray="2 4"/>')
        when = f"{shade.time.astimezone(zone):%d %b %Y %H:%M}"
        says = f"{when}: L* {shade.light:.1f}, {shade.verdict}, {shade.lots}"
        parts.append(_mark(lots.index(shade.lots), x(shade), y(shade.light), shade.verdict, says))
    ends = {0: "start", len(shades) - 1: "end"} if last > first else {0: "middle"}
    for n, anchor in ends.items():
        day = f"{shades[n].time.astimezone(zone):%d %b %Y}"
        parts.append(_text(x(shades[n]), _DATES, day, f'text-anchor="{anchor}"'))
    for n, lot in enumerate(lots):
        parts.append(_mark(n, _LEFT + 6, _LEGEND + _LINE * n - 4, "pass", lot))
        parts.append(_text(_LEFT + 20, _LEGEND + _LINE * n, lot))
    parts.append(_text(_LEFT + _WIDE, _LEGEND, "hollow: failed", 'text-anchor="end"'))
    return "\n".join([*parts, "</svg>"]) + "\n"


def _head(tall: int, title: str) -> str:
    box = f'xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {tall}"'
    return f'<svg {box} font-family="sans-serif" font-size="13" role="img" aria-label="{escape(title)}">'


def _span(levels: list[float]) -> tuple[float, float]:
    low, high = min(levels), max(levels)
    room = max(0.1 * (high - low), (_SPAN_LEAST - (high - low)) / 2)
    return low - room, high + room


def _text(x: float, y: float, text: str, how: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" {how}>{escape(text)}</text>'


def _mark(lot: int, x: float, y: float, verdict: str, says: str) -> str:
    fill = "#fff" if verdict == "fail" else "#234"
    return (
        f'<path d="{_SHAPES[lot % len(_SHAPES)]}" fill="{fill}" stroke="#234" stroke-width="1.5" '
        f'transform="translate({x:.1f} {y:.1f})"><title>{escape(says)}</title></path>'
    )
