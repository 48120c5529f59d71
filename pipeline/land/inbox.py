"""What has arrived from the broker? Messages in batches worth a commit; receipts back to the edges.

A message that will get a receipt is acknowledged to the broker as it comes, so that the broker's small window
is no brake: its outbox keeps it, and sends it again until the receipt. One that gets none (a foreign
device's) is acknowledged when it is durable, and so is everything while too much waits in memory.
"""

import logging
import sys
import threading
import time
from collections import Counter, deque
from collections.abc import Iterable, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any, Final

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from edge.broker import BrokerUrl
from edge.wire import UPWARD, Receipt, Sender, receipt_topic
from pipeline.land.allowance import NAMES_MAX, Allowance
from pipeline.land.batch import Message

log = logging.getLogger(__name__)

BATCH_MESSAGES: Final = 2_000
BATCH_BYTES: Final = 16 * 1024 * 1024
HELD_BYTES_MAX: Final = 128 * 1024 * 1024
# What one edge may have waiting; beyond it its messages are passed over, and its outbox sends them again. An
# edge's own courier keeps to a sixth of it.
EDGE_BYTES_MAX: Final = 96 * 1024 * 1024
_MESSAGE_BYTES: Final = 1_000  # what a message takes beside its payload
# A courier that drains a shift sends 1,500 messages a second; what sends ten thousand for long is no courier.
EDGE_MESSAGES_PER_S: Final = 10_000.0
EDGE_MESSAGES_AT_ONCE: Final = 100_000.0
# What one edge may put into one batch, so that another's message waits for a second and not for all of its.
SHARE_MESSAGES: Final = 10_000
SHARE_BYTES: Final = 32 * 1024 * 1024
# A trickle of gauge packs is gathered for longer, so that a day makes fewer files. Where somebody waits for a
# verdict, a drain runs, or the broker waits for an acknowledgement (20 at most, by default), it is not.
TRICKLE_S: Final = 2.0
PROMPT_S: Final = 0.1
DRAIN_MESSAGES: Final = 3  # of one stream within a second: a live one sends one
DRAIN_S: Final = 1.0
FOREIGN_MESSAGES: Final = 15
_KEEPALIVE_S: Final = 30
_RECONNECT_LAST_S: Final = 15


