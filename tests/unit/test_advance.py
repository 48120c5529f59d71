"""What landed -> derive -> judge -> history: the same however often, and whatever comes first."""

import hashlib
import itertools
from datetime import UTC, date, datetime, timedelta

import cv2
import msgspec
import numpy as np
import pytest

from edge.ids import uuid7
from edge.records import SnapTime, encode_record
from edge.senml import pack_rows
from edge.wire import Address, Channel, PhotoHead, frame_photo
from edge.words import Gauge, ReleaseState
from pipeline.advance import advance, landed_days
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.settings import GaugeSettings
from pipeline.history import History
from pipeline.judging import standings
from pipeline.land.batch import Message
from pipeline.land.landing import Landing
from pipeline.settings import SiteSettings
from pipeline.tables import DERIVED
from pipeline.unchanged import Unchanged
from tests.shop.plain_pump import Plain, play, work

SITE, PUMP = "hall-9", "pump-a"
START = datetime(2026, 10, 14, 11, tzinfo=UTC)
DAY = START.date()
SETTINGS = SiteSettings(name=SITE)
AT_MIDNIGHT = SiteSettings(name=SITE, day_starts="00:00")


@pytest.fixture
def history(tmp_path):
    return History(tmp_path)


def land(history, channel, payload):
    stream = hashlib.sha256(payload).hexdigest()[:32]
    topic = Address(SITE, "edge-a", channel, stream, 1).topic()
    return Landing(history, clock=lambda: START).land([Message(topic, payload, START)])


def land_gauges(history, minutes=10, hz=2):
    """A pump under pressure that does not move: states, and no stroke."""
    first = round(START.timestamp() * 1e6)
    rows = [
        (
            first + n * 1_000_000 // hz,
            dict.fromkeys((Gauge.BASE, Gauge.CATALYST_1, Gauge.CATALYST_2), 1.4e7 + n % 7),
        )
        for n in range(minutes * 60 * hz)
    ]
    return land(history, Channel.GAUGES, pack_rows(SITE, PUMP, rows))


def land_photo(history, data):
    head = PhotoHead(sha256=hashlib.sha256(data).hexdigest(), pump=PUMP, taken_at=START, by="R. Okafor")
    return land(history, Channel.PHOTO, frame_photo(head, data))


def black_photo():
    return bytes(cv2.imencode(".jpg", np.zeros((600, 800, 3), np.uint8))[1])


def derived(history):
    """Every derived row, in an order of its own."""
    return {name: sorted(map(repr, history.read(name).to_pylist())) for name in DERIVED}


def test_nothing_landed_is_nothing_known(history):
    assert advance(history, SETTINGS, SITE, PUMP, [DAY]) is None
    assert standings(history) == []


def test_gauges_alone_hold_until_a_smear_test_passes(history):
    land_gauges(history)
    span = advance(history, SETTINGS, SITE, PUMP, [DAY])
    assert span.state == ReleaseState.HOLD
    assert any("smear" in reason for reason in span.reasons)
    assert history.read("pump_states").num_rows > 0
    assert standings(history) == [(SITE, PUMP, span)]


def test_advancing_again_changes_nothing(history):
    land_gauges(history)
    land_photo(history, black_photo())
    advance(history, SETTINGS, SITE, PUMP, [DAY])
    once = derived(history)
    advance(history, SETTINGS, SITE, PUMP, [DAY])
    assert derived(history) == once
    advance(history, SETTINGS, SITE, PUMP, [DAY], again=True)
    assert derived(history) == once


def test_another_pump_is_left_alone(history):
    land_gauges(history)
    advance(history, SETTINGS, SITE, PUMP, [DAY])
    before = derived(history)
    advance(history, SETTINGS, SITE, "pump-b", [DAY])
    assert derived(history) == before


def test_a_photograph_is_scored_once_and_again_only_when_asked(history):
    land_photo(history, black_photo())
    advance(history, SETTINGS, SITE, PUMP, [])
    (row,) = history.read("smear_scores").to_pylist()
    assert row["verdict"] == "retake" and row["reasons"]
    overlay = history.home / "overlays" / f"{row['sha256']}.jpg"
    overlay.unlink()
    advance(history, SETTINGS, SITE, PUMP, [])
    assert not overlay.exists()
    advance(history, SETTINGS, SITE, PUMP, [], again=True)
    assert overlay.exists()


def test_a_photograph_that_can_not_be_read_is_a_retake(history):
    land_photo(history, b"\xff\xd8\xff no picture")
    advance(history, SETTINGS, SITE, PUMP, [])
    (row,) = history.read("smear_scores").to_pylist()
    assert row["verdict"] == "retake"
    assert row["score"] is None


