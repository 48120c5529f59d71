"""An edge that floods fills no memory, and does not shut out the others."""

from types import SimpleNamespace

import pytest

from edge.broker import BrokerUrl
from pipeline.land import inbox as inbox_room
from pipeline.land.allowance import Allowance
from pipeline.land.inbox import Inbox


class Broker:
    """Stands in for the client: what was acknowledged."""

    def __init__(self):
        self.acknowledged = []

    def ack(self, mid, _qos):
        self.acknowledged.append(mid)


def arrive(box, broker, edge, mid, payload=b"x" * 1000, stream="a" * 32):
    topic = f"beadbook/v1/hall-9/{edge}/gauges/{stream}/{mid}"
    box._on_message(broker, None, SimpleNamespace(topic=topic, qos=1, mid=mid, payload=payload))


@pytest.fixture
def box(monkeypatch):
    monkeypatch.setattr(inbox_room, "EDGE_BYTES_MAX", 10_000)
    return Inbox(BrokerUrl("127.0.0.1"), "test")


def test_what_an_edge_sends_beyond_its_share_is_passed_over(box, caplog):
    broker = Broker()
    for mid in range(1, 101):
        arrive(box, broker, "edge-a", mid)
    arrive(box, broker, "edge-b", 500)
    taken = [message.topic.split("/")[3] for message in box.gather(0.0) or box.gather(3.0)]
    assert taken.count("edge-a") == 6  # 2,000 bytes each with what a message takes beside its payload
    assert taken.count("edge-b") == 1
    # Acknowledged all the same: the outbox, not the broker, keeps and sends again what has no receipt.
    assert broker.acknowledged == [*range(1, 101), 500]
    assert caplog.text.count("more than can be landed") == 1


def test_once_taken_an_edge_has_its_share_again(box):
    broker = Broker()
    for mid in range(1, 20):
        arrive(box, broker, "edge-a", mid)
    assert len(box.gather(3.0)) == 6
    arrive(box, broker, "edge-a", 20)
    assert [message.topic.rpartition("/")[2] for message in box.gather(3.0)] == ["20"]


def test_empty_messages_count_too(box):
    broker = Broker()
    for mid in range(1, 1_000):
        arrive(box, broker, "edge-a", mid, payload=b"")
    assert len(box.gather(3.0)) == 11


def test_a_flood_waits_in_line_and_an_edge_that_sends_little_does_not(box, monkeypatch):
    monkeypatch.setattr(inbox_room, "EDGE_BYTES_MAX", 10_000_000)
    monkeypatch.setattr(inbox_room, "SHARE_MESSAGES", 100)
    broker = Broker()
    for mid in range(1, 2_100):
        arrive(box, broker, "edge-a", mid, payload=b"")
    arrive(box, broker, "edge-b", 5_000)
    batches = [[message.topic.split("/") for message in box.gather(0.5)] for _ in range(3)]
    assert [topic[3] for topic in batches[0]] == ["edge-a"] * 100 + ["edge-b"]
    assert [int(topic[-1]) for topic in batches[1]] == list(range(101, 201))
    assert len(batches[2]) == 100
    left = 0
    while more := box.gather(0.0):
        left += len(more)
    assert left == 2_099 - 300


def test_an_edge_that_sends_without_end_is_held_to_a_rate(box, monkeypatch):
    broker = Broker()
    box._rate = Allowance(20, 0.0)
    monkeypatch.setattr(inbox_room, "EDGE_BYTES_MAX", 10_000_000)
    for mid in range(1, 31):
        arrive(box, broker, "edge-a", mid)
    arrive(box, broker, "edge-b", 1)
    assert len(box.gather(3.0)) == 21
    assert broker.acknowledged == [*range(1, 31), 1]
