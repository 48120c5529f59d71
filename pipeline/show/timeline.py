"""How did the shift run? Pressures, states, holds, tests and units over one time axis, as an inline SVG.

Drawn at the size at which it is shown, wide for a desk or paper and narrow for a phone, so that its words
stay readable. Hatches, shapes and letters say what colour says.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from html import escape
from itertools import groupby
from typing import Any, Final
from zoneinfo import ZoneInfo

from edge.units import pa_to_psi
from pipeline.show.summary import Shift, ShiftSummary

LEFT, RIGHT = 46, 8
PRESSURE_TOP, PRESSURE_HEIGHT = 30, 170
BIN_PX: Final = 2
GAUGES: Final = ("base", "catalyst_1", "catalyst_2")
# Which state a column of pixels shows where it holds several: the rarer says more.
_RARER: Final = ("purging", "no_data", "dispensing", "off", "stalled")
_LANES: Final = (("pump", 16), ("units", 16), ("tests", 34))


def draw_timeline(summary: ShiftSummary, shift: Shift, width: int) -> str:
    """The timeline, `width` CSS pixels wide."""
    return _Timeline(summary, shift, width).svg()


class _Timeline:
    def __init__(self, summary: ShiftSummary, shift: Shift, width: int) -> None:
        self.summary, self.shift, self.width = summary, shift, width
        self.zone = ZoneInfo(summary.time_zone)
        self.seconds = (summary.end - summary.start).total_seconds()
        self.plot = width - LEFT - RIGHT
        self.pressure_bottom = PRESSURE_TOP + PRESSURE_HEIGHT
        self.lane_top: dict[str, int] = {}
        top = self.pressure_bottom + 10
        for name, height in _LANES:
            self.lane_top[name] = top
            top += height + 6
        self.axis = top
        self.height = top + 26
        self.bins = self._pressures()
        highest = max((row[f"{g}_max"] or 0 for row in self.bins for g in GAUGES), default=0)
        # Round up to a thousand psi, so that shifts of one pump look alike.
        self.psi_top = max(1000.0, 1000.0 * -(-pa_to_psi(highest) // 1000))

    def svg(self) -> str:
        layers = (
            self._axis,
            self._release,
            self._pressure,
            self._events,
            self._states,
            self._units,
            self._tests,
        )
        body = "".join(piece for layer in layers for piece in layer())
        name = f"Timeline of {self.summary.pump}, {self._span(self.summary.start, self.summary.end)}"
        return (
            f'<svg class="timeline" role="img" aria-label="{escape(name)}" width="{self.width}" '
            f'height="{self.height}" viewBox="0 0 {self.width} {self.height}" '
            f'xmlns="http://www.w3.org/2000/svg">{self._patterns()}{body}</svg>'
        )

    def x(self, at: datetime) -> float:
        """Pixel of a moment, kept within the plot."""
        share = (at - self.summary.start).total_seconds() / self.seconds
        return LEFT + self.plot * min(1.0, max(0.0, share))

    def y(self, pascal: float) -> float:
        """Pixel of a pressure."""
        share = min(1.0, max(0.0, pa_to_psi(pascal) / self.psi_top))
        return self.pressure_bottom - PRESSURE_HEIGHT * share

    def _pressures(self) -> list[dict[str, Any]]:
        """Least, greatest and mean pressure of each gauge, for every two pixels."""
        each = ", ".join(
            f"min({g}_pa) AS {g}_min, max({g}_pa) AS {g}_max, avg({g}_pa) AS {g}_mean" for g in GAUGES
        )
        return self.shift.rows(
            f"""
            SELECT floor(epoch(time - $start) / $bin_s)::INTEGER AS place, {each} FROM gauge_samples
            WHERE site = $site AND pump = $pump AND time >= $start AND time < $end
            GROUP BY place ORDER BY place
            """,
            bin_s=self.seconds / self.plot * BIN_PX,
        )

    def _patterns(self) -> str:
        # Ids are the document's, and there are two timelines in it.
        return (
            f'<defs><pattern id="hold{self.width}" width="7" height="7" patternUnits="userSpaceOnUse" '
            'patternTransform="rotate(45)"><rect width="7" height="7" class="hold-ground"/>'
            '<line x1="0" y1="0" x2="0" y2="7" class="hold-line"/></pattern>'
            f'<pattern id="event{self.width}" width="5" height="5" patternUnits="userSpaceOnUse" '
            'patternTransform="rotate(-45)"><line x1="0" y1="0" x2="0" y2="5" class="event-line"/></pattern>'
            f'<pattern id="none{self.width}" width="8" height="8" patternUnits="userSpaceOnUse">'
            '<path d="M2 2l4 4M6 2l-4 4" class="none-line"/></pattern></defs>'
        )

    def _release(self) -> Iterator[str]:
        yield self._label("release", 15)
        for span in self.summary.release:
            hold = span.what == "hold"
            x, wide = self.x(span.start), self.x(span.end) - self.x(span.start)
            fill = f'fill="url(#hold{self.width})"' if hold else 'class="released"'
            words = ", ".join(rule.replace("_", " ") for rule in span.rules) or "released by the rules"
            tip = f"{span.what} {self._span(span.start, span.end)}: {words}"
            yield f'<rect x="{x:.1f}" y="4" width="{wide:.1f}" height="16" {fill}>{_title(tip)}</rect>'
            if hold and wide > 34:
                yield (
                    f'<rect x="{x + wide / 2 - 15:.1f}" y="6" width="30" height="12" class="plate"/>'
                    f'<text x="{x + wide / 2:.1f}" y="15.5" class="word" text-anchor="middle">hold</text>'
                )

    def _pressure(self) -> Iterator[str]:
        step = 1000 if self.psi_top <= 4000 else 2000
        for psi in range(0, int(self.psi_top) + 1, step):
            y = self.pressure_bottom - PRESSURE_HEIGHT * psi / self.psi_top
            yield f'<line x1="{LEFT}" x2="{self.width - RIGHT}" y1="{y:.1f}" y2="{y:.1f}" class="grid"/>'
            yield f'<text x="{LEFT - 5}" y="{y + 3.5:.1f}" class="tick" text-anchor="end">{psi:,}</text>'
        yield f'<text x="{LEFT + 4}" y="{PRESSURE_TOP + 11}" class="tick">psi</text>'
        for gauge in GAUGES:
            for run in _runs(self.bins, gauge):
                xs = [LEFT + BIN_PX * (row["place"] + 0.5) for row in run]
                upper = [f"{x:.0f} {self.y(row[f'{gauge}_max']):.1f}" for x, row in zip(xs, run, strict=True)]
                lower = [f"{x:.0f} {self.y(row[f'{gauge}_min']):.1f}" for x, row in zip(xs, run, strict=True)]
                mean = [f"{x:.0f} {self.y(row[f'{gauge}_mean']):.1f}" for x, row in zip(xs, run, strict=True)]
                yield f'<path d="M{"L".join([*upper, *reversed(lower)])}Z" class="range {gauge}"/>'
                yield f'<path d="M{"L".join(mean)}" class="mean {gauge}"/>'

    def _events(self) -> Iterator[str]:
        """What was wrong with pressures and gauges, over the pressures."""
        right = 0.0
        for finding in self.summary.findings:
            told = finding.kind.startswith("gauge_") or finding.kind in (
                "out_of_balance",
                "caution",
                "clogging",
            )
            if not told or finding.end is None:
                continue
            x, wide = self.x(finding.start), max(2.0, self.x(finding.end) - self.x(finding.start))
            yield (
                f'<rect x="{x:.1f}" y="{PRESSURE_TOP}" width="{wide:.1f}" height="{PRESSURE_HEIGHT}" '
                f'fill="url(#event{self.width})" class="event">{_title(finding.sentence)}</rect>'
            )
            word = finding.kind.replace("_", " ")
            length = 6.2 * len(word)
            x = min(x, self.width - RIGHT - length - 6)
            line = PRESSURE_TOP + PRESSURE_HEIGHT - (8 if x > right else 24)
            right = x + length + 6
            yield (
                f'<rect x="{x:.1f}" y="{line - 10}" width="{length + 6:.0f}" height="14" class="plate"/>'
                f'<text x="{x + 3:.1f}" y="{line}" class="word">{word}</text>'
            )

    def _states(self) -> Iterator[str]:
        top = self.lane_top["pump"]
        yield self._label("pump", top + 11)
        columns: list[str] = [""] * self.plot
        for span in self.summary.states:
            first, last = self.x(span.start) - LEFT, self.x(span.end) - LEFT
            for column in range(int(first), min(self.plot, int(last) + 1)):
                shown = columns[column]
                if not shown or _RARER.index(span.what) < _RARER.index(shown):
                    columns[column] = span.what
        place = 0
        for state, run in groupby(columns):
            wide = len(list(run))
            if state:
                fill = f'fill="url(#none{self.width})"' if state == "no_data" else ""
                high, low = (16, 0) if state in ("dispensing", "purging", "no_data") else (6, 10)
                yield (
                    f'<rect x="{LEFT + place}" y="{top + low}" width="{wide}" height="{high}" '
                    f'class="state {state}" {fill}>{_title(state.replace("_", " "))}</rect>'
                )
                if state == "purging":
                    yield f'<path d="M{LEFT + place + wide / 2:.0f} {top - 1}l4 -5h-8z" class="purge-mark"/>'
            place += wide

    def _units(self) -> Iterator[str]:
        top = self.lane_top["units"]
        yield self._label("units", top + 11)
        for unit in self.summary.units:
            x = self.x(unit.started)
            wide = max(3.0, self.x(unit.finished or self.summary.so_far or self.summary.end) - x - 1)
            good = unit.covered and not unit.suspect
            fill = 'class="covered"' if good else f'fill="url(#hold{self.width})" class="uncovered"'
            word = "covered" if good else "suspect" if unit.suspect else "not covered"
            tip = _title(f"{unit.unit}: {word}")
            yield f'<rect x="{x:.1f}" y="{top}" width="{wide:.1f}" height="15" rx="2" {fill}>{tip}</rect>'
            if not good and wide >= 9:
                middle = x + wide / 2
                yield f'<text x="{middle:.1f}" y="{top + 11.5}" class="cross" text-anchor="middle">✗</text>'

    def _tests(self) -> Iterator[str]:
        top = self.lane_top["tests"]
        yield self._label("tests", top + 13)
        marks: list[tuple[datetime, str, str, str]] = []
        for smear in self.summary.smears:
            if smear.seen_by == "camera":
                letter = {"pass": "✓", "fail": "✗", "retake": "↻"}[smear.verdict]
                marks.append((smear.time, letter, f"smear {smear.verdict}", f"smear test: {smear.verdict}"))
        letters = {"snap time": "S", "ratio check": "R", "bead survey": "B"}
        for test in self.summary.tests:
            state = "" if test.passed is not False else " out"
            letter = letters.get(test.kind, "A")
            marks.append((test.time, letter, f"other{state}", f"{test.kind}: {test.value}"))
        for one in self.summary.replaced:
            letter = {"mixer": "M", "base": "D", "curing_agent": "P"}[one.part]
            marks.append((one.time, letter, "replaced", f"{one.part.replace('_', ' ')} replaced"))
        right = [-99.0, -99.0]
        for at, letter, kind, tip in sorted(marks, key=lambda mark: mark[0]):
            x = max(self.x(at), LEFT + 8)
            row = 0 if x - right[0] >= 15 else 1
            x = max(x, right[row] + 15)
            right[row] = x
            yield _mark(min(x, self.width - 8), top + 9 + 15 * row, letter, kind, f"{self._clock(at)} {tip}")

    def _axis(self) -> Iterator[str]:
        hours = 1 if self.plot / (self.seconds / 3600) > 44 else 2
        local = self.summary.start.astimezone(self.zone).replace(minute=0, second=0, microsecond=0)
        at = local.astimezone(self.summary.start.tzinfo)
        base = self.axis + 10
        while at <= self.summary.end:
            shown = at.astimezone(self.zone)
            if at >= self.summary.start and shown.hour % hours == 0:
                x = self.x(at)
                clock = f'<text x="{x:.1f}" y="{base + 12}" class="tick" text-anchor='
                clock += '"end">' if x > self.width - 24 else '"middle">'
                yield f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{PRESSURE_TOP}" y2="{base}" class="grid"/>'
                yield f"{clock}{shown:%H:%M}</text>"
            at += timedelta(hours=1)

    def _label(self, word: str, y: float) -> str:
        return f'<text x="{LEFT - 5}" y="{y}" class="tick" text-anchor="end">{word}</text>'

    def _clock(self, at: datetime) -> str:
        return f"{at.astimezone(self.zone):%H:%M}"

    def _span(self, start: datetime, end: datetime) -> str:
        return f"{self._clock(start)} to {self._clock(end)}"


def _mark(x: float, y: float, letter: str, kind: str, tip: str) -> str:
    """A shape with a letter in it: circle for a pass, square for trouble, diamond for what was replaced."""
    if kind in ("smear fail", "other out"):
        shape = f'<rect x="{x - 6.5:.1f}" y="{y - 6.5}" width="13" height="13"/>'
    elif kind == "smear retake":
        shape = f'<path d="M{x:.1f} {y - 8}l8 14h-16z"/>'
    elif kind == "replaced":
        shape = f'<path d="M{x:.1f} {y - 8.5}l8 8.5l-8 8.5l-8 -8.5z"/>'
    else:
        shape = f'<circle cx="{x:.1f}" cy="{y}" r="7"/>'
    text = f'<text x="{x:.1f}" y="{y + 3.7:.1f}" text-anchor="middle">{letter}</text>'
    return f'<g class="mark {kind}">{_title(tip)}{shape}{text}</g>'


def _runs(bins: Sequence[dict[str, Any]], gauge: str) -> Iterator[list[dict[str, Any]]]:
    """Bins in which a gauge has readings, as runs without a hole of more than one bin."""
    run: list[dict[str, Any]] = []
    for row in bins:
        if row[f"{gauge}_mean"] is None:
            continue
        if run and row["place"] - run[-1]["place"] > 2:
            yield run
            run = []
        run.append(row)
    if run:
        yield run


def _title(text: str) -> str:
    return f"<title>{escape(text)}</title>"