def test_a_photograph_without_gauges_never_releases(history):
    land_photo(history, black_photo())
    assert advance(history, SETTINGS, SITE, PUMP, []).state == ReleaseState.HOLD


def test_a_snap_time_out_of_limits_holds(history):
    record = SnapTime(id=uuid7(), site=SITE, pump=PUMP, at=START, by="R. Okafor", minutes=200)
    land(history, Channel.RECORD, encode_record(record))
    span = advance(history, SETTINGS, SITE, PUMP, [])
    assert span.state == ReleaseState.HOLD
    assert any("200" in reason for reason in span.reasons)


def test_a_span_stands_in_the_production_day_in_which_it_starts(history):
    settings = SiteSettings(name=SITE, day_starts="11:05")
    land_gauges(history)
    advance(history, settings, SITE, PUMP, [DAY])
    rows = history.read("pump_states").to_pylist()
    for row in rows:
        assert row["day"] == settings.production_day(row["start"])
    known = sum((row["end"] - row["start"] for row in rows), timedelta())
    assert known <= timedelta(minutes=10), "no span is told in two days"


def test_the_days_that_landed_are_known_by_pump(history):
    land_gauges(history)
    land_photo(history, black_photo())
    assert landed_days(history) == {(SITE, PUMP): {date(2026, 10, 14)}}


def land_rows(history, rows, first, last):
    """A part of a recording, as a device sends it."""
    packed = [
        (at, {gauge: float(values[first + n]) for gauge, values in rows.gauges.items()})
        for n, at in enumerate(rows.at_us[first:last].tolist())
    ]
    land(history, Channel.GAUGES, pack_rows(SITE, PUMP, packed))


def versions(history):
    """How often each derived table has been written."""
    logs = {name: history.root / name / "_delta_log" for name in DERIVED}
    return {name: len(list(folder.glob("*.json"))) for name, folder in logs.items()}


@pytest.fixture(scope="module")
def an_hour():
    """Across the midnight between two production days, with the pump's stops, a purge and an imbalance."""
    script = [
        ("stalled", 60),
        *work(900, 1),
        ("stalled", 330),
        ("purging", 25),
        ("stalled", 60),
        *work(700, 2),
    ]
    rows, _ = play(script, Plain(hz=5.0, apart=[(0.0, 0.0), (1400.0, 0.0), (1410.0, 380.0)]))
    midnight = round(datetime(2026, 10, 15, tzinfo=UTC).timestamp() * 1e6)
    return Recording(rows.at_us - rows.at_us[0] + midnight - 1_200_000_000, rows.gauges)


@pytest.mark.parametrize("late", [False, True], ids=["in order", "the second piece last"])
def test_a_day_looked_at_piece_by_piece_ends_as_one_looked_at_whole(tmp_path, an_hour, late):
    count = len(an_hour.at_us)
    cuts = [0, count // 5, count // 3, count // 2, 9 * count // 10, count]
    pieces = list(itertools.pairwise(cuts))
    if late:
        pieces.append(pieces.pop(1))
    days = [DAY, DAY + timedelta(days=1)]
    grown, whole = History(tmp_path / "grown"), History(tmp_path / "whole")
    unchanged = Unchanged()
    for first, last in pieces:
        land_rows(grown, an_hour, first, last)
        advance(grown, AT_MIDNIGHT, SITE, PUMP, days, unchanged=unchanged)
    land_rows(whole, an_hour, 0, count)
    advance(whole, AT_MIDNIGHT, SITE, PUMP, days)
    assert derived(grown) == derived(whole)
    assert {row["day"] for row in whole.read("strokes").to_pylist()} == set(days)
    assert whole.read("balance_events").num_rows and whole.read("purges").num_rows


def test_what_has_not_changed_is_not_written_again(history, an_hour):
    unchanged, count = Unchanged(), len(an_hour.at_us)
    land_rows(history, an_hour, 0, count // 2)
    days = [DAY, DAY + timedelta(days=1)]
    advance(history, AT_MIDNIGHT, SITE, PUMP, days, unchanged=unchanged)
    before = versions(history)
    advance(history, AT_MIDNIGHT, SITE, PUMP, days, unchanged=unchanged)
    gauges = ("strokes", "pump_states", "balance_events", "idle_spans", "purges", "pump_days")
    assert {name: versions(history)[name] for name in gauges} == {name: before[name] for name in gauges}
    # Another setting is another answer, though no reading has changed.
    stricter = GaugeSettings(dispensing_min_s=60.0)
    other = msgspec.structs.replace(AT_MIDNIGHT, gauges=stricter)
    advance(history, other, SITE, PUMP, days, unchanged=unchanged)
    assert versions(history)["pump_states"] > before["pump_states"]
