"""What does a Mosquitto need so that nobody speaks for another? Its files, and one folder for each client.

    DIR/mosquitto.conf acl passwords ca.crt server.crt server.key revoked.crl      for the broker
    DIR/issued                                                        serial numbers and names of certificates
    DIR/ca.key                                                        to keep off the broker, once all is made
    DIR/clients/<name>/ca.crt password broker.env [client.pem]        for that edge, the pipeline, a watcher

Called again it keeps the authority and each password, adds clients, and renews the broker's certificate.
"""

import os
import shutil
import stat
from collections.abc import Iterable, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Final

from msgspec import Struct

from edge.errors import CallError, InputError
from edge.files import write_durably
from edge.wire import HEAD_BYTES_MAX, PHOTO_BYTES_MAX
from pipeline.guard.acl import access_list
from pipeline.guard.certificates import (
    Signed,
    make_authority,
    revoked_serials,
    serial_of,
    sign_client,
    sign_revocations,
    sign_server,
)
from pipeline.guard.passwords import new_password, password_line

CLIENTS: Final = "clients"
_REVOKED, _ISSUED = "revoked.crl", "issued"
_SECRET, _SHARED, _OPEN = 0o600, 0o640, 0o644
_BROKER_GROUP: Final = "mosquitto"
# A topic and the framing around the largest photo.
_PACKET_BYTES_MAX: Final = PHOTO_BYTES_MAX + HEAD_BYTES_MAX + 4096


class BrokerPlan(Struct, frozen=True, kw_only=True):
    """What is asked for. hosts : names and addresses at which edges call the broker, first the usual one."""

    site: str
    hosts: Sequence[str]
    edges: Sequence[str]
    pipeline: str = "pipeline"
    watchers: Sequence[str] = ()
    gateways: Sequence[str] = ()
    port: int = 8883
    client_certificates: bool = False


def write_broker_files(out: Path, plan: BrokerPlan, now: datetime, revoked: Iterable[str] = ()) -> list[str]:
    """Write all of it below `out`; the clients there are now.

    revoked : clients that lose their access; one named in the plan too gets a new password
    Raises CallError for names that clash, InputError for files that can't be used.
    """
    folder = out.absolute()
    gone = set(revoked)
    old = {role: _there(folder, role) for role in ("edge", "watcher", "gateway")}
    for name in gone.difference(*old.values()):
        raise CallError(f"{name!r} has no access", where="--revoke", do=f"see {folder / CLIENTS}")
    edges = sorted((old["edge"] - gone) | set(plan.edges))
    watchers = sorted((old["watcher"] - gone) | set(plan.watchers))
    gateways = sorted((old["gateway"] - gone) | set(plan.gateways))
    roles = {"edge": edges, "watcher": watchers, "gateway": gateways, "pipeline": [plan.pipeline]}
    users = [plan.pipeline, *edges, *watchers, *gateways]
    if len(set(users)) < len(users):
        raise CallError(
            "two of edges, watchers, gateways and the pipeline share a name",
            where="broker-config",
            do="give each its own",
        )
    if not edges:
        raise CallError("no edge is named", where="broker-config", do="name each with --edge")
    authority = _authority(folder, plan.site, now)
    _revoke(folder, authority, gone, now)
    server = sign_server(authority, plan.hosts, now)
    _write(folder / "server.crt", server.certificate, _OPEN)
    _write(folder / "server.key", server.key, _SHARED)
    lines = []
    for user in users:
        role = next(role for role, names in roles.items() if user in names)
        lines.append(password_line(user, _client(folder, user, role, plan, authority, now)))
    _write(folder / "passwords", ("\n".join(lines) + "\n").encode(), _SHARED)
    _write(folder / "acl", access_list(plan.site, edges, plan.pipeline, watchers, gateways).encode(), _SHARED)
    _write(folder / "mosquitto.conf", _configuration(folder, plan).encode(), _OPEN)
    return users


