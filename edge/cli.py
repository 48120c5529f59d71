"""Which commands does the edge have? Parses, calls one room, prints, sets the exit status."""

import json
import logging
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing
from datetime import UTC, datetime
from heapq import merge
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, NoReturn

import msgspec
import typer
from typer import Argument, Option
from typer.core import TyperGroup

from edge.errors import BeadbookError, CallError, InputError
from edge.given import check_fields, check_names, field_of, fields_of, parse_moment, parse_past
from edge.records import KINDS
from edge.sentences import counted

if TYPE_CHECKING:
    from edge.broker import BrokerUrl
    from edge.sources import Event

# As the help lists them: a first look, single files, the pump's side, the pipeline's, and the answers.
_ORDER: Final = (
    *("demo", "sheet", "score", "inspect", "record", "photo", "capture", "replay"),
    *("broker-config", "serve", "import", "rebuild", "summary", "logbook", "query"),
    *("release", "suspect", "rules", "limits", "shade"),
    *("doctor", "outbox", "backup", "restore", "thin", "units"),
)


class _Commands(TyperGroup):
    """The commands in the order in which a person comes to need them."""

    def list_commands(self, ctx: typer.Context) -> list[str]:  # type: ignore[override]  # noqa: ARG002
        """Names in order; one that is not in it comes last."""
        return sorted(self.commands, key=lambda name: (*_ORDER, name).index(name))


app = typer.Typer(
    cls=_Commands,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Release or hold, shift by shift, for pumps of two-part structural silicone.",
)


def run(commands: typer.Typer) -> None:
    """Run the command line; what a person did wrong ends in one sentence and its exit status."""
    try:
        status = commands(sys.argv[1:] or ["--help"], prog_name="beadbook", standalone_mode=False)
        sys.exit(status or 0)
    except BeadbookError as error:
        _end(str(error), error.exit_status)
    except SystemExit as left:
        if isinstance(left.__context__, BrokenPipeError):
            sys.exit(0)  # the reader (head, less) has gone: nothing is wrong
        raise
    except OSError as error:
        # A folder that is a file, a disk that is read-only: what no room has put into better words.
        where = error.filename or "a file"
        _end(f"{where}: {error.strerror or error}; check the path and its permissions.", 3)
    except Exception as error:
        # A call that typer refuses: its own report takes four lines. Its versions keep their exceptions in
        # different places, so they are told by what they can do.
        if not hasattr(error, "format_message"):
            raise
        said = " ".join(error.format_message().rstrip(".").split()).replace("Value error, ", "")
        command = getattr(getattr(error, "ctx", None), "command_path", "beadbook")
        where = command.removeprefix("beadbook").lstrip() or "command line"
        _end(f"{where}: {said}; see {command} --help.", 2)


def _end(sentence: str, status: int) -> NoReturn:
    print(f"beadbook: {sentence}", file=sys.stderr)
    sys.exit(status)


Site = Annotated[str, Option(help="The shop's name.")]
Edge = Annotated[str, Option(help="This computer's name.")]
Pump = Annotated[str, Option(help="The pump's name.")]
By = Annotated[str, Option(help="Who does it.")]
Broker = Annotated[
    str, Option(envvar="BEADBOOK_BROKER", help="mqtt://[user[:password]@]host[:port]; mqtts for TLS.")
]
Ca = Annotated[
    Path | None, Option("--ca", envvar="BEADBOOK_CA", help="Authority that the broker's certificate is from.")
]
PasswordFile = Annotated[
    Path | None, Option(envvar="BEADBOOK_PASSWORD_FILE", help="File with the password; out of ps and logs.")
]
Cert = Annotated[
    Path | None, Option(envvar="BEADBOOK_CERT", help="Our certificate with its key, where the broker asks.")
]
OutboxFile = Annotated[Path, Option("--outbox", help="File that keeps what is not receipted yet.")]
Timeout = Annotated[float, Option(min=0.1, help="Give up when nothing is receipted for so long [s].")]
LOCAL_BROKER = "mqtt://127.0.0.1:1883"
DEFAULT_OUTBOX = Path("outbox.sqlite")


