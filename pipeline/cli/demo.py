"""The commands that run the whole way: demo, rebuild."""

from pathlib import Path
from typing import Annotated

from typer import Option

from edge.cli import app
from pipeline.cli.land import DEFAULT_HOME, Home, existing_home


@app.command()
def demo(
    home: Annotated[Path, Option(help="Folder to play in; an earlier demo there is replaced.")] = Path(
        "beadbook-demo"
    ),
) -> None:
    """Play a day of an invented shop through all there is.

    Two edges, a broker, landing, scoring, judging and the summaries, in about a minute.

    Example: beadbook demo --home /tmp/demo
    """
    from pipeline.demo import run_demo

    run_demo(home.expanduser())


@app.command()
def rebuild(home: Home = DEFAULT_HOME) -> None:
    """Recompute all that is derived, from what landed.

    After a change of settings or an update. Can be stopped and called again.

    Example: beadbook rebuild --home ~/shop
    """
    from rich.console import Console
    from rich.progress import Progress

    from pipeline.advance import advance, landed_days
    from pipeline.history import History
    from pipeline.settings import load_settings

    home = existing_home(home)
    history, settings = History(home), load_settings(home)
    pumps = landed_days(history)
    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("", total=len(pumps))
        for (site, pump), days in sorted(pumps.items()):
            progress.update(task, description=f"{site} {pump}")
            advance(history, settings, site, pump, days, again=True)
            progress.advance(task)
    print(f"{len(pumps)} pumps rebuilt over {sum(map(len, pumps.values()))} days of gauge data")
