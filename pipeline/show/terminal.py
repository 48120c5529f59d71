"""How does a shift read in a terminal? Verdict first, then what went wrong, then the figures behind it."""

from collections.abc import Iterator
from datetime import tzinfo
from zoneinfo import ZoneInfo

from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from edge.sentences import clauses
from edge.words import ReleaseState
from pipeline.show.charts import chart_words
from pipeline.show.summary import ShiftSummary, Smear
from pipeline.show.words import (
    around_of,
    clock,
    figures_of,
    lots_of,
    ordinary,
    purge_word,
    test_word,
    verdict_line,
)

_MARK = {"pass": "✓ pass", "fail": "✗ FAIL", "retake": "↻ retake"}


def print_summary(summary: ShiftSummary, console: Console) -> None:
    """Print the summary. Marks and words carry what colour does, for a log file has none."""
    for part in _parts(summary):
        console.print(part)
        if isinstance(part, Table):
            console.print()


def _parts(summary: ShiftSummary) -> Iterator[RenderableType]:
    zone = ZoneInfo(summary.time_zone)
    style = "bold green" if summary.verdict == ReleaseState.RELEASE else "bold red"
    yield Text(verdict_line(summary), style=style)
    yield Text(_headline(summary, zone))
    for reason in summary.reasons:
        yield Text(f"  • {reason}")
    if not summary.known:
        yield from _cautions(summary)
        return
    yield Text()
    yield Text("What went wrong", style="bold")
    if not summary.findings:
        yield Text("  nothing found")
    for finding in summary.findings:
        yield Text(f"  ! {finding.sentence}")
    yield Text()
    yield _figures(summary)
    if summary.smears:
        yield _smears(summary, zone)
    if summary.tests:
        yield _tests(summary, zone)
    if summary.charts:
        yield Text("Control charts", style="bold")
        for chart in summary.charts:
            yield Text(f"  {chart_words(chart)}")
        yield Text()
    if summary.stops:
        yield _stops(summary, zone)
    if summary.replaced:
        yield _replaced(summary, zone)
    yield _kept(summary, zone)
    if summary.units:
        yield _units(summary, zone)
    if summary.reminders:
        yield Text("Still to do, and for the next shift", style="bold")
        for reminder in summary.reminders:
            yield Text(f"  ☐ {reminder}")
        yield Text()
    yield from _cautions(summary)


def _headline(summary: ShiftSummary, zone: tzinfo) -> str:
    so_far = f", so far (known until {clock(summary.so_far, zone)})" if summary.so_far else ""
    hours = f"{clock(summary.start, zone)} to {clock(summary.end, zone)} {summary.time_zone}"
    return (
        f"{summary.site} · {summary.pump} · {summary.day:%a %d %b %Y} · "
        f"shift {summary.shift} {summary.name} · {hours}{so_far}"
    )


def _figures(summary: ShiftSummary) -> Table:
    table = Table.grid(padding=(0, 3))
    pairs = list(figures_of(summary))
    half = (len(pairs) + 1) // 2
    for left, right in zip(pairs[:half], [*pairs[half:], ("", "")], strict=False):
        table.add_row(*left, *right)
    return table


def _smears(summary: ShiftSummary, zone: tzinfo) -> Table:
    table = _table(
        "Smear tests", "time", "verdict", "by", "CoV", "streak mm", "ΔE p95", "shade ΔE", "why, note"
    )
    for smear in summary.smears:
        table.add_row(
            clock(smear.time, zone),
            _MARK[smear.verdict] + (" by eye" if smear.seen_by == "eye" else ""),
            smear.person,
            ordinary(smear.cov, "{:.3f}"),
            ordinary(smear.striation_mm, "{:.1f}"),
            ordinary(smear.delta_e_p95, "{:.1f}"),
            ordinary(smear.shade_delta_e, "{:.1f}"),
            _why(smear),
        )
    return table


def _why(smear: Smear) -> str:
    why = clauses(smear.reasons) or smear.note
    return f"superseded; {why}" if smear.superseded_by else why


def _tests(summary: ShiftSummary, zone: tzinfo) -> Table:
    table = _table("Other tests", "time", "test", "result", "limit", "", "by")
    for test in summary.tests:
        told = f"{test.value}\n{test.why}" if test.why else test.value
        table.add_row(clock(test.time, zone), test.kind, told, test.limit, test_word(test), test.person)
    return table


def _stops(summary: ShiftSummary, zone: tzinfo) -> Table:
    table = _table("Stops", "from", "to", "min", "base purge")
    for stop in summary.stops:
        purge = purge_word(stop, zone)
        table.add_row(clock(stop.start, zone), clock(stop.end, zone), f"{stop.minutes:.0f}", purge)
    return table


def _replaced(summary: ShiftSummary, zone: tzinfo) -> Table:
    table = _table("Replaced", "time", "what", "lot on", "lot off", "by", "why")
    for one in summary.replaced:
        table.add_row(
            clock(one.time, zone),
            one.part.replace("_", " "),
            one.new_lot or "",
            one.old_lot or "",
            one.person,
            one.reason or "",
        )
    return table


def _kept(summary: ShiftSummary, zone: tzinfo) -> Table:
    table = _table("Lots, mixer, room", "", "")
    table.show_header = False
    for row in (*lots_of(summary, zone), *around_of(summary, zone)):
        table.add_row(*row)
    return table


def _units(summary: ShiftSummary, zone: tzinfo) -> Table:
    table = _table("Units", "unit", "from", "to", "stands on", "lots", "")
    for unit in summary.units:
        mark = "✓ covered" if unit.covered else "✗ NOT COVERED"
        mark = "? SUSPECT" if unit.suspect else mark
        table.add_row(
            unit.unit,
            clock(unit.started, zone),
            clock(unit.finished, zone),
            f"smear {clock(unit.smear_at, zone)}" if unit.smear_at else "nothing",
            " + ".join(filter(None, (unit.base_lot, unit.curing_agent_lot))),
            mark,
        )
    return table


def _cautions(summary: ShiftSummary) -> Iterator[Text]:
    for caution in summary.cautions:
        yield Text(caution, style="dim")


def _table(title: str, *columns: str) -> Table:
    table = Table(title=title, title_justify="left", title_style="bold", box=None, pad_edge=False)
    for column in columns:
        table.add_column(column, overflow="fold")
    return table