@app.command()
def replay(
    files: Annotated[
        list[Path], Argument(help="Gauge files (.csv, .csv.gz) and recorded streams (.ndjson).")
    ],
    site: Site,
    edge: Edge,
    pump: Pump,
    broker: Broker = LOCAL_BROKER,
    ca: Ca = None,
    password_file: PasswordFile = None,
    cert: Cert = None,
    outbox: OutboxFile = DEFAULT_OUTBOX,
    speed: Annotated[float, Option(min=1e-3, help="Times real time.")] = 1.0,
    fast: Annotated[bool, Option("--fast", help="As fast as possible.")] = False,
    pack_s: Annotated[float, Option(min=0.01, max=60, help="Seconds of gauge rows in a message.")] = 1.0,
    photos: Annotated[Path | None, Option(help="Folder of the photographs that a stream names.")] = None,
    offline: Annotated[
        list[str] | None,
        Option(help="FROM/TO: rehearse a network outage between two times of the recording."),
    ] = None,
    timeout: Timeout = 60.0,
) -> None:
    """Play recordings as if they happened now.

    Several files are played together, in order of time; done when all is receipted.

    Example: beadbook replay a.csv.gz a_records.ndjson --site hall-9 --edge edge-a --pump pump-a --fast
    """
    from edge.broker import parse_broker_url
    from edge.courier import Courier
    from edge.outbox import Outbox
    from edge.replay import CourierThread, RecordingClock, play

    check_names(site=site, edge=edge, pump=pump)
    outages = sorted(_outage(text) for text in offline or [])
    clock = RecordingClock()
    courier = Courier(
        lambda: Outbox(outbox, site, edge),
        parse_broker_url(broker, ca=ca, password_file=password_file, cert=cert),
        pumps=[pump],
        clock=clock,
        reconnect_last_s=2.0,
        resend_first_s=2.0,
    )
    events = _events(files, site, pump, pack_s, photos)
    box = Outbox(outbox, site, edge)
    first = next(events, None)
    if first is not None:
        clock.move_to(first.at_us)
    with Progress() as progress, CourierThread(courier) as thread:
        put = play(
            _again(first, events),
            box,
            thread,
            clock,
            speed=None if fast else speed,
            outages=outages,
            timeout_s=timeout,
            moved=lambda messages: progress.show(f"put {messages}, {box.depth().messages} not receipted yet"),
        )
    print(f"{counted(put, 'message')} receipted")


@app.command()
def capture(
    site: Site,
    edge: Edge,
    pump: Pump,
    gauges: Annotated[Path | None, Option(help="A logger's gauge file, read on as it grows.")] = None,
    watch: Annotated[Path | None, Option(help="A folder; photographs laid in it are sent.")] = None,
    config: Annotated[
        Path | None, Option(help="The site's TOML: sources in [edges.NAME], Modbus and Sparkplug B.")
    ] = None,
    by: By = "pump camera",
    broker: Broker = LOCAL_BROKER,
    ca: Ca = None,
    password_file: PasswordFile = None,
    cert: Cert = None,
    outbox: OutboxFile = DEFAULT_OUTBOX,
    from_start: Annotated[
        bool, Option("--from-start", help="Send the rows already in the file too.")
    ] = False,
    outbox_mb: Annotated[
        float | None,
        Option(
            min=1, help="What may wait before the oldest gauge rows are thinned [MB]; the disk, if left out."
        ),
    ] = None,
    metrics: Annotated[
        str | None, Option(help="host:port where /metrics and /health are answered; not, if left out.")
    ] = None,
) -> None:
    """Send gauges and photographs as they come, until stopped.

    Connects again by itself; what could not be sent is kept in the outbox, also over a restart.

    Example: beadbook capture --site hall-9 --edge edge-a --pump pump-a --gauges /var/log/gauges.csv
    """
    from edge.broker import parse_broker_url
    from edge.capture import capture_until
    from edge.courier import Courier
    from edge.depth import OutboxWatch
    from edge.outbox import Outbox, OutboxDamagedError
    from edge.replay import CourierThread
    from edge.settings import load_edge
    from edge.sources.live import live_events
    from edge.stopping import stop_signal
    from edge.watching import parse_listen, watched

    check_names(site=site, edge=edge, pump=pump)
    if gauges is None and watch is None and config is None:
        raise CallError(
            "nothing to capture", where="capture", do="give --gauges FILE, --watch DIR or --config FILE"
        )
    settings = None
    if config is not None:
        settings = load_edge(config, edge)
        if gauges is not None:
            raise CallError("two sources of gauges", where="capture", do="give --gauges or --config")
        if settings.pump != pump:
            raise CallError(
                f"the file says pump {settings.pump}, the call {pump}", where="capture", do="mend either"
            )
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s")
    url = parse_broker_url(broker, ca=ca, password_file=password_file, cert=cert)
    with stop_signal() as stopped, ExitStack() as stack:
        if metrics is not None:
            seen = OutboxWatch(outbox)
            stack.enter_context(watched(parse_listen(metrics, "--metrics"), seen.metrics, seen.trouble))
        while not stopped.is_set():
            courier = Courier(lambda: Outbox(outbox, site, edge), url, pumps=[pump])
            try:
                with closing(Outbox(outbox, site, edge)) as box, CourierThread(courier) as thread:
                    capture_until(
                        stopped,
                        box,
                        thread.check,
                        pump=pump,
                        by=by,
                        gauges=gauges,
                        watch=watch,
                        live=None if settings is None else live_events(settings, site, url, stopped.is_set),
                        from_start=from_start,
                        limit_bytes=None if outbox_mb is None else round(outbox_mb * 1e6),
                    )
            except OutboxDamagedError as error:
                logging.getLogger(__name__).error("%s", error)


