"""Where is the broker? One URL: mqtt://[user:password@]host[:port], mqtts for TLS."""

import ssl
from typing import NamedTuple
from urllib.parse import unquote, urlsplit

import paho.mqtt.client as mqtt

from edge.errors import CallError

PORT = 1883
PORT_TLS = 8883


class BrokerUrl(NamedTuple):
    """A broker's address and who we are there."""

    host: str
    port: int = PORT
    user: str | None = None
    password: str | None = None
    tls: bool = False

    def identify(self, client: mqtt.Client) -> None:
        """Let a client say who we are there, and speak TLS if the broker does."""
        if self.user is not None:
            client.username_pw_set(self.user, self.password)
        if self.tls:
            client.tls_set_context(ssl.create_default_context())

    def __str__(self) -> str:
        """The address as a log may show it: without the password."""
        return f"{'mqtts' if self.tls else 'mqtt'}://{self.host}:{self.port}"


def parse_broker_url(text: str) -> BrokerUrl:
    """The broker in a URL. Raises CallError if it is none."""

    def refuse(what: str) -> CallError:
        return CallError(what, where=f"broker {_without_password(text)!r}", do="give it as mqtt://host:1883")

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
    return BrokerUrl(
        url.hostname,
        port if port is not None else PORT_TLS if tls else PORT,
        unquote(url.username) if url.username else None,
        unquote(url.password) if url.password else None,
        tls,
    )


def _without_password(text: str) -> str:
    head, _, tail = text.rpartition("@")
    return f"{head.split(':')[0]}://...@{tail}" if head else text
