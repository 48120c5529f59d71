"""What happens in Hall Nine on 14 October 2026? The one script that pressures, photos and records follow.

An invented shop with two pumps and two shifts. Things go wrong on purpose; `PLANTED` is the truth that the
summaries are held against. Times are local (America/Chicago, UTC-5 that day). Pressures in psi as the shop's
gauges show them; the simulator turns them into a recording.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Literal
from zoneinfo import ZoneInfo

SITE = "hall-9"
ZONE = ZoneInfo("America/Chicago")
DAY = date(2026, 10, 14)
EARLY, LATE = 1, 2
PUMPS = ("pump-a", "pump-b")
EDGES = {"pump-a": "edge-a", "pump-b": "edge-b"}
HZ = 10.0
RECORD_FROM, RECORD_TO = time(5, 45), time(22, 10)


def at(clock: str) -> datetime:
    """Local wall-clock "HH:MM" or "HH:MM:SS" of the day, in UTC."""
    return datetime.combine(DAY, time.fromisoformat(clock), ZONE).astimezone(UTC)


@dataclass(frozen=True)
class Span:
    """One stretch of the pump's day, local times. Between spans the pump stands pressurised (stalled).

    work      trigger pulls of 5 to 60 s with short pauses under a minute: units being glazed
    tests     a few short pulls: smear, snap and ratio samples are taken from the gun
    purge     base alone runs through the gun for about 25 s from `start`
    off       no pressure
    changeover  cavitation before empty, silence, air being bled, first good stroke; `what` says which side
    """

    start: str
    end: str
    what: Literal["work", "tests", "purge", "off", "changeover_base", "changeover_catalyst"]


@dataclass(frozen=True)
class Drift:
    """A slow change planted in the pressures, ramping from 0 at `start` to full at `full`, gone at `end`."""

    start: str
    full: str
    end: str
    kind: Literal["catalyst_2_high_psi", "clogging_share"]
    size: float


@dataclass(frozen=True)
class GaugeFault:
    """A gauge that lies. `stuck`: the reading freezes though the pump strokes."""

    start: str
    end: str
    gauge: str
    kind: Literal["stuck"]


@dataclass(frozen=True)
class Smear:
    """One smear photograph of the day. `mix` is what the gun really delivered."""

    at: str
    file: str
    mix: Literal["good", "streaked", "badly_streaked"]
    photo: Literal["good", "blurred", "glare"]
    sheet: bool
    by: str


@dataclass(frozen=True)
class PumpDay:
    """All that happens to one pump."""

    spans: tuple[Span, ...]
    drifts: tuple[Drift, ...]
    faults: tuple[GaugeFault, ...]
    smears: tuple[Smear, ...]
    outage: tuple[str, str] | None  # the edge's network is down between these local times


PUMP_A = PumpDay(
    spans=(
        Span("05:45", "05:58", "off"),
        Span("06:02", "06:03", "purge"),
        Span("06:10", "06:25:20", "tests"),  # then 4 min 40 s: no stop that counts
        Span("06:30", "09:15", "work"),
        Span("09:17", "09:18", "purge"),  # morning break, purged as it should be
        Span("09:40", "11:30", "work"),
        # 11:30 to 12:10: lunch, and nobody purged
        Span("12:10", "12:11", "purge"),
        Span("12:14", "12:18", "tests"),
        Span("12:22", "13:50", "work"),
        Span("13:52", "13:53", "purge"),
        Span("14:08", "14:16", "tests"),
        Span("14:20", "15:20", "work"),
        Span("15:20", "15:28", "changeover_catalyst"),
        Span("15:30", "16:28", "work"),  # on the new pail, the tests forgotten
        Span("16:30", "16:50", "tests"),
        Span("16:54", "18:00", "work"),
        Span("18:02", "18:03", "purge"),
        Span("18:30", "18:36", "tests"),
        Span("18:40", "21:40", "work"),
        Span("21:42", "21:43", "purge"),
        Span("21:50", "22:10", "off"),
    ),
    drifts=(Drift("08:30", "08:42", "09:00", "catalyst_2_high_psi", 380.0),),
    faults=(),
    smears=(
        Smear("06:13", "a-0613.jpg", "good", "good", True, "R. Okafor"),
        Smear("09:06", "a-0906.jpg", "good", "good", True, "R. Okafor"),
        Smear("12:16", "a-1216.jpg", "good", "good", False, "R. Okafor"),
        Smear("14:09", "a-1409.jpg", "good", "blurred", True, "L. Brandt"),
        Smear("14:12", "a-1412.jpg", "good", "good", True, "L. Brandt"),
        Smear("16:34", "a-1634.jpg", "good", "good", False, "L. Brandt"),
        Smear("18:33", "a-1833.jpg", "good", "good", True, "L. Brandt"),
    ),
    outage=None,
)

PUMP_B = PumpDay(
    spans=(
        Span("05:45", "05:56", "off"),
        Span("06:00", "06:01", "purge"),
        Span("06:06", "06:18", "tests"),
        Span("06:22", "06:28", "tests"),
        Span("06:30", "06:31", "purge"),
        Span("06:44", "06:45", "purge"),  # after the mixer was replaced
        Span("06:48", "07:06", "tests"),
        Span("07:10", "09:00", "work"),
        Span("09:02", "09:03", "purge"),
        Span("09:22", "11:30", "work"),
        Span("11:32", "11:33", "purge"),
        Span("12:04", "12:10", "tests"),
        Span("12:14", "13:48", "work"),
        Span("13:50", "13:51", "purge"),
        Span("14:10", "14:20", "tests"),
        Span("14:24", "18:00", "work"),
        Span("18:02", "18:03", "purge"),
        Span("18:32", "18:38", "tests"),
        Span("18:42", "19:30", "work"),
        Span("19:32", "19:33", "purge"),
        Span("19:40", "19:41", "purge"),  # after the clogged mixer was replaced
        Span("19:44", "19:58", "tests"),
        Span("20:02", "21:40", "work"),
        Span("21:42", "21:43", "purge"),
        Span("21:50", "22:10", "off"),
    ),
    drifts=(Drift("15:00", "19:30", "19:36", "clogging_share", 0.45),),
    faults=(GaugeFault("10:20", "10:32", "catalyst_1", "stuck"),),
    smears=(
        Smear("06:09", "b-0609.jpg", "badly_streaked", "good", True, "M. Silva"),
        Smear("06:25", "b-0625.jpg", "streaked", "good", True, "M. Silva"),
        Smear("06:52", "b-0652.jpg", "good", "good", True, "M. Silva"),
        Smear("12:07", "b-1207.jpg", "good", "good", False, "M. Silva"),
        Smear("14:13", "b-1413.jpg", "good", "good", True, "T. Novak"),
        Smear("18:34", "b-1834.jpg", "good", "glare", True, "T. Novak"),
        Smear("18:36", "b-1836.jpg", "good", "good", True, "T. Novak"),
        Smear("19:50", "b-1950.jpg", "good", "good", True, "T. Novak"),
    ),
    outage=("12:40", "13:15"),
)

SHOP = {"pump-a": PUMP_A, "pump-b": PUMP_B}

# What the summaries must name, by (pump, shift), and nothing else that is not here.
# Each entry: kind, local start, local end (None where it is a moment).
PLANTED: dict[tuple[str, int], tuple[tuple[str, str, str | None], ...]] = {
    ("pump-a", EARLY): (
        ("out_of_balance", "08:36", "09:00"),
        ("unpurged_stop", "11:30", "12:14"),
    ),
    ("pump-a", LATE): (
        ("retake", "14:09", None),
        ("changeover", "15:20", None),
        ("units_on_hold", "15:32", "16:26"),
    ),
    ("pump-b", EARLY): (
        ("smear_failed", "06:09", None),
        ("smear_failed_twice", "06:25", None),
        ("gauge_stuck", "10:20", "10:32"),
        ("contact_lost", "12:40", "13:15"),
    ),
    ("pump-b", LATE): (
        ("retake", "18:34", None),
        ("clogging", "15:00", "19:30"),
    ),
}
