"""When the disk fills, the oldest gauge packs are thinned, then none is kept, and it is written down."""

from datetime import timedelta

import msgspec
import pytest

import edge.room
from edge.outbox import Outbox, OutboxFullError
from edge.records import CaptureGap, decode_record
from edge.room import Keeper
from edge.senml import gauge_columns, pack_rows
from edge.wire import Channel
from edge.words import Gauge
from tests.running import START

SITE = "hall-9"
START_US = round(START.timestamp() * 1e6)


def pack(second, hz=50):
    """A second of 50 Hz: about 3 KB."""
    at = START_US + second * 1_000_000
    gauges = (Gauge.BASE, Gauge.CATALYST_1)
    rows = [(at + n * 1_000_000 // hz, dict.fromkeys(gauges, 1e7 + second * hz + n)) for n in range(hz)]
    return pack_rows(SITE, "pump-a", rows)


@pytest.fixture
def box(tmp_path):
    return Outbox(tmp_path / "outbox.sqlite", SITE, "edge-a")


def kept(box):
    """(moments kept, gap records, photographs)."""
    held = box.after(0, 100_000, 10**9)
    moments = [
        at
        for one in held
        if one.channel is Channel.GAUGES
        for columns in gauge_columns(one.payload, SITE, 0)
        for at in columns.at_us
    ]
    gaps = [decode_record(one.payload) for one in held if one.channel is Channel.RECORD]
    return moments, gaps, [one.payload for one in held if one.channel is Channel.PHOTO]


def covered(gaps, moment_us):
    return any(gap.at.timestamp() * 1e6 <= moment_us <= gap.until.timestamp() * 1e6 for gap in gaps)


def test_with_room_nothing_is_thinned(box):
    keeper = Keeper(box, limit_bytes=10_000_000)
    assert all(keeper.put(Channel.GAUGES, pack(second)) for second in range(60))
    moments, gaps, _ = kept(box)
    assert len(moments) == 3000 and gaps == []


def test_the_oldest_packs_are_thinned_to_a_row_a_second_and_the_gap_is_a_record(box):
    keeper = Keeper(box, limit_bytes=1_500_000)
    assert all(keeper.put(Channel.GAUGES, pack(second)) for second in range(900))
    moments, gaps, _ = kept(box)
    assert gaps and {gap.cause for gap in gaps} == {"thinned"}
    assert box.bytes_free()[0] <= 1_600_000
    # Every second still has its row, the newest all of them, and each missing row lies in a recorded gap.
    assert {(at - START_US) // 1_000_000 for at in moments} == set(range(900))
    assert [at for at in moments if at >= START_US + 880_000_000] == [
        START_US + 880_000_000 + n * 20_000 for n in range(1000)
    ]
    missing = {START_US + n * 20_000 for n in range(45_000)} - set(moments)
    assert missing and all(covered(gaps, at) for at in list(missing)[::50])


def test_where_all_is_thinned_new_packs_are_left_out_and_photos_and_records_are_not(box):
    keeper = Keeper(box, limit_bytes=60_000)
    taken = [keeper.put(Channel.GAUGES, pack(second)) for second in range(400)]
    assert not taken[-1]
    photo = b"p" * 200_000
    keeper.put(Channel.PHOTO, photo)
    keeper.tell_gaps()
    _, gaps, photos = kept(box)
    assert photos == [photo]
    left_out = [second for second, was in enumerate(taken) if not was]
    told = [gap for gap in gaps if gap.cause == "not_kept"]
    assert sum(gap.packs for gap in told) == len(left_out)
    assert all(covered(told, START_US + second * 1_000_000) for second in left_out)


def test_gaps_are_told_with_the_next_pack_that_is_kept(box, monkeypatch):
    keeper = Keeper(box)
    monkeypatch.setattr(keeper, "_has_room", lambda _size: False)
    assert not keeper.put(Channel.GAUGES, pack(0)) and not keeper.put(Channel.GAUGES, pack(1))
    monkeypatch.setattr(keeper, "_has_room", lambda _size: True)
    assert keeper.put(Channel.GAUGES, pack(2), ("captured:x", "2"))
    _, (gap,), _ = kept(box)
    assert (gap.at, gap.until) == (START, START + timedelta(seconds=1, milliseconds=980))
    assert box.fact("captured:x") == "2"


def test_a_record_of_the_edge_itself_waits_for_room_and_is_not_lost(box, monkeypatch):
    keeper, put = Keeper(box), box.put_many

    def full(_messages):
        raise OutboxFullError("the disk is full", where="outbox", do="free some space")

    monkeypatch.setattr(box, "put_many", full)
    keeper.tell(b"one")
    monkeypatch.setattr(box, "put_many", put)
    keeper.tell(b"two")
    assert [held.payload for held in box.after(0, 10, 100)] == [b"one", b"two"]


def test_a_pack_that_cannot_be_read_is_kept_as_it_is(box):
    keeper = Keeper(box, limit_bytes=60_000)
    box.put(Channel.GAUGES, b"no pack")
    for second in range(100):
        keeper.put(Channel.GAUGES, pack(second))
    assert box.after(0, 1, 10**6)[0].payload == b"no pack"


def test_a_thinned_pack_says_what_it_still_has_and_no_more():
    columns = gauge_columns(pack(3), SITE, 0)[0]
    thin = gauge_columns(edge.room.thinned(columns, SITE), SITE, 0)[0]
    assert thin.at_us == [START_US + 3_000_000]
    assert thin.values[Gauge.BASE] == [columns.values[Gauge.BASE][0]]


def test_nobody_types_a_capture_gap():
    from edge.records import KINDS

    assert "capture_gap" not in KINDS
    assert "cause" in {field.name for field in msgspec.structs.fields(CaptureGap)}
