"""How do messages get from the outbox to the pipeline? Sent in order, again if need be, until receipted.

A broker's PUBACK only says that the broker has a message, and brokers drop what a slow subscriber does not
take in time. So a message is sent again unless the pipeline's own receipt comes. The receipts are retained:
each connection begins with the newest one, so nothing needs to be kept by the broker, and every connection is
a clean session.
"""

import logging
import random
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Any, Final, NamedTuple

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from edge.broker import BrokerUrl
from edge.damage import Damage
from edge.errors import InputError
from edge.ids import uuid7
from edge.outbox import Outbox, OutboxDamagedError, OutboxFullError
from edge.records import CaptureGap, ContactLoss, encode_record
from edge.wire import Channel, OutboxNote, decode_receipt, outbox_topic, receipt_topic

log = logging.getLogger(__name__)

# A loss shorter than this is a hiccup of the network that nobody needs to read of.
LOSS_WORTH_TELLING: Final = timedelta(seconds=5)
# Two couriers' windows together stay under the 1,000 messages that a stock Mosquitto queues for a subscriber.
WINDOW_MESSAGES: Final = 400
WINDOW_BYTES: Final = 16 * 1024 * 1024
KEEPALIVE_S: Final = 15
CONNECT_S: Final = 5.0
# A landing gathers a trickle for two seconds and then commits, so sooner a receipt need not come.
RESEND_FIRST_S: Final = 4.0
RESEND_LAST_S: Final = 60.0
# Of how many usual waits for a receipt it takes to believe that none will come.
_PATIENCE: Final = 4.0
_WINDOW_LEAST: Final = 8
RECONNECT_FIRST_S: Final = 0.2
RECONNECT_LAST_S: Final = 15.0
_OTHER_S: Final = 0.2
_IDLE_S: Final = 0.05  # how soon a message put into an idle outbox is seen


class _Sent(NamedTuple):
    seq: int
    size: int
    at: float  # monotonic [s]


