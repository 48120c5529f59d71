"""How does landing go on? Batch after batch: committed, receipted, acknowledged, until it is stopped."""

import logging
import secrets
import threading
import time
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Final

from deltalake.exceptions import DeltaError

from edge.broker import BrokerUrl
from edge.errors import InputError
from edge.files import write_durably
from edge.wire import decode_outbox_note, sender_of_outbox
from pipeline.history import History
from pipeline.land.batch import Landed, Message, PumpDay
from pipeline.land.inbox import Inbox
from pipeline.land.landing import Landing

log = logging.getLogger(__name__)

COMPACT_EVERY: Final = 200  # commits
_LOOK_S: Final = 0.25
_RETRY_FIRST_S: Final = 1.0
_RETRY_LAST_S: Final = 30.0


def serve_until(
    stopped: threading.Event,
    broker: BrokerUrl,
    history: History,
    *,
    until_idle_s: float | None = None,
    tied: Mapping[str, frozenset[str]] = MappingProxyType({}),
    expect: Callable[[set[PumpDay]], None] = lambda _touched: None,
    landed: Callable[[set[PumpDay]], None] = lambda _touched: None,
    moved: Callable[[Landed], None] = lambda _moved: None,
    alive: Callable[[bool], None] = lambda _connected: None,
    tidy: Callable[[], None] = lambda: None,
    ready: Callable[[], None] = lambda: None,
) -> Landed:
    """Land all that edges send until `stopped`; what was moved in all.

    until_idle_s : stop as well when nothing has arrived for so long [s]
    tied : edges that speak for these pumps alone
    expect, landed : called before and after each commit with the pumps and UTC dates it brings something for
    moved : called after each batch with what it moved
    alive : called at each look, with whether there is contact to the broker
    tidy : called now and then, and at first, when nothing is being committed
    ready : called once, when messages are being received
    Raises InputError if another landing holds the home.
    """
    total = Landed({}, set())
    with history.only_landing(), Inbox(broker, _client_id(history)) as inbox:
        landing = Landing(history, expect=expect, tied=tied)
        quiet_since = time.monotonic()
        batches = 0
        told = False
        tidy()
        while not stopped.is_set():
            if not told and inbox.connected.is_set():
                told = True
                ready()
            alive(inbox.connected.is_set())
            messages = inbox.gather(_LOOK_S)
            if not messages:
                if until_idle_s is not None and time.monotonic() - quiet_since >= until_idle_s:
                    break
                continue
            quiet_since = time.monotonic()
            batch = _land(landing, inbox, messages, stopped)
            if batch is None:
                continue
            total = total.and_then(batch)
            moved(batch)
            if batch.touched:
                landed(batch.touched)
            batches += 1
            if batches % COMPACT_EVERY == 0:
                history.compact()
                tidy()
        history.compact()
    return total


def _land(landing: Landing, inbox: Inbox, messages: list[Message], stopped: threading.Event) -> Landed | None:
    """One batch, from decoding to acknowledgement; None if it could not be committed and will come again."""
    began = time.monotonic()
    sent: list[Message] = []
    for message in messages:
        sender = sender_of_outbox(message.topic)
        if sender is None:
            sent.append(message)
            continue
        try:
            landing.note(sender, decode_outbox_note(message.payload))
        except InputError as error:
            log.error("note refused topic=%.200s reason=%.500s", message.topic, error)
    wait_s = _RETRY_FIRST_S
    while True:
        try:
            moved = landing.land(sent)
            break
        except (OSError, DeltaError) as error:
            landing.forget()
            log.error("nothing can be committed, trying again in %.0f s reason=%s", wait_s, error)
            if stopped.wait(wait_s):
                return None
            wait_s = min(2 * wait_s, _RETRY_LAST_S)
    inbox.receipt(moved.through)
    inbox.acknowledge(messages)
    log.info(
        "landed messages=%d samples=%d records=%d photos=%d rejected=%d already=%d passed_over=%d in_ms=%d",
        len(sent),
        moved.samples,
        moved.records,
        moved.photos,
        moved.rejected,
        moved.already,
        moved.passed_over,
        (time.monotonic() - began) * 1000,
    )
    return moved


def _client_id(history: History) -> str:
    """This home's own name at a broker."""
    path = history.home / "landing.id"
    if not path.exists():
        write_durably(path, secrets.token_hex(8).encode())
    return f"beadbook-land-{path.read_text()}"
