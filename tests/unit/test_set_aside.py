"""Who sends what can't be landed fills a bounded part of the disk, and shuts nobody else out."""

from datetime import UTC, datetime

import pytest

from edge.errors import InputError
from edge.wire import Address, Channel
from pipeline.history import History
from pipeline.land import aside as room
from pipeline.land.allowance import NAMES_MAX, Allowance
from pipeline.land.aside import Aside, BeyondAllowanceError
from pipeline.land.batch import Message
from pipeline.land.landing import Landing
from tests.unit.test_landing import KEY, START, gauges, message

A = Address("hall-9", "edge-a", Channel.GAUGES)
B = Address("hall-9", "edge-b", Channel.GAUGES)


class Clock:
    now = 0.0

    def __call__(self):
        return self.now


@pytest.fixture
def history(tmp_path):
    return History(tmp_path / "home")


def test_a_bucket_empties_and_fills_again_and_each_name_has_its_own():
    clock = Clock()
    bucket = Allowance(3, 0.5, clock)
    assert [bucket.take("a") for _ in range(4)] == [True, True, True, False]
    assert bucket.take("b")
    clock.now = 2.0
    assert [bucket.take("a") for _ in range(2)] == [True, False]
    clock.now = 1e6
    assert not bucket.take("a", 3.5) and bucket.take("a", 3)


def test_made_up_names_share_one_bucket():
    bucket = Allowance(1, 0.0, Clock())
    assert all(bucket.take(f"edge-{n}") for n in range(NAMES_MAX))
    assert bucket.take("one more") and not bucket.take("yet another")
    assert not bucket.take("edge-0")


@pytest.fixture
def few(monkeypatch):
    monkeypatch.setattr(room, "MESSAGES_AT_ONCE", 3)
    monkeypatch.setattr(room, "MESSAGES_PER_S", 0.0)


def test_an_outbox_that_may_have_no_more_set_aside_waits_without_a_receipt(few, history, caplog):
    landing = Landing(history)
    nonsense = [message(n, f"[{n}".encode(), Channel.RECORD) for n in range(1, 6)]
    moved = landing.land([*nonsense, gauges(6)])
    assert (moved.through, moved.rejected, moved.samples) == ({KEY: 3}, 3, 0)
    assert moved.passed_over > 0
    assert caplog.text.count("no more is set aside") == 1
    # Another edge is not held up by it.
    other = Message(
        Address("hall-9", "edge-b", Channel.GAUGES, "b" * 32, 1).topic(), gauges(1).payload, START
    )
    assert landing.land([other]).samples == 10
    # When there is room again, what comes again goes on where it stood: nothing was lost or doubled.
    again = Landing(history).land([*nonsense, gauges(6)])
    assert (again.through, again.rejected, again.samples) == ({KEY: 6}, 2, 10)
    assert len(list((history.home / "rejected").iterdir())) == 5


def test_what_nobody_would_send_again_is_passed_over_and_counted(few, history):
    moved = Landing(history).land([Message("beadbook/v1/x", f"{n}".encode(), START) for n in range(10)])
    assert (moved.rejected, moved.passed_over) == (3, 7)


def test_a_persons_own_files_are_not_limited(few, history):
    batch = Landing(history, trusted=True).batch()
    for n in range(50):
        batch.set_aside(f"file.ndjson:{n}", b"{", A, InputError("is no record", where="line", do="mend it"))
    assert batch.commit().rejected == 50


def test_bytes_count_too(monkeypatch, history):
    monkeypatch.setattr(room, "BYTES_AT_ONCE", 1_000)
    aside = Aside(history)
    now = datetime.now(UTC)
    assert aside.row("t", b"x" * 900, A, "bad", now) is not None
    with pytest.raises(BeyondAllowanceError):
        aside.row("t", b"y" * 200, A, "bad", now)
    assert aside.row("t", b"y" * 200, B, "bad", now) is not None


def test_the_same_thing_is_kept_once_also_by_the_next_landing(monkeypatch, history):
    bad = Message("beadbook/v1/x", b"nonsense", START)
    assert Landing(history).land([bad, bad]).rejected == 1
    assert Landing(history).land([bad]).rejected == 0
    # Memory of it is bounded: what came long before is kept anew, under the same digest.
    monkeypatch.setattr(room, "REMEMBERED", 2)
    landing = Landing(history)
    landing.land([Message("beadbook/v1/x", f"{n}".encode(), START) for n in range(3)])
    assert landing.land([bad]).rejected == 1
    assert len(list((history.home / "rejected").iterdir())) == 4


def test_many_at_once_are_all_on_disk_and_none_by_halves(history):
    landing = Landing(history)
    payloads = [f"nonsense {n}".encode() for n in range(100)]
    landing.land([Message("beadbook/v1/x", payload, START) for payload in payloads])
    kept = {path.name: path.read_bytes() for path in (history.home / "rejected").iterdir()}
    assert sorted(kept.values()) == sorted(payloads)
    assert set(kept) == set(history.read("rejected").column("sha256").to_pylist())


def test_an_edge_that_is_tied_to_its_pumps_speaks_for_no_other(history):
    landing = Landing(history, tied={"edge-a": frozenset({"pump-b"})})
    moved = landing.land([gauges(1)])
    assert (moved.samples, moved.rejected, moved.through) == (0, 1, {KEY: 1})
    (row,) = history.read("rejected").to_pylist()
    assert "edge edge-a: speaks for pump pump-a, which is not one of its own" in row["reason"]
    assert Landing(history, tied={"edge-a": frozenset({"pump-b", "pump-a"})}).land([gauges(2)]).samples == 10
