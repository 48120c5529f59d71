"""How does a measure stand on its control chart? Individuals over moving ranges, as a small inline SVG.

Earlier points are hollow, the shift's own filled, a signal is a square: nothing needs colour.
"""

from collections.abc import Iterator
from datetime import tzinfo
from html import escape
from typing import Final

from pipeline.show.tested import Chart, Point

# Points from which a baseline is drawn where the settings name none.
BASELINE_POINTS: Final = 20
WIDTH: Final = 330
_TOP, _HEIGHT, _RANGE_HEIGHT = 10, 84, 30
_LEFT, _RIGHT = 8, 52
_RANGE_TOP: Final = _TOP + _HEIGHT + 10
HEIGHT: Final = _RANGE_TOP + _RANGE_HEIGHT + 8


def draw_chart(chart: Chart, zone: tzinfo) -> str:
    """The chart, WIDTH by HEIGHT CSS pixels. zone : of the times in its tips."""
    body = "".join([*_individuals(chart, zone), *_ranges(chart)])
    return (
        f'<svg class="chart" role="img" aria-label="{escape(chart_words(chart))}" width="{WIDTH}" '
        f'height="{HEIGHT}" viewBox="0 0 {WIDTH} {HEIGHT}" xmlns="http://www.w3.org/2000/svg">{body}</svg>'
    )


def chart_words(chart: Chart) -> str:
    """What the chart says, in one line: last value, limits and their baseline, signals of the shift."""
    last = f"{chart.label}: last {number(chart.points[-1].value)} {chart.unit}".rstrip()
    if chart.lower is None or chart.upper is None:
        return f"{last}; no limits yet: {len(chart.points)} of the {BASELINE_POINTS} points they need"
    limits = f"limits {number(chart.lower)} to {number(chart.upper)} by baseline {chart.baseline}"
    broken = sorted({signal for point in chart.points if point.mine for signal in point.signals})
    said = ", ".join(signal.replace("_", " ") for signal in broken)
    return f"{last}; {limits}; " + (f"signal: {said}" if said else "no signal in this shift")


def number(value: float) -> str:
    """A chart's number, to three figures or whole."""
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"


def _individuals(chart: Chart, zone: tzinfo) -> Iterator[str]:
    held = [chart.lower, chart.centre, chart.upper]
    values = [point.value for point in chart.points] + [v for v in held if v is not None]
    low, high = min(values), max(values)
    room = (high - low) * 0.08 or abs(high) * 0.05 or 1.0
    low, high = low - room, high + room

    def y(value: float) -> float:
        return _TOP + _HEIGHT * (high - value) / (high - low)

    right = WIDTH - _RIGHT
    for value, kind in zip(held, ("limit", "centre", "limit"), strict=True):
        if value is not None:
            yield f'<line x1="{_LEFT}" x2="{right}" y1="{y(value):.1f}" y2="{y(value):.1f}" class="{kind}"/>'
            yield f'<text x="{right + 5}" y="{y(value) + 3.5:.1f}" class="tick">{number(value)}</text>'
    xs = _xs(chart)
    path = "L".join(f"{x:.1f} {y(p.value):.1f}" for x, p in zip(xs, chart.points, strict=True))
    yield f'<path d="M{path}" class="trace"/>'
    for x, point in zip(xs, chart.points, strict=True):
        yield _mark(x, y(point.value), point, zone)


def _ranges(chart: Chart) -> Iterator[str]:
    ranges = [point.moving_range or 0.0 for point in chart.points]
    top = max([*ranges, chart.range_upper or 0.0]) or 1.0
    bottom, right = _RANGE_TOP + _RANGE_HEIGHT, WIDTH - _RIGHT
    yield f'<line x1="{_LEFT}" x2="{right}" y1="{bottom}" y2="{bottom}" class="centre"/>'
    for x, value in zip(_xs(chart), ranges, strict=True):
        height = _RANGE_HEIGHT * value / top
        yield f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{bottom - height:.1f}" y2="{bottom}" class="bar"/>'
    if chart.range_upper is not None:
        y = bottom - _RANGE_HEIGHT * chart.range_upper / top
        yield f'<line x1="{_LEFT}" x2="{right}" y1="{y:.1f}" y2="{y:.1f}" class="limit"/>'
        yield f'<text x="{right + 5}" y="{y + 3.5:.1f}" class="tick">{number(chart.range_upper)}</text>'
    yield f'<text x="{right + 5}" y="{bottom + 1}" class="tick">ranges</text>'


def _xs(chart: Chart) -> list[float]:
    step = (WIDTH - _RIGHT - _LEFT - 12) / max(1, len(chart.points) - 1)
    return [_LEFT + 6 + step * place for place in range(len(chart.points))]


def _mark(x: float, y: float, point: Point, zone: tzinfo) -> str:
    kind = "mine" if point.mine else "earlier"
    tip = f"{point.time.astimezone(zone):%d %b %H:%M}: {number(point.value)}"
    if point.signals:
        tip += " (" + ", ".join(signal.replace("_", " ") for signal in point.signals) + ")"
        shape = f'<rect x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8" class="{kind}"/>'
    else:
        shape = f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" class="{kind}"/>'
    return f"<g><title>{escape(tip)}</title>{shape}</g>"
