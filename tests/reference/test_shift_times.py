"""Do shifts begin and end where the clocks of the world say? Values by Python's zoneinfo, tzdata 2026.

The zone rules are IANA's; rows Z1 to Z9 were computed apart from this code and hold both DST changes.
"""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from pipeline.settings import SiteSettings, parse_settings, wall_clock


def site(zone: str, start: str = "22:00", end: str = "06:00") -> SiteSettings:
    return parse_settings(f'time_zone = "{zone}"\n[[shifts]]\nnumber = 1\nstart = "{start}"\nend = "{end}"\n')


@pytest.mark.parametrize(
    ("row", "zone", "day", "start", "end", "hours"),
    [
        ("Z1", "America/Chicago", "2026-03-07", "2026-03-08T04:00Z", "2026-03-08T11:00Z", 7),
        ("Z2", "America/Chicago", "2026-10-31", "2026-11-01T03:00Z", "2026-11-01T12:00Z", 9),
        ("Z3 spring", "Europe/Berlin", "2026-03-28", "2026-03-28T21:00Z", "2026-03-29T04:00Z", 7),
        ("Z3 autumn", "Europe/Berlin", "2026-10-24", "2026-10-24T20:00Z", "2026-10-25T05:00Z", 9),
        ("Z4 autumn", "Australia/Sydney", "2026-04-04", "2026-04-04T11:00Z", "2026-04-04T20:00Z", 9),
        ("Z4 spring", "Australia/Sydney", "2026-10-03", "2026-10-03T12:00Z", "2026-10-03T19:00Z", 7),
        ("Z4 half", "Australia/Lord_Howe", "2026-04-04", "2026-04-04T11:00Z", "2026-04-04T19:30Z", 8.5),
        ("Z5 none", "America/Phoenix", "2026-03-07", "2026-03-08T05:00Z", "2026-03-08T13:00Z", 8),
        ("Z5 half", "Asia/Kolkata", "2026-03-07", "2026-03-07T16:30Z", "2026-03-08T00:30Z", 8),
        ("Z5 after", "America/Chicago", "2026-03-08", "2026-03-09T03:00Z", "2026-03-09T11:00Z", 8),
    ],
)
def test_night_shifts(row, zone, day, start, end, hours):
    got = site(zone).shift_window(date.fromisoformat(day), 1)
    assert got == (datetime.fromisoformat(start), datetime.fromisoformat(end))
    assert got[1] - got[0] == timedelta(hours=hours)


@pytest.mark.parametrize(("day", "hours"), [("2026-03-08", 23), ("2026-11-01", 25), ("2026-03-09", 24)])
def test_length_of_a_production_day(day, hours):
    """Z6."""
    shop = site("America/Chicago", "00:00", "08:00")
    begin = date.fromisoformat(day)
    assert shop.day_start(begin + timedelta(days=1)) - shop.day_start(begin) == timedelta(hours=hours)


def test_a_time_told_twice_is_the_first_and_a_time_left_out_is_the_jump():
    """Z7, Z8: shifts that meet at such a time must meet at one moment."""
    chicago = ZoneInfo("America/Chicago")
    assert wall_clock(date(2026, 11, 1), time(1, 30), chicago) == datetime(2026, 11, 1, 6, 30, tzinfo=UTC)
    for clock in (time(2, 0), time(2, 30), time(2, 59), time(3, 0)):
        assert wall_clock(date(2026, 3, 8), clock, chicago) == datetime(2026, 3, 8, 8, 0, tzinfo=UTC)


def test_edges_of_the_jump_lie_in_the_right_shift():
    """Z9: a second before and after both changes."""
    shop = parse_settings(
        'time_zone = "America/Chicago"\nday_starts = "02:00"\n'
        '[[shifts]]\nnumber = 1\nstart = "02:00"\nend = "14:00"\n'
        '[[shifts]]\nnumber = 2\nstart = "14:00"\nend = "02:00"\n'
    )
    second = timedelta(seconds=1)
    jump = datetime(2026, 3, 8, 8, 0, tzinfo=UTC)
    assert shop.shift_at(jump - second) == (date(2026, 3, 7), 2)
    assert shop.shift_at(jump) == (date(2026, 3, 8), 1)
    assert shop.production_day(jump - second) == date(2026, 3, 7)
    assert shop.production_day(jump) == date(2026, 3, 8)
    first_two = datetime(2026, 11, 1, 7, 0, tzinfo=UTC)  # 01:00 again; 02:00 comes an hour later
    assert shop.production_day(first_two) == date(2026, 10, 31)
    assert shop.production_day(first_two + timedelta(hours=1)) == date(2026, 11, 1)


@pytest.mark.parametrize("zone", ["America/Chicago", "Europe/Berlin", "Australia/Lord_Howe", "UTC"])
def test_three_shifts_tile_a_year(zone):
    shop = SiteSettings(time_zone=zone)
    day, ends = date(2026, 1, 1), None
    while day < date(2027, 1, 1):
        for number in (1, 2, 3):
            start, end = shop.shift_window(day, number)
            assert ends is None or start == ends
            assert start < end
            assert shop.shift_at(start) == (day, number)
            assert shop.production_day(start) == day
            ends = end
        day += timedelta(days=1)