class Inbox:
    """A subscription to all that edges send. `gather` and `receipt` belong to the thread that lands."""

    def __init__(self, broker: BrokerUrl, client_id: str) -> None:
        """client_id : the home's own, so that a broker keeps foreign devices' messages for it."""
        self._broker = broker
        self._ready = threading.Condition()
        self._waiting: dict[str, deque[Message]] = {}  # by edge
        self._messages = 0
        self._bytes = 0
        self._foreign = 0
        self._by_sender: Counter[str] = Counter()
        self._by_edge: Counter[str] = Counter()  # bytes
        self._rate = Allowance(EDGE_MESSAGES_AT_ONCE, EDGE_MESSAGES_PER_S)
        self._too_much: set[str] = set()  # edges that were told of
        self._prompt = False
        self._first_at = 0.0
        self._wakes_at = 0.0  # when `gather` looks again of itself
        self._connection = 0
        self.connected = threading.Event()
        self._client = client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=False, manual_ack=True
        )
        client.max_inflight_messages_set(0)
        client.reconnect_delay_set(1, _RECONNECT_LAST_S)
        broker.identify(client)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_connect_fail = self._on_connect_fail
        client.on_subscribe = lambda *_: self.connected.set()
        client.on_message = self._on_message

    def __enter__(self) -> "Inbox":
        self._client.connect_async(self._broker.host, self._broker.port, keepalive=_KEEPALIVE_S)
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        with suppress(OSError):
            self._client.disconnect()
        self._client.loop_stop()

    def gather(self, timeout_s: float) -> list[Message]:
        """The next batch, when it is worth a commit; empty if nothing has come for `timeout_s`."""
        deadline = time.monotonic() + timeout_s
        with self._ready:
            while True:
                now = time.monotonic()
                due = self._due() if self._waiting else deadline
                if now >= due:
                    return self._take()
                self._wakes_at = due
                self._ready.wait(due - now)

    def _due(self) -> float:
        """When the waiting messages are to be landed. Monotonic [s]."""
        if (
            self._messages >= BATCH_MESSAGES
            or self._bytes >= BATCH_BYTES
            or self._foreign >= FOREIGN_MESSAGES
        ):
            return 0.0
        return self._first_at + (PROMPT_S if self._prompt else TRICKLE_S)

    def _take(self) -> list[Message]:
        """A share of each edge's waiting messages, in their order."""
        taken: list[Message] = []
        for edge in list(self._waiting):
            waiting, share = self._waiting[edge], SHARE_BYTES
            for _ in range(min(len(waiting), SHARE_MESSAGES)):
                message = waiting.popleft()
                taken.append(message)
                size = len(message.payload) + _MESSAGE_BYTES
                self._by_edge[edge] -= size
                self._bytes -= size
                share -= size
                if share <= 0:
                    break
            if not waiting:
                del self._waiting[edge], self._by_edge[edge]
        self._messages -= len(taken)
        self._first_at = 0.0  # of what is left: it has waited long enough
        self._foreign, self._prompt = 0, False
        self._by_sender.clear()
        return taken

    def receipt(self, through: Mapping[Sender, int]) -> None:
        """Tell outboxes what is durable: sender -> seq."""
        for sender, seq in through.items():
            payload = msgspec.json.encode(Receipt(through=seq))
            self._client.publish(receipt_topic(*sender), payload, qos=1, retain=True)

    def acknowledge(self, messages: Iterable[Message]) -> None:
        """Tell the broker that these are durable, as far as it waits for it."""
        for message in messages:
            if message.handle is not None and message.handle[0] == self._connection:
                self._client.ack(message.handle[1], 1)

    # -- called by the client's own thread

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:
        if reason.is_failure:
            log.error("broker refuses us broker=%s reason=%s", self._broker, reason)
            return
        # Ids of messages belong to a connection; the broker sends again what it has no acknowledgement for.
        self._connection += 1
        log.info("subscribed broker=%s", self._broker)
        client.subscribe([(topic, 1) for topic in UPWARD])

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:
        self.connected.clear()
        if reason.is_failure:
            log.warning("contact lost broker=%s reason=%s", self._broker, reason)

    def _on_connect_fail(self, _client: mqtt.Client, _data: Any) -> None:
        # paho calls this while it handles the exception, which it does not hand on: a certificate that is
        # refused must be told apart from a cable that is out.
        log.warning("no contact broker=%s reason=%s, trying again", self._broker, sys.exception())

    def _on_message(self, client: mqtt.Client, _data: Any, arrived: mqtt.MQTTMessage) -> None:
        try:
            topic = arrived.topic
        except UnicodeDecodeError:
            client.ack(arrived.mid, arrived.qos)
            return
        foreign = topic.count("/") == 4
        late = arrived.qos == 1 and (foreign or self._bytes > HELD_BYTES_MAX)
        handle = (self._connection, arrived.mid) if late else None
        payload = bytes(arrived.payload)
        edge = "/".join(topic.split("/", 4)[:4])[:200]
        if self._by_edge[edge] > EDGE_BYTES_MAX or not self._rate.take(edge):
            if edge not in self._too_much and len(self._too_much) < NAMES_MAX:
                self._too_much.add(edge)
                log.error("an edge sends more than can be landed, passed over edge=%r", edge)
            if arrived.qos == 1:
                client.ack(arrived.mid, 1)
            return
        message = Message(topic, payload, datetime.now(UTC), handle)
        now = time.monotonic()
        with self._ready:
            if not self._waiting:
                self._first_at = now
            self._waiting.setdefault(edge, deque()).append(message)
            self._messages += 1
            self._bytes += len(payload) + _MESSAGE_BYTES
            self._by_edge[edge] += len(payload) + _MESSAGE_BYTES
            self._foreign += late
            sender = topic.rpartition("/")[0]
            self._by_sender[sender] += 1
            drains = self._by_sender[sender] >= DRAIN_MESSAGES and now - self._first_at < DRAIN_S
            self._prompt |= drains or "/photo/" in topic or "/record/" in topic
            # To wake it for each message of a flood takes longer than to land one.
            if self._due() < self._wakes_at:
                self._wakes_at = 0.0
                self._ready.notify()
        if arrived.qos == 1 and not late:
            client.ack(arrived.mid, 1)