@app.command("outbox")
def outbox_command(
    outbox: OutboxFile = DEFAULT_OUTBOX,
    as_json: Annotated[bool, Option("--json", help="One object.")] = False,
) -> None:
    """Show what waits in an outbox, and since when.

    Example: beadbook outbox --outbox ~/outbox.sqlite
    """
    from edge.depth import look_into

    inside = look_into(outbox)
    if as_json:
        print(msgspec.json.encode(inside).decode())
        return
    kinds = ", ".join(f"{count} {channel}" for channel, count in sorted(inside.by_channel.items()))
    print(f"{inside.edge} of {inside.site}: {counted(inside.messages, 'message')} not receipted yet", end="")
    print(f" ({kinds}), {inside.bytes / 1e6:.1f} MB" if inside.messages else "")
    if inside.oldest_at is not None:
        since = datetime.fromtimestamp(inside.oldest_at, UTC)
        print(
            f"the oldest since {since:%Y-%m-%d %H:%M:%S} UTC, {(time.time() - inside.oldest_at) / 60:.1f} min"
        )
    if inside.lost_at is not None:
        print(f"no contact with the broker since {inside.lost_at}")


@app.command()
def photo(
    site: Site,
    edge: Edge,
    pump: Pump,
    by: By,
    files: Annotated[list[Path] | None, Argument(help="Photographs of smear samples.")] = None,
    camera: Annotated[
        str | None, Option(help="Take one now: a camera's number, device or URL; needs OpenCV.")
    ] = None,
    sheet: Annotated[str | None, Option(help="The printed sheet's number.")] = None,
    taken_at: Annotated[str | None, Option(help="ISO 8601 with offset; the file's time if left out.")] = None,
    broker: Broker = LOCAL_BROKER,
    ca: Ca = None,
    password_file: PasswordFile = None,
    cert: Cert = None,
    outbox: OutboxFile = DEFAULT_OUTBOX,
    timeout: Timeout = 60.0,
) -> None:
    """Send photographs of smear samples; done when they are landed.

    Example: beadbook photo smear.jpg --site hall-9 --edge edge-a --pump pump-a --by "R. Okafor"
    """
    from edge.broker import parse_broker_url
    from edge.sources.camera import camera_event
    from edge.sources.photos import check_picture, photo_event

    check_names(site=site, edge=edge, pump=pump)
    url = parse_broker_url(broker, ca=ca, password_file=password_file, cert=cert)
    at = None if taken_at is None else parse_past(taken_at, "--taken-at")
    files = files or []
    if bool(files) == (camera is not None):
        raise CallError("no photograph, or two ways to one", where="photo", do="name files or give --camera")
    for file in files:
        check_picture(file)
    taken = [] if camera is None else [camera_event(camera, pump=pump, by=by, sheet=sheet)]
    _send(
        taken or [photo_event(file, pump=pump, by=by, taken_at=at, sheet=sheet) for file in files],
        site,
        edge,
        pump,
        url,
        outbox,
        timeout,
    )


