"""What do an edge's live sources say now? Modbus devices and a Sparkplug gateway, each in a thread, as packs.

Each source fills packs of its own, since their clocks and rates differ; what one edge sends is one stream all
the same. A source that fails is told of and asked again; the others go on.
"""

import logging
import queue
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from edge.broker import BrokerUrl
from edge.errors import BeadbookError, InputError
from edge.gaugefile import Row
from edge.settings import EdgeSettings
from edge.sources import Event
from edge.sources.gauges import pack_events
from edge.sources.modbus import poll
from edge.sources.sparkplug import Gateway, SparkplugNode, rebirth_command

log = logging.getLogger(__name__)

_WAITING_MAX: Final = 1_000
_LOOK_S: Final = 0.1
_PACK_S: Final = 1.0
_REBIRTH_S: Final = 30.0  # a gateway is asked for its births no more often

Source = Callable[[Callable[[], bool]], Iterator[Row | None]]


def live_events(
    settings: EdgeSettings, site: str, broker: BrokerUrl, ended: Callable[[], bool]
) -> Iterator[Event | None]:
    """Packs as they fill, None where there is nothing new for now, until `ended`.

    broker : where the gateway publishes
    Raises what ends a source for good: a URL that is none, a library that is not there.
    """
    sources: list[tuple[str, Source]] = [
        (device.url, lambda ended, device=device: poll(device, ended))  # type: ignore[misc]
        for device in settings.modbus
    ]
    if settings.sparkplug is not None:
        node = settings.sparkplug
        sources.append((f"gateway {node.node}", lambda ended: hear(node, broker, ended)))
    waiting: queue.Queue[Event | BeadbookError] = queue.Queue(_WAITING_MAX)
    threads = [
        threading.Thread(
            target=_fill, args=(waiting, source, site, settings.pump, ended), name=name, daemon=True
        )
        for name, source in sources
    ]
    for thread in threads:
        thread.start()
    while not ended() or any(thread.is_alive() for thread in threads) or not waiting.empty():
        try:
            found = waiting.get(timeout=_LOOK_S)
        except queue.Empty:
            yield None
            continue
        if isinstance(found, BeadbookError):
            raise found
        yield found


def _fill(
    waiting: "queue.Queue[Event | BeadbookError]",
    source: Source,
    site: str,
    pump: str,
    ended: Callable[[], bool],
) -> None:
    try:
        for event in pack_events(source(ended), site, pump, _PACK_S):
            waiting.put(event)
    except BeadbookError as error:
        waiting.put(error)


def hear(node: SparkplugNode, broker: BrokerUrl, ended: Callable[[], bool]) -> Iterator[Row | None]:
    """Rows of what a gateway publishes. A payload that can't be read is told of and passed over.

    Where its numbers show that something was not heard, or a name is not known, it is asked for its births.
    """
    arrived: queue.Queue[tuple[list[str], bytes]] = queue.Queue(_WAITING_MAX)
    client = mqtt.Client(CallbackAPIVersion.VERSION2, reconnect_on_failure=True)
    broker.identify(client)

    def on_connect(client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            log.error("broker refuses us broker=%s reason=%s", broker, reason)
            return
        client.subscribe([(topic, 1) for topic in node.topics()])

    def on_message(_client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            arrived.put_nowait((message.topic.split("/"), bytes(message.payload)))
        except (queue.Full, UnicodeDecodeError):
            log.error("a message of the gateway is passed over node=%s", node.node)

    client.on_connect = on_connect
    client.on_message = on_message
    client.connect_async(broker.host, broker.port)
    client.loop_start()
    gateway = Gateway(node)
    missed, ask_at = 0, 0.0
    try:
        while not ended():
            if gateway.missed > missed:
                log.error("messages of the gateway never came node=%s count=%d", node.node, gateway.missed)
                missed = gateway.missed
            if gateway.wants_rebirth and time.monotonic() >= ask_at:
                ask_at = time.monotonic() + _REBIRTH_S
                gateway.wants_rebirth = False
                client.publish(node.command_topic(), rebirth_command(time.time_ns() // 1_000_000), qos=0)
            try:
                topic, payload = arrived.get(timeout=_LOOK_S)
            except queue.Empty:
                yield None
                continue
            try:
                device = topic[4] if len(topic) > 4 else None
                yield from gateway.rows(topic[2], payload, time.time_ns() // 1000, device)
            except InputError as error:
                log.error("a message of the gateway is passed over node=%s reason=%s", node.node, error)
    finally:
        client.disconnect()
        client.loop_stop()
