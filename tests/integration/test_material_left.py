"""Does the shift say what is left in drum and pail, and that a purge is due, as the strokes have it?"""

from datetime import UTC, date, datetime, timedelta
from uuid import UUID

import pytest

from edge.records import Changeover, Correction
from pipeline.show.material import material_left
from pipeline.show.summary import open_shift, summarise
from tests.shop.made_history import write, write_records

SITE, PUMP, DAY = "works", "pump-a", date(2026, 10, 14)
SIX = datetime(2026, 10, 14, 6, tzinfo=UTC)
HOUR = timedelta(hours=1)
SECONDS = timedelta(seconds=5)
SETTINGS = """
name = "works"
[pumps.pump-a]
base_stroke_ml = 160.0
curing_agent_stroke_ml = 20.0
base_drum_l = 100.0
curing_agent_pail_l = 20.0
"""


def record(number, kind, at, **fields):
    return kind(
        id=UUID(f"01920000-0000-7000-8000-{number:012d}"),
        site=SITE,
        pump=PUMP,
        at=at,
        by="R. Okafor",
        **fields,
    )


def made(home, *, base_strokes, changed, states=(), more=(), days=()):
    home.mkdir()
    (home / "site.toml").write_text(SETTINGS)
    write_records(home, [record(1, Changeover, changed, part="base", new_lot="B7"), *more])
    place = {"site": SITE, "pump": PUMP, "day": DAY}
    write(
        home,
        "strokes",
        [
            {
                **place,
                "part": "base",
                "no": n,
                "start": at,
                "end": at + timedelta(seconds=5),
                "direction": n % 2,
            }
            for n, at in enumerate(base_strokes, 1)
        ],
    )
    reached = SIX + 4 * HOUR
    spans = states or [(SIX, reached, "dispensing")]
    write(home, "pump_states", [{**place, "start": a, "end": b, "type": kind} for a, b, kind in spans])
    today = {"samples": 1, "first_at": SIX, "last_at": reached, "base_strokes": len(base_strokes)}
    write(home, "pump_days", [{**place, **today, "catalyst_strokes": 0}, *({**place, **d} for d in days)])
    return open_shift(home, SITE, PUMP, DAY, 1)


def every(seconds, since, until):
    at = since
    while at < until:
        yield at
        at += timedelta(seconds=seconds)


def left(shift):
    return material_left(shift.rows, shift.settings, PUMP, SIX, SIX + 4 * HOUR)


def test_strokes_since_the_changeover_are_gone_and_the_rate_goes_on(tmp_path):
    # 144 strokes an hour of 0.16 l: 23.04 l an hour. Changed at 8: 46.08 l gone by 10, 53.92 l are 2.34 h.
    shift = made(tmp_path / "h", base_strokes=list(every(25, SIX, SIX + 4 * HOUR)), changed=SIX + 2 * HOUR)
    (one,) = left(shift)
    assert (one.what, one.since) == ("base drum", SIX + 2 * HOUR)
    assert one.litres == pytest.approx(100 - 288 * 0.16)
    assert one.empty_at - (SIX + 4 * HOUR) == pytest.approx(HOUR * (53.92 / 23.04), abs=timedelta(seconds=30))
    said = " ".join(summarise(shift).reminders)
    assert "Have the next base drum ready: about 54 l are left, empty about 12:20" in said


def test_a_changeover_that_was_taken_back_does_not_count(tmp_path):
    late = record(2, Changeover, SIX + 3 * HOUR, part="base", new_lot="B8")
    wrong = record(3, Correction, SIX + 3 * HOUR, supersedes=late.id, reason="typed for the wrong pump")
    shift = made(
        tmp_path / "h",
        base_strokes=list(every(25, SIX, SIX + 4 * HOUR)),
        changed=SIX + 2 * HOUR,
        more=[late, wrong],
    )
    assert left(shift)[0].since == SIX + 2 * HOUR


def test_older_days_are_counted_by_the_day(tmp_path):
    old = {"day": DAY - timedelta(days=3), "samples": 1, "base_strokes": 300, "catalyst_strokes": 0}
    older = {**old, "day": DAY - timedelta(days=5), "base_strokes": 10_000}
    moments = {"first_at": SIX - 72 * HOUR, "last_at": SIX - 71 * HOUR}
    shift = made(
        tmp_path / "h",
        base_strokes=list(every(60, SIX, SIX + HOUR)),
        changed=SIX - 70 * HOUR,
        days=[{**old, **moments}, {**older, **moments}],
    )
    assert left(shift)[0].litres == pytest.approx(100 - (300 + 60) * 0.16)


def test_an_empty_drum_is_said_and_nothing_is_forecast(tmp_path):
    shift = made(tmp_path / "h", base_strokes=list(every(10, SIX, SIX + 4 * HOUR)), changed=SIX)
    (one,) = left(shift)
    assert (one.litres, one.empty_at) == (0.0, None)
    assert "By its strokes the base drum opened 14 Oct 06:00 is empty" in " ".join(summarise(shift).reminders)


def test_nothing_is_said_where_nothing_was_used(tmp_path):
    shift = made(tmp_path / "h", base_strokes=[], changed=SIX)
    assert left(shift)[0].empty_at is None
    assert not [r for r in summarise(shift).reminders if "drum" in r]


@pytest.mark.parametrize(
    ("stood_min", "purged", "says"),
    [(3, False, True), (3, True, False), (7, False, False), (0, False, False)],
)
def test_a_purge_is_asked_for_while_it_is_still_in_time(tmp_path, stood_min, purged, says):
    reached = SIX + 4 * HOUR
    stopped = reached - timedelta(minutes=stood_min)
    spans = [(SIX, stopped, "dispensing")]
    if purged:
        spans.append((stopped, stopped + timedelta(seconds=30), "purging"))
        stopped += timedelta(seconds=30)
    if stopped < reached:
        spans.append((stopped, reached, "stalled"))
    shift = made(tmp_path / "h", base_strokes=[], changed=SIX, states=spans)
    asked = [r for r in summarise(shift).reminders if r.startswith("Purge the gun with base by 10:02")]
    assert bool(asked) == says