@app.command()
def record(
    kind: Annotated[str, Argument(help=f"One of {', '.join(sorted(KINDS))}.", show_default=False)],
    site: Site,
    edge: Edge,
    pump: Pump,
    by: By,
    note: Annotated[str, Option(help="Anything worth knowing.")] = "",
    at: Annotated[str | None, Option(help="ISO 8601 with offset; now if left out.")] = None,
    broker: Broker = LOCAL_BROKER,
    ca: Ca = None,
    password_file: PasswordFile = None,
    cert: Cert = None,
    outbox: OutboxFile = DEFAULT_OUTBOX,
    timeout: Timeout = 60.0,
    fields: Annotated[
        list[str] | None, Argument(help="field=value; value as JSON, or plain text.", show_default=False)
    ] = None,
) -> None:
    """Send one test, changeover or unit; done when it is landed.

    A field that is wrong or missing is told with all the fields of its kind.

    Example: beadbook record snap_time minutes=42 --site hall-9 --edge edge-a --pump pump-a --by "R. Okafor"
    """
    from edge.broker import parse_broker_url
    from edge.ids import uuid7
    from edge.records import decode_record, encode_record
    from edge.sources import Event
    from edge.wire import Channel

    check_names(site=site, edge=edge, pump=pump)
    url = parse_broker_url(broker, ca=ca, password_file=password_file, cert=cert)
    moment = datetime.now(UTC) if at is None else parse_past(at, "--at")
    told: dict[str, Any] = dict(field_of(text) for text in fields or [])
    head = {"kind": kind, "id": str(uuid7()), "site": site, "pump": pump, "at": moment.isoformat(), "by": by}
    head["note"] = note
    check_fields(kind, told)
    try:
        checked = decode_record(json.dumps({**told, **head}).encode(), f"record {kind}")
    except InputError as error:
        what = error.what.removeprefix("not a record: ")
        raise CallError(what, where=error.where, do=f"{kind} takes {fields_of(kind)}") from None
    event = Event(round(moment.timestamp() * 1e6), Channel.RECORD, encode_record(checked))
    _send([event], site, edge, pump, url, outbox, timeout)


def _send(
    events: list["Event"],
    site: str,
    edge: str,
    pump: str,
    broker: "BrokerUrl",
    outbox: Path,
    timeout: float,
) -> None:
    """Put events into the outbox and see them receipted."""
    from edge.courier import Courier
    from edge.outbox import Outbox
    from edge.replay import CourierThread, RecordingClock, play

    courier = Courier(lambda: Outbox(outbox, site, edge), broker, pumps=[pump])
    with CourierThread(courier) as thread:
        put = play(
            events, Outbox(outbox, site, edge), thread, RecordingClock(), speed=None, timeout_s=timeout
        )
    print(f"{counted(put, 'message')} receipted")


def _events(files: list[Path], site: str, pump: str, pack_s: float, photos: Path | None) -> Iterator["Event"]:
    """What the files recorded, in order of time."""
    from edge.gaugefile import read_gauge_file
    from edge.sources.gauges import pack_events
    from edge.sources.stream import read_stream

    streams = [file for file in files if ".ndjson" in file.suffixes]
    gauges = [read_gauge_file(file) for file in files if file not in streams]
    # Rows of one moment from two files travel in one pack, and so become one row of the history at once.
    rows = merge(*gauges, key=lambda row: row.at_us)
    sources = [read_stream(file, site, photos) for file in streams]
    return merge(pack_events(rows, site, pump, pack_s), *sources, key=lambda event: event.at_us)


def _again(first: "Event | None", rest: Iterator["Event"]) -> Iterator["Event"]:
    if first is not None:
        yield first
        yield from rest


def _outage(text: str) -> Any:
    from edge.replay import Outage

    start, _, end = text.partition("/")
    outage = Outage(parse_moment(start, "--offline"), parse_moment(end, "--offline"))
    if outage.back_at <= outage.lost_at:
        raise CallError(f"{text!r} ends before it begins", where="--offline", do="give it as FROM/TO")
    return outage


class Progress:
    """One line on standard error that changes in place; nothing where it is no terminal."""

    def __init__(self) -> None:
        self._shown_at = 0.0

    def __enter__(self) -> "Progress":
        return self

    def __exit__(self, *_: object) -> None:
        if self._shown_at:
            print(file=sys.stderr)

    def show(self, text: str) -> None:
        """Show how far it is, a few times a second."""
        now = time.monotonic()
        if sys.stderr.isatty() and now - self._shown_at > 0.2:
            self._shown_at = now
            print(f"\r\x1b[K{text}", end="", file=sys.stderr, flush=True)
