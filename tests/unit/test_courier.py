"""The courier believes a receipt only where it is its own outbox's."""

from datetime import UTC, datetime
from types import SimpleNamespace

import pytest

from edge.broker import BrokerUrl
from edge.courier import Courier
from edge.outbox import Outbox
from edge.wire import Channel, receipt_topic


@pytest.fixture
def courier(tmp_path):
    box = Outbox(tmp_path / "outbox.sqlite", "hall-9", "edge-a")
    box.put_many([(Channel.GAUGES, b"x")] * 5)
    made = Courier(lambda: box, BrokerUrl("nowhere"), pumps=["pump-a"], clock=lambda: datetime.now(UTC))
    made._outbox, made._receipts = box, receipt_topic("hall-9", "edge-a", box.stream)
    return made


def hear(courier, topic, payload):
    courier._on_message(None, None, SimpleNamespace(topic=topic, payload=payload))
    return courier._outbox.depth().messages


def test_its_own_receipt_is_believed(courier):
    assert hear(courier, courier._receipts, b'{"through":3}') == 2


@pytest.mark.parametrize("payload", [b'{"through":9}', b"{}", b"", b'{"through":-1}'])
def test_a_receipt_that_cannot_be_is_not(courier, payload):
    assert hear(courier, courier._receipts, payload) == 5


def test_another_outboxs_receipt_is_not(courier):
    # amqtt 0.12 hands a client that comes back every client's retained messages.
    assert hear(courier, receipt_topic("hall-9", "edge-a", "f" * 32), b'{"through":5}') == 5
