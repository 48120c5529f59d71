"""The landing commands: serve, import."""

import logging
from pathlib import Path
from typing import Annotated

from typer import Option

from edge.cli import app

Home = Annotated[Path, Option(envvar="BEADBOOK_HOME", help="Folder of the pipeline.")]
DEFAULT_HOME = Path("~/.local/share/beadbook")


@app.command()
def serve(
    home: Home = DEFAULT_HOME,
    broker: Annotated[
        str | None, Option(help="mqtt://[user:password@]host[:port]; one of our own if left out.")
    ] = None,
    listen: Annotated[str, Option(help="Where our own broker listens.")] = "127.0.0.1:1883",
    until_idle: Annotated[
        float | None, Option(min=0.1, help="Stop when nothing has arrived for so long [s].")
    ] = None,
) -> None:
    """Land what edges send: commit it to the history, then receipt it.

    Example: beadbook serve --home ~/shop --broker mqtt://broker.local
    """
    from contextlib import ExitStack

    from edge.broker import parse_broker_url
    from edge.stopping import stop_signal
    from pipeline.history import History
    from pipeline.land.broker import embedded_broker, parse_listen
    from pipeline.land.serve import serve_until

    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s")
    with stop_signal() as stopped, ExitStack() as stack:
        url = (
            parse_broker_url(broker)
            if broker
            else stack.enter_context(embedded_broker(*parse_listen(listen)))
        )
        total = serve_until(
            stopped,
            url,
            History(home.expanduser()),
            until_idle_s=until_idle,
            ready=lambda: print(f"receiving from {url} into {home}", flush=True),
        )
    print(
        f"{total.samples} samples, {total.records} records and {total.photos} photographs landed, "
        f"{total.already} were there already, {total.rejected} set aside"
    )
