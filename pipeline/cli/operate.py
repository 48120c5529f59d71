"""The commands that keep a site running: doctor, backup, restore, thin, units."""

import logging
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated

import msgspec
from typer import Exit, Option

import edge
import pipeline
from edge.cli import Ca, Cert, PasswordFile, app
from edge.errors import InputError
from edge.sentences import counted
from pipeline.cli.land import DEFAULT_HOME, Home, existing_home


@app.command()
def doctor(
    home: Home = DEFAULT_HOME,
    broker: Annotated[
        str | None, Option(envvar="BEADBOOK_BROKER", help="mqtt[s]://[user[:password]@]host[:port] to try.")
    ] = None,
    ca: Ca = None,
    password_file: PasswordFile = None,
    cert: Cert = None,
    outbox: Annotated[Path | None, Option(help="An edge's outbox to look into.")] = None,
    as_json: Annotated[bool, Option("--json", help="One object a line.")] = False,
) -> None:
    """Look whether all is well, and say what to do.

    Broker, clock, disk, calibration dates, landing, history, and an edge's outbox where it is named.
    Exit status 1 where anything is to be done.

    Example: beadbook doctor --home ~/shop --broker mqtt://broker.local
    """
    from edge.broker import parse_broker_url
    from pipeline.doctor import examine

    home = existing_home(home)
    url = None if broker is None else parse_broker_url(broker, ca=ca, password_file=password_file, cert=cert)
    trouble = 0
    for finding in examine(home, url, outbox):
        trouble += not finding.well
        if as_json:
            print(msgspec.json.encode(finding).decode())
        else:
            print(f"{'well   ' if finding.well else 'TROUBLE'} {finding.of}: {finding.found}", flush=True)
            if finding.do:
                print(f"        {finding.do}")
    if trouble:
        raise Exit(1)


@app.command()
def backup(
    to: Annotated[Path, Option(help="A new folder for it.")],
    home: Home = DEFAULT_HOME,
) -> None:
    """Copy a home, also while it lands.

    Example: beadbook backup --home ~/shop --to /mnt/backup/2026-10-14
    """
    from pipeline.backup import back_up

    copied = back_up(existing_home(home), to.expanduser())
    print(f"{counted(copied.files, 'file')}, {copied.bytes / 1e6:.1f} MB in {to}")


@app.command()
def restore(
    source: Annotated[Path, Option("--from", help="A folder that `backup` made.")],
    home: Home = DEFAULT_HOME,
) -> None:
    """Put a backup in place as a home.

    What edges send again, or what is imported again, is stored once.

    Example: beadbook restore --from /mnt/backup/2026-10-14 --home ~/shop
    """
    from pipeline.backup import restore as put_in_place

    copied = put_in_place(source.expanduser(), home.expanduser())
    print(f"{counted(copied.files, 'file')}, {copied.bytes / 1e6:.1f} MB in {home}")


@app.command()
def thin(
    older_than_days: Annotated[int, Option(min=30, help="Days whose readings all stay.")],
    home: Home = DEFAULT_HOME,
) -> None:
    """Thin old raw gauge rows to one in ten seconds.

    Records, photographs and features stay whole: what was derived from the full readings stands. Stop
    `serve` first.

    Example: beadbook thin --older-than-days 730 --home ~/shop
    """
    from pipeline.history import History
    from pipeline.retention import thin_before

    logging.basicConfig(level=logging.WARNING)
    history = History(existing_home(home))
    with history.only_landing():
        thinned = thin_before(history, (datetime.now(UTC) - timedelta(days=older_than_days)).date())
        history.compact()
    kept = f"{thinned.rows_after} of {thinned.rows_before} rows kept"
    print(f"{counted(thinned.days, 'day')} thinned, {kept}")


@app.command()
def units(
    to: Annotated[Path, Option(help="Where systemd looks for them.")] = Path("/etc/systemd/system"),
) -> None:
    """Write the systemd units of edge and pipeline.

    Their first lines say how they are set up.

    Example: beadbook units --to /etc/systemd/system
    """
    if not to.is_dir():
        raise InputError("is no folder", where=str(to), do="name the folder where systemd looks for units")
    for package in (edge, pipeline):
        for unit in sorted((Path(str(package.__file__)).parent / "systemd").iterdir()):
            shutil.copyfile(unit, to / unit.name)
            print(to / unit.name)
