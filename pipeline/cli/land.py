"""The landing commands: serve, import."""

import logging
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from typer import Argument, Exit, Option

from edge.cli import Ca, Cert, PasswordFile, app
from edge.errors import InputError
from edge.given import check_names, parse_past
from edge.sentences import counted

if TYPE_CHECKING:
    from pipeline.land.batch import Landed

Home = Annotated[Path, Option(envvar="BEADBOOK_HOME", help="Folder of the pipeline.")]
DEFAULT_HOME = Path("~/.local/share/beadbook")


def existing_home(home: Path) -> Path:
    """The home, where something has landed already. Raises InputError if there is none."""
    home = home.expanduser()
    if not home.is_dir():
        raise InputError("there is no such home", where=str(home), do="name one with --home")
    return home


@app.command()
def serve(
    home: Home = DEFAULT_HOME,
    broker: Annotated[
        str | None,
        Option(
            envvar="BEADBOOK_BROKER", help="mqtt[s]://[user[:password]@]host[:port]; our own if left out."
        ),
    ] = None,
    ca: Ca = None,
    password_file: PasswordFile = None,
    cert: Cert = None,
    listen: Annotated[str, Option(help="Where our own broker listens.")] = "127.0.0.1:1883",
    until_idle: Annotated[
        float | None, Option(min=0.1, help="Stop when nothing has arrived for so long [s].")
    ] = None,
    metrics: Annotated[
        str | None, Option(help="host:port where /metrics and /health are answered; not, if left out.")
    ] = None,
) -> None:
    """Land and judge what edges send, until stopped.

    What lands is durable before its receipt; how each pump stands is told on the broker.

    Example: beadbook serve --home ~/shop --broker mqtt://broker.local
    """
    from contextlib import ExitStack

    from edge.broker import parse_broker_url
    from edge.stopping import stop_signal
    from edge.watching import parse_listen, watched
    from pipeline.beside import Beside
    from pipeline.history import History
    from pipeline.judge.release import ReleaseSpan
    from pipeline.land.andon import Andon, Standing
    from pipeline.land.broker import embedded_broker
    from pipeline.land.counted import Counts
    from pipeline.land.serve import serve_until
    from pipeline.retention import thin_before
    from pipeline.settings import load_settings

    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s")
    home = home.expanduser()
    settings = load_settings(home)  # a site.toml that can't be read is said now, not at the first pump
    with stop_signal() as stopped, ExitStack() as stack:
        url = (
            parse_broker_url(broker, ca=ca, password_file=password_file, cert=cert)
            if broker
            else stack.enter_context(embedded_broker(*parse_listen(listen, "--listen")))
        )
        silent_s = settings.limits.silent_s if settings.limits.gauges_required else None
        andon = stack.enter_context(Andon(url, silent_s=silent_s))

        def told(site: str, pump: str, span: ReleaseSpan) -> None:
            andon.tell(site, pump, Standing(span.state, span.start, span.reasons))

        beside = stack.enter_context(Beside(home, told))
        counts = Counts(andon.standings)
        if metrics is not None:
            stack.enter_context(watched(parse_listen(metrics, "--metrics"), counts.metrics, counts.trouble))

        def moved(batch: "Landed") -> None:
            counts.count(batch)
            andon.heard(batch.newest)

        history = History(home)

        def tidy() -> None:
            if settings.raw_days is not None:
                thin_before(history, (datetime.now(UTC) - timedelta(days=settings.raw_days)).date())

        total = serve_until(
            stopped,
            url,
            history,
            until_idle_s=until_idle,
            tied={name: edge.pumps() for name, edge in settings.edges.items()},
            expect=beside.expect,
            landed=beside.note,
            moved=moved,
            alive=counts.alive,
            tidy=tidy,
            ready=lambda: print(f"receiving from {url} into {home}", flush=True),
        )
    print(_summary(total))


@app.command("import")
def import_files(
    paths: Annotated[list[Path], Argument(help="Gauge files, streams, photographs, or folders of them.")],
    site: Annotated[str, Option(help="The shop's name.")],
    pump: Annotated[str | None, Option(help="The pump's name; gauge files and photographs need it.")] = None,
    by: Annotated[str | None, Option(help="Who took the photographs.")] = None,
    sheet: Annotated[str | None, Option(help="The printed sheet's number.")] = None,
    taken_at: Annotated[
        str | None, Option(help="ISO 8601 with offset; from each photograph if left out.")
    ] = None,
    home: Home = DEFAULT_HOME,
) -> None:
    """Land and judge files: gauges, streams, photographs.

    What is there already is passed over, so it can be stopped and called again.

    Example: beadbook import week42/ --site hall-9 --pump pump-a --by "R. Okafor"
    """
    from rich.console import Console
    from rich.progress import Progress

    from pipeline.advance import advance
    from pipeline.behind import Behind
    from pipeline.history import History
    from pipeline.land.batch import Landed
    from pipeline.land.files import Labels, check_labels, files_below, land_file
    from pipeline.land.landing import Landing
    from pipeline.settings import load_settings

    check_names(site=site, **({} if pump is None else {"pump": pump}))
    at = None if taken_at is None else parse_past(taken_at, "--taken-at")
    home = home.expanduser()
    settings = load_settings(home)
    labels = Labels(site, pump, by, sheet, at, settings.zone)
    files = files_below(paths)
    check_labels(files, labels)
    history = History(home)
    total = Landed({}, set())
    behind = Behind(home)
    refusals = 0
    console = Console(stderr=True, highlight=False)
    logging.basicConfig(level=logging.ERROR)

    def moved(landed: Landed) -> None:
        nonlocal total
        total = total.and_then(landed)
        behind.landed(landed.touched)

    def refused(reason: str) -> None:
        nonlocal refusals
        refusals += 1
        console.print(f"beadbook: {reason}", markup=False, soft_wrap=True)

    with (
        history.only_landing(),
        Progress(console=console, transient=True, disable=not sys.stderr.isatty()) as progress,
    ):
        task = progress.add_task("", total=len(files))
        landing = Landing(history, expect=behind.expect, trusted=True)
        for file in files:
            progress.update(task, description=file.name)
            land_file(landing, file, labels, moved, refused)
            progress.advance(task)
        history.compact()
        progress.update(task, description="analysing")
        for (place, name), days in behind.take().items():
            advance(history, settings, place, name, days)
            behind.done(place, name)
    print(_summary(total))
    if refusals:
        raise Exit(3)


def _summary(total: "Landed") -> str:
    landed = (
        *(counted(total.samples, "sample"), counted(total.records, "record")),
        counted(total.photos, "photograph"),
    )
    return (
        f"{landed[0]}, {landed[1]} and {landed[2]} landed, "
        f"{total.already} were there already, {total.rejected} set aside"
    )
