"""How does the shop floor see whether a pump may make units? On the broker, for a light or an interlock.

beadbook/v1/<site>/<pump>/release    {"state": "release"|"hold", "since": ..., "reasons": [...]}
"""

from contextlib import suppress
from datetime import datetime

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from edge.broker import BrokerUrl
from edge.wire import release_topic
from edge.words import ReleaseState


class Standing(msgspec.Struct, frozen=True):
    """What is told of a pump."""

    state: ReleaseState
    since: datetime
    reasons: tuple[str, ...]


class Andon:
    """A connection of its own, so that telling never gets in the way of landing."""

    def __init__(self, broker: BrokerUrl) -> None:
        self._broker = broker
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        broker.identify(self._client)

    def __enter__(self) -> "Andon":
        self._client.connect_async(self._broker.host, self._broker.port)
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        with suppress(OSError):
            self._client.disconnect()
        self._client.loop_stop()

    def tell(self, site: str, pump: str, standing: Standing) -> None:
        """Say how a pump stands; the broker keeps the last word for whoever asks later."""
        payload = msgspec.json.encode(standing)
        self._client.publish(release_topic(site, pump), payload, qos=1, retain=True)
