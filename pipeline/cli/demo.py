"""The commands that run the whole way: demo, rebuild."""

from collections.abc import Iterator
from datetime import date
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
def rebuild(
    scheduler: Annotated[
        str | None, Option(help="Address of a Dask scheduler, as tcp://host:8786; a pump a task.")
    ] = None,
    home: Home = DEFAULT_HOME,
) -> None:
    """Recompute all that is derived, from what landed.

    After a change of settings or an update. Can be stopped and called again. With --scheduler, on the
    workers of a Dask cluster that see the home under the same path.

    Example: beadbook rebuild --home ~/shop
    """
    from rich.console import Console
    from rich.progress import Progress

    from pipeline.advance import landed_days
    from pipeline.history import History
    from pipeline.scatter import scattered

    home = existing_home(home)
    pumps = landed_days(History(home))
    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("", total=len(pumps))
        done = _one_by_one(home, pumps) if scheduler is None else scattered(scheduler, home, pumps)
        for site, pump in done:
            progress.update(task, description=f"{site} {pump}", advance=1)
    print(f"{len(pumps)} pumps rebuilt over {sum(map(len, pumps.values()))} days of gauge data")


def _one_by_one(home: Path, pumps: dict[tuple[str, str], set[date]]) -> Iterator[tuple[str, str]]:
    from pipeline.scatter import rebuild_pump

    for (site, pump), days in sorted(pumps.items()):
        yield rebuild_pump(str(home), site, pump, sorted(days))
