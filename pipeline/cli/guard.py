"""The command that shuts the broker to strangers: broker-config."""

import re
from pathlib import Path
from typing import Annotated, Final

from typer import Option

from edge.cli import app
from edge.errors import CallError
from edge.given import check_names

_HOST: Final = re.compile(r"^[A-Za-z0-9:][A-Za-z0-9.:-]{0,252}\Z")


@app.command("broker-config")
def broker_config(
    site: Annotated[str, Option(help="The shop's name.")],
    host: Annotated[list[str], Option(help="Name or address at which edges call the broker; repeat.")],
    out: Annotated[Path, Option(help="Folder for the broker's files; called again it adds to them.")],
    edge: Annotated[list[str] | None, Option(help="An edge or a foreign device; repeat.")] = None,
    watcher: Annotated[
        list[str] | None, Option(help="Sees how pumps stand and nothing else: a light, an interlock.")
    ] = None,
    gateway: Annotated[
        list[str] | None, Option(help="A Sparkplug B gateway, by its node's name; repeat.")
    ] = None,
    revoke: Annotated[
        list[str] | None, Option(help="Takes an edge's access; with --edge too, gives it a new password.")
    ] = None,
    pipeline: Annotated[str, Option(help="Who lands, and alone may receipt and release.")] = "pipeline",
    port: Annotated[int, Option(min=1, max=65535, help="Where the broker listens.")] = 8883,
    client_certificates: Annotated[
        bool, Option("--client-certificates", help="Ask each client for a certificate instead of a password.")
    ] = False,
) -> None:
    """Write what a Mosquitto needs so that nobody can speak for another.

    TLS by an authority of the shop's own, a password for each edge, and who may publish what.

    Example: beadbook broker-config --site hall-9 --host broker.local --edge edge-a --out broker
    """
    from datetime import UTC, datetime

    from pipeline.guard.brokerfiles import CLIENTS, BrokerPlan, write_broker_files
    from pipeline.guard.certificates import expires_at

    check_names(site=site, pipeline=pipeline)
    for name in edge or []:
        check_names(edge=name)
    for name in watcher or []:
        check_names(watcher=name)
    for name in gateway or []:
        check_names(gateway=name)
    for name in host:
        if not _HOST.match(name):
            raise CallError(f"{name!r} is no host", where="--host", do="give a name or an address")
    plan = BrokerPlan(
        site=site,
        hosts=host,
        edges=edge or [],
        pipeline=pipeline,
        watchers=watcher or [],
        gateways=gateway or [],
        port=port,
        client_certificates=client_certificates,
    )
    users = write_broker_files(out, plan, datetime.now(UTC), revoke or [])
    until = expires_at((out / "server.crt").read_bytes(), str(out / "server.crt"))
    print(f"broker:   mosquitto -c {out / 'mosquitto.conf'}    certificate until {until:%Y-%m-%d}")
    for user in users:
        print(f"{user}:   copy {out / CLIENTS / user} to its /etc/beadbook")
    print(f"then take {out / 'ca.key'} off this machine, and bring it back to add or renew")
