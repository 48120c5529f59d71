"""Where is the broker, and who are we there? One URL, mqtts for TLS, and files for what must stay secret.

A password in a URL stands in the process list for everyone to read, so it may also come from a file or from
the environment: BEADBOOK_PASSWORD_FILE, BEADBOOK_PASSWORD. Neither ever stands in a log.
"""

import logging
import os
import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final
from urllib.parse import unquote, urlsplit

import paho.mqtt.client as mqtt

from edge.errors import CallError, InputError

log = logging.getLogger(__name__)

PORT = 1883
PORT_TLS = 8883
PASSWORD: Final = "BEADBOOK_PASSWORD"
_PASSWORD_BYTES_MAX: Final = 4096


@dataclass(frozen=True)
class BrokerUrl:
    """A broker's address and who we are there.

    ca : file of the authority that the broker's certificate must be from; the system's own if None
    cert : file with our own certificate and its key, where the broker asks for one
    """

    host: str
    port: int = PORT
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca: Path | None = None
    cert: Path | None = None

    def identify(self, client: mqtt.Client) -> None:
        """Let a client say who we are there, and speak TLS if the broker does. Raises InputError."""
        if self.user is not None:
            client.username_pw_set(self.user, self.password)
        if self.tls:
            client.tls_set_context(self._context())

    def _context(self) -> ssl.SSLContext:
        """TLS 1.2 or later, to a broker whose name and authority are checked."""
        try:
            context = ssl.create_default_context(cafile=self.ca)
        except (OSError, ssl.SSLError) as error:
            raise _unusable(self.ca, error, "name the shop's ca.crt with --ca") from None
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if self.cert is not None:
            try:
                # A key with a pass phrase would ask for it on the terminal of a service that has none.
                context.load_cert_chain(self.cert, password=lambda: "")
            except (OSError, ssl.SSLError) as error:
                raise _unusable(
                    self.cert, error, "name a file with certificate and unlocked key with --cert"
                ) from None
        return context

    def __str__(self) -> str:
        """The address as a log may show it: without the password."""
        return f"{'mqtts' if self.tls else 'mqtt'}://{self.host}:{self.port}"


def parse_broker_url(
    text: str,
    *,
    ca: Path | None = None,
    password_file: Path | None = None,
    cert: Path | None = None,
    environ: Mapping[str, str] = os.environ,
) -> BrokerUrl:
    """The broker in a URL. Raises CallError if it is none, InputError for a file that can't be used."""

    def refuse(what: str, do: str = "give it as mqtt://host:1883") -> CallError:
        return CallError(what, where=f"broker {_without_password(text)!r}", do=do)

    try:
        url = urlsplit(text)
        port = url.port
    except ValueError as error:
        raise refuse(str(error)) from None
    if url.scheme not in ("mqtt", "mqtts"):
        raise refuse("not a URL of mqtt:// or mqtts://")
    if not url.hostname:
        raise refuse("names no host")
    if url.path not in ("", "/") or url.query or url.fragment:
        raise refuse("has more than a host and a port")
    tls = url.scheme == "mqtts"
    if not tls and (ca or cert):
        raise refuse("is not encrypted, so no certificate is looked at", "give it as mqtts://host:8883")
    user = unquote(url.username) if url.username else None
    password = unquote(url.password) if url.password else None
    if password is None:
        password = _read_password(password_file) if password_file else environ.get(PASSWORD)
    if user is None and password_file:
        raise refuse("names no user for the password", "give it as mqtts://USER@host")
    broker = BrokerUrl(
        url.hostname,
        port if port is not None else PORT_TLS if tls else PORT,
        user,
        password if user is not None else None,
        tls,
        ca,
        cert,
    )
    if tls:
        broker._context()  # once here, so that a file that can't be used is told at once
    elif broker.password is not None and broker.host not in ("localhost", "127.0.0.1", "::1"):
        log.warning("the password travels unencrypted broker=%s, use mqtts://", broker)
    return broker


def _read_password(path: Path) -> str:
    """The first line of a file. Raises InputError."""
    try:
        with path.expanduser().open("rb") as file:
            line = file.read(_PASSWORD_BYTES_MAX).partition(b"\n")[0].rstrip(b"\r").decode()
    except (OSError, UnicodeDecodeError) as error:
        raise _unusable(path, error, "name a file with the password in its first line") from None
    if not line:
        raise InputError("holds no password", where=str(path), do="write it in the file's first line")
    return line


def _unusable(path: Path | None, error: Exception, do: str) -> InputError:
    reason = getattr(error, "strerror", None) or getattr(error, "reason", None) or type(error).__name__
    return InputError(f"can't be used ({reason})", where=str(path), do=do)


def _without_password(text: str) -> str:
    head, _, tail = text.rpartition("@")
    return f"{head.split(':')[0]}://...@{tail}" if head else text