def _authority(folder: Path, site: str, now: datetime) -> Signed:
    certificate, key = folder / "ca.crt", folder / "ca.key"
    if certificate.exists() and not key.exists():
        raise InputError(
            "is not there, so nothing can be signed",
            where=str(key),
            do="bring it back, or give another --out",
        )
    if not certificate.exists():
        made = make_authority(site, now)
        _write(key, made.key, _SECRET)
        _write(certificate, made.certificate, _OPEN)
    return Signed(certificate.read_bytes(), key.read_bytes())


def _revoke(folder: Path, authority: Signed, gone: set[str], now: datetime) -> None:
    """Put every certificate that those clients ever had on the list, and take their folders away."""
    listed, issued = folder / _REVOKED, folder / _ISSUED
    serials = revoked_serials(listed.read_bytes()) if listed.exists() else set()
    for line in issued.read_text().splitlines() if issued.exists() else ():
        serial, _, name = line.partition(" ")
        if name in gone:
            serials.add(int(serial))
    for name in gone:
        last = folder / CLIENTS / name / "client.pem"
        if last.exists():
            serials.add(serial_of(last.read_bytes()))
    # Before the folders go: called again after a cut, it finds them once more.
    _write(listed, sign_revocations(authority, serials, now), _OPEN)
    for name in gone:
        shutil.rmtree(folder / CLIENTS / name)


def _client(folder: Path, user: str, role: str, plan: BrokerPlan, authority: Signed, now: datetime) -> str:
    """Write a client's folder; its password, the one that stands there already if there is one."""
    own = folder / CLIENTS / user
    own.mkdir(parents=True, exist_ok=True)
    own.chmod(stat.S_IRWXU)
    kept = own / "password"
    password = kept.read_text().strip() if kept.exists() else new_password()
    _write(kept, f"{password}\n".encode(), _SECRET)
    _write(own / "role", f"{role}\n".encode(), _OPEN)
    _write(own / "ca.crt", authority.certificate, _OPEN)
    # For a shell or a systemd unit, which reads it as EnvironmentFile; paths are to lie beside it there.
    told = {
        "BEADBOOK_BROKER": f"mqtts://{user}@{_in_url(plan.hosts[0])}:{plan.port}",
        "BEADBOOK_CA": "/etc/beadbook/ca.crt",
        "BEADBOOK_PASSWORD_FILE": "/etc/beadbook/password",
    }
    if plan.client_certificates:
        signed = sign_client(authority, user, now)
        with (folder / _ISSUED).open("a") as issued:
            issued.write(f"{serial_of(signed.certificate)} {user}\n")
        _write(own / "client.pem", signed.certificate + signed.key, _SECRET)
        told["BEADBOOK_CERT"] = "/etc/beadbook/client.pem"
    _write(own / "broker.env", "".join(f"{key}={value}\n" for key, value in told.items()).encode(), _OPEN)
    return password


def _configuration(folder: Path, plan: BrokerPlan) -> str:
    # With a certificate asked for, its common name is the user: a password alone opens nothing then.
    asks = "true" if plan.client_certificates else "false"
    revoked = f"crlfile {folder}/{_REVOKED}\n" if plan.client_certificates else ""
    return f"""# Written by `beadbook broker-config`: call that again rather than edit this.
per_listener_settings false
listener {plan.port}
cafile {folder}/ca.crt
certfile {folder}/server.crt
keyfile {folder}/server.key
tls_version tlsv1.2
require_certificate {asks}
use_identity_as_username {asks}
{revoked}allow_anonymous false
password_file {folder}/passwords
acl_file {folder}/acl

# An edge keeps what has no receipt; these keep one that sends too much from filling the broker.
max_packet_size {_PACKET_BYTES_MAX}
max_queued_messages 10000
max_connections 1000
persistent_client_expiration 14d
"""


def _there(folder: Path, role: str) -> set[str]:
    roles = folder.glob(f"{CLIENTS}/*/role")
    return {path.parent.name for path in roles if path.read_text().strip() == role}


def _in_url(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _write(path: Path, data: bytes, mode: int) -> None:
    write_durably(path, data, mode)
    # Mosquitto reads its files as a user of its own, of the group that its package makes.
    if mode == _SHARED and os.geteuid() == 0:
        with suppress(LookupError):
            shutil.chown(path, group=_BROKER_GROUP)
