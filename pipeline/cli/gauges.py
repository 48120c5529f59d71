"""The gauge command: inspect."""

import json
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from edge.cli import app
from edge.errors import CallError

if TYPE_CHECKING:
    from rich.table import Table

    from pipeline.derive.gauges.results import GaugeAnalysis
    from pipeline.derive.gauges.settings import GaugeSettings


@app.command()
def inspect(
    gauges: Annotated[Path, typer.Argument(help="A gauge file: CSV, also gzipped.", show_default=False)],
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object for the recording.")] = False,
    stroke_ml: Annotated[
        str | None,
        typer.Option(
            help="Displacement of one stroke in millilitres, where no site settings give it.",
            metavar="base=N,catalyst=N",
        ),
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option(
            help="Write a plot: .html to zoom from a week to a stroke, .png to print.", metavar="FILE"
        ),
    ] = None,
    flags: Annotated[
        Path | None,
        typer.Option(
            help="Write the QARTOD flag of every sample and gauge, and the test that gave it: "
            "columns ts, gauge, flag, test, as .csv or .parquet.",
            metavar="FILE",
        ),
    ] = None,
    follow: Annotated[
        bool,
        typer.Option("--follow", help="Say each second what the pump does, of a file that is still written."),
    ] = False,
    check: Annotated[
        bool,
        typer.Option(
            "--check", help="Exit 1 on a gauge out of balance, an unpurged stop or a fault of a gauge."
        ),
    ] = False,
) -> None:
    """Say what a pump did, by a recording of its gauges.

    States, strokes, balance, stops and purges, changeovers, faults of gauges.

    Example: beadbook inspect monday.csv.gz --stroke-ml base=160,catalyst=20 --plot monday.html
    """
    settings = _settings(stroke_ml)
    if follow:
        if as_json or check or plot is not None or flags is not None:
            raise CallError(
                "goes with neither --json, --plot, --flags nor --check", where="--follow", do="give it alone"
            )
        _follow(gauges, settings)
        return

    from pipeline.cli.gauge_drawing import Traces, check_plot, draw
    from pipeline.cli.gauge_flags import check_flags, write_flags
    from pipeline.cli.gauge_pieces import watched_pieces
    from pipeline.derive.gauges.analyse import Analyser
    from pipeline.derive.gauges.report import as_json as to_json
    from pipeline.derive.gauges.report import holds

    if plot is not None:
        check_plot(plot)
    if flags is not None:
        check_flags(flags, gauges)
    analyser, traces = Analyser(settings), Traces()
    for piece in watched_pieces(gauges):
        analyser.feed(piece)
        if plot is not None:
            traces.add(piece)
    analysis = analyser.findings()
    if plot is not None:
        draw(plot, gauges.name, traces, analysis, settings)
    # Faults are only known once all was read: the file is read a second time.
    flagged = 0 if flags is None else write_flags(flags, watched_pieces(gauges), analysis, settings)
    if as_json:
        print(json.dumps(to_json(analysis), allow_nan=False))
    else:
        from rich.console import Console

        Console().print(_summary(gauges.name, analysis))
        if plot is not None:
            Console().print(f"plot written to {plot}")
        if flags is not None:
            Console().print(f"{flagged} flags written to {flags}")
    raise typer.Exit(1 if check and holds(analysis) else 0)


def _follow(path: Path, settings: "GaugeSettings") -> None:
    """A line a second while rows come, until Ctrl-C."""
    from pipeline.derive.gauges.live import Live
    from pipeline.derive.gauges.report import now_line
    from pipeline.gaugefile import GrowingFile

    growing, live = GrowingFile(path), Live(settings)
    try:
        while True:
            came = False
            while (rows := growing.more()) is not None:
                live.feed(rows)
                came = True
            now = live.now() if came else None
            if now is not None:
                print(now_line(now), flush=True)
            time.sleep(1.0)
    except KeyboardInterrupt:
        return


def _settings(stroke_ml: str | None) -> "GaugeSettings":
    import msgspec

    from pipeline.derive.gauges.settings import GaugeSettings

    if stroke_ml is None:
        return GaugeSettings()
    try:
        pairs = dict(pair.split("=") for pair in stroke_ml.split(","))
        if unknown := set(pairs) - {"base", "catalyst"}:
            raise ValueError(f"unknown part {min(unknown)!r}")
        sizes = {f"{part}_stroke_ml": float(size) for part, size in pairs.items()}
        return msgspec.convert(sizes, GaugeSettings)
    except (ValueError, msgspec.ValidationError):
        raise CallError(
            f"{stroke_ml!r} is not a pair of displacements above 0",
            where="--stroke-ml",
            do="write it as base=160,catalyst=20, in millilitres",
        ) from None


def _summary(name: str, analysis: "GaugeAnalysis") -> "Table":
    """What a person wants to see at once."""
    from rich.table import Table

    from pipeline.derive.gauges.report import summary_lines

    table = Table(title=name, show_header=False, title_justify="left")
    for what, text in summary_lines(analysis):
        table.add_row(what, text)
    return table