class Courier:
    """Sends one outbox's messages to one broker. `run` belongs to one thread; any may call the rest."""

    def __init__(
        self,
        outbox: Callable[[], Outbox],
        broker: BrokerUrl,
        *,
        pumps: Sequence[str],
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        window_messages: int = WINDOW_MESSAGES,
        window_bytes: int = WINDOW_BYTES,
        resend_first_s: float = RESEND_FIRST_S,
        reconnect_last_s: float = RECONNECT_LAST_S,
    ) -> None:
        """
        outbox : opens the outbox, for the thread that runs
        pumps : whose log tells of a loss of contact
        clock : what a loss is timed by; a recording's own when one is replayed
        """
        self._open_outbox = outbox
        self._broker = broker
        self._pumps = pumps
        self._clock = clock
        self._window = window_messages, window_bytes
        self._room = window_messages  # messages that may be under way now: fewer where some got lost
        self._resend_first_s = self._resend_s = resend_first_s
        self._usual_s = resend_first_s / _PATIENCE  # from sending to receipt, smoothed
        self._reconnect_last_s = reconnect_last_s
        self._stop = threading.Event()
        self._may_connect = threading.Event()
        self._may_connect.set()
        self._connected = threading.Event()
        self._in_flight: deque[_Sent] = deque()
        self._bytes_in_flight = 0
        self._sent_through = 0
        self.failure: str | None = None  # why there is no connection, in words, while there is none

    def run(self) -> None:
        """Send until stopped. Connects again by itself, however long that takes."""
        self._outbox = self._open_outbox()
        self._receipts = receipt_topic(self._outbox.site, self._outbox.edge, self._outbox.stream)
        try:
            # Beside a running capture the sending is left to it, and taken over should it end.
            while not self._stop.is_set() and not self._outbox.become_sender():
                self._stop.wait(_OTHER_S)
            self._run()
        finally:
            self._connected.clear()
            self._outbox.close()

    def stop(self) -> None:
        """Let `run` return soon; what is not receipted stays in the outbox."""
        self._stop.set()
        self._may_connect.set()

    def hang_up(self) -> None:
        """Lose contact on purpose, to rehearse an outage, until `call_again`. Returns once it is lost."""
        self._may_connect.clear()
        while self._connected.is_set() and not self._stop.is_set():
            time.sleep(0.005)

    def call_again(self, timeout_s: float = 30.0) -> bool:
        """End a rehearsed outage; whether contact is there again in time."""
        self._may_connect.set()
        return self._connected.wait(timeout_s)

    # -- one connection after another

    def _run(self) -> None:
        wait_s = RECONNECT_FIRST_S
        lost_at = self._clock()
        while not self._stop.is_set():
            self._may_connect.wait()
            client = self._connect()
            if client is None:
                self._note_loss(lost_at)
                # Spread out, so that all edges of a shop do not call a broker that is back in one moment.
                self._stop.wait(wait_s * random.uniform(0.5, 1.0))
                wait_s = min(2 * wait_s, self._reconnect_last_s)
                continue
            wait_s = RECONNECT_FIRST_S
            self.failure = None
            try:
                self._tell_of_loss()
                self._tell_of_damage()
            except OutboxFullError as error:
                log.error("not told yet of what happened, at the next connection reason=%s", error)
            self._announce(client)
            log.info("connected broker=%s outbox=%d", self._broker, self._outbox.depth().messages)
            self._connected.set()
            lost_at = self._serve(client)
            if not self._stop.is_set():
                self._note_loss(lost_at)
                log.warning("contact lost broker=%s outbox=%d", self._broker, self._outbox.depth().messages)
            self._connected.clear()

    def _connect(self) -> mqtt.Client | None:
        """A connection that receives receipts; None if the broker can't be had now."""
        # A new client each time: paho would send again by its own list, and ours begins at the receipt.
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"beadbook-edge-{self._outbox.stream[:12]}",
            clean_session=True,
            reconnect_on_failure=False,
        )
        client.max_inflight_messages_set(0)
        client.connect_timeout = CONNECT_S
        self._broker.identify(client)
        client.on_message = self._on_message
        subscribed: list[bool] = []
        refusals: list[str] = []

        def on_connect(client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
            if reason.is_failure:
                refusals.append(f"refused: {reason}")
            else:
                client.subscribe(self._receipts, qos=1)

        client.on_connect = on_connect
        client.on_subscribe = lambda *_: subscribed.append(True)
        self._forget_in_flight()
        deadline = time.monotonic() + CONNECT_S
        try:
            client.connect(self._broker.host, self._broker.port, keepalive=KEEPALIVE_S)
            while not (subscribed or refusals or self._stop.is_set()) and time.monotonic() < deadline:
                if client.loop(_IDLE_S) != mqtt.MQTT_ERR_SUCCESS:
                    break
        except (OSError, ValueError) as error:
            refusals.append(str(error))
        if subscribed:
            return client
        self._note_failure(refusals[0] if refusals else "no answer")
        with suppress(OSError):
            client.disconnect()
        return None

    def _note_failure(self, reason: str) -> None:
        if reason != self.failure:
            depth = self._outbox.depth()
            log.warning(
                "outbox holding messages=%d broker=%s reason=%s", depth.messages, self._broker, reason
            )
        self.failure = reason

    def _serve(self, client: mqtt.Client) -> datetime:
        """Send and take receipts while the connection lasts; the moment since which nothing came through."""
        heard_at = self._clock()
        heard: list[bool] = []
        client.on_publish = lambda *_: heard.append(True)
        while not self._stop.is_set() and self._may_connect.is_set():
            full = not self._send(client)
            if client.loop(0.5 if full else _IDLE_S) != mqtt.MQTT_ERR_SUCCESS:
                break
            # With nothing under way silence says nothing, so the broker counts as heard.
            if heard or not self._in_flight:
                heard.clear()
                heard_at = self._clock()
        if self._stop.is_set() or not self._may_connect.is_set():
            heard_at = self._clock()
            with suppress(OSError):
                client.disconnect()
        return heard_at

    def _send(self, client: mqtt.Client) -> bool:
        """Fill the window; whether there is room for more."""
        if self._in_flight and time.monotonic() - self._in_flight[0].at > self._resend_s:
            log.warning(
                "no receipt for seq=%d in %.0f s, sending again", self._in_flight[0].seq, self._resend_s
            )
            self._resend_s = min(2 * self._resend_s, RESEND_LAST_S)
            # Most likely a queue on the way was full, so less is sent at a time, and slowly more again.
            self._room = max(_WINDOW_LEAST, self._room // 2)
            self._forget_in_flight()
        messages = self._room - len(self._in_flight)
        size = self._window[1] - self._bytes_in_flight
        if messages <= 0 or size <= 0:
            return False
        for held in self._outbox.after(self._sent_through, messages, size):
            client.publish(self._outbox.address(held).topic(), held.payload, qos=1)
            self._in_flight.append(_Sent(held.seq, len(held.payload), time.monotonic()))
            self._bytes_in_flight += len(held.payload)
            self._sent_through = held.seq
        return True

    def _forget_in_flight(self) -> None:
        """Begin again with the first message that has no receipt."""
        self._in_flight.clear()
        self._bytes_in_flight = 0
        self._sent_through = self._outbox.first() - 1

    def _on_message(self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        if message.topic != self._receipts:
            return  # amqtt hands a client that comes back other clients' retained messages too
        try:
            receipt = decode_receipt(bytes(message.payload))
            self._outbox.receipted(receipt)
        except OutboxDamagedError:
            raise
        except InputError as error:
            log.error("receipt refused reason=%s", error)
            return
        if self._in_flight and receipt.through >= self._in_flight[0].seq:
            self._usual_s += (time.monotonic() - self._in_flight[0].at - self._usual_s) / 4
            self._resend_s = min(max(self._resend_first_s, _PATIENCE * self._usual_s), RESEND_LAST_S)
            self._room = min(self._window[0], self._room + self._room // 8)
        also = set(receipt.also)
        while self._in_flight and (
            self._in_flight[0].seq <= receipt.through or self._in_flight[0].seq in also
        ):
            self._bytes_in_flight -= self._in_flight.popleft().size

    # -- what the pipeline should know

    def _note_loss(self, at: datetime) -> None:
        try:
            self._outbox.contact_lost(at)
        except OutboxFullError as error:
            log.error("the time of the loss of contact is not kept reason=%s", error)

    def _announce(self, client: mqtt.Client) -> None:
        note = OutboxNote(first=self._outbox.first(), held=self._outbox.depth().messages)
        topic = outbox_topic(self._outbox.site, self._outbox.edge, self._outbox.stream)
        client.publish(topic, msgspec.json.encode(note), qos=1, retain=True)

    def _tell_of_loss(self) -> None:
        back_at = self._clock()
        lost_at = self._outbox.contact_lost(back_at)
        told = self._pumps if back_at - lost_at >= LOSS_WORTH_TELLING else ()
        held = self._outbox.depth().messages
        self._outbox.contact_back(
            [
                encode_record(
                    ContactLoss(
                        id=uuid7(int(back_at.timestamp() * 1000)),
                        site=self._outbox.site,
                        pump=pump,
                        at=lost_at,
                        by=self._outbox.edge,
                        edge=self._outbox.edge,
                        back_at=back_at,
                        held=held,
                    )
                )
                for pump in told
            ]
        )

    def _tell_of_damage(self) -> None:
        """Keep a record for each pump where the outbox could not be read in full."""
        told = self._outbox.fact("damaged")
        if told is None:
            return
        damage = msgspec.json.decode(told, type=Damage)
        until = datetime.fromtimestamp(damage.until, UTC)
        gaps = [
            CaptureGap(
                id=uuid7(),
                site=self._outbox.site,
                pump=pump,
                at=until if damage.since is None else datetime.fromtimestamp(damage.since, UTC),
                by=self._outbox.edge,
                edge=self._outbox.edge,
                until=until,
                cause="damaged",
                packs=damage.messages,
            )
            for pump in self._pumps
        ]
        self._outbox.note("damaged", None, [(Channel.RECORD, encode_record(gap)) for gap in gaps])
