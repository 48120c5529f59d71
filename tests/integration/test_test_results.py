"""Do the views of tests, lots, dues and charts say what the records say, and does the summary pass it on?"""

from datetime import date, datetime, timedelta
from pathlib import Path
from uuid import UUID

import numpy as np
import pytest

from edge.records import (
    AdhesionResult,
    AnyRecord,
    BeadMade,
    BeadReading,
    Catch,
    Changeover,
    Correction,
    MixerChange,
    RatioCheck,
    SmearCall,
    SnapTime,
)
from pipeline.advance import judge
from pipeline.cure import Point, charted, derive_cure
from pipeline.history import History
from pipeline.join import connect
from pipeline.settings import load_settings, parse_settings
from pipeline.show.summary import ShiftSummary, open_shift, summarise
from tests.shop.day import DAY, SITE, at
from tests.shop.made_history import build, empty_home, write_records

HOUR = timedelta(hours=1)


def head(number: int, clock: str, **more) -> dict:
    return {
        "id": UUID(int=number),
        "site": SITE,
        "pump": "pump-a",
        "at": at(clock),
        "by": "R. Okafor",
        **more,
    }


def shop(tmp_path: Path, written: list[AnyRecord], settings: str = "") -> Path:
    home = empty_home(tmp_path)
    with (home / "site.toml").open("a") as file:
        file.write(settings)
    write_records(home, written)
    derived = load_settings(home)
    derive_cure(History(home), derived, SITE, "pump-a")
    judge(History(home), derived, SITE, "pump-a")
    return home


def shift(home: Path, number: int = 1, day: date = DAY) -> ShiftSummary:
    return summarise(open_shift(home, SITE, "pump-a", day, number))


def bead(first: int, clock: str, age_h: float, medians: tuple[float, ...]) -> list[AnyRecord]:
    return [
        BeadReading(**head(first + i, clock), bead="A-1", mark=str(i + 1), age_h=age_h, shore_a=(m, m, m))
        for i, m in enumerate(medians)
    ]


def kinds(summary: ShiftSummary) -> dict[str, str]:
    return {finding.kind: finding.sentence for finding in summary.findings if finding.kind != "no_data"}


def test_what_proves_nothing_is_said_and_is_no_pass(tmp_path):
    home = shop(
        tmp_path,
        [
            SnapTime(**head(1, "07:00"), minutes=45, lift_mm=60.0),
            RatioCheck(**head(2, "08:00"), catches=(Catch(base_g=410, curing_agent_g=41),) * 2),
            *bead(10, "09:00", 24, (38, 38)),
        ],
    )
    summary = shift(home)
    assert [(test.kind, test.passed) for test in summary.tests] == [
        ("snap time", None),
        ("ratio check", None),
        ("bead survey", None),
    ]
    told = kinds(summary)
    assert "does not count: lifted 60 mm" in told["snap_not_valid"]
    assert "proves nothing: 2 of 3 catches" in told["ratio_unsure"]
    assert "fewer than 3 marks" in told["bead_not_judged"]


def test_a_soft_spot_and_a_failed_coupon_are_named_with_their_numbers(tmp_path):
    home = shop(
        tmp_path,
        [
            *bead(10, "09:00", 24, (38, 37, 39, 38, 31, 38, 37)),
            AdhesionResult(
                **head(1, "10:00"),
                specimen="T-7",
                method="tensile",
                cohesive_pct=70.0,
                strength_pa=3e5,
                result="pass",
            ),
        ],
    )
    told = kinds(shift(home))
    assert told["soft_spot"] == "Bead A-1 at 24 h: soft at mark 5 (norm Shore A 38, lowest 31)."
    assert "70 % cohesive failure, wanted 90 % or more" in told["adhesion_failed"]
    assert "tore at 300 kPa, wanted 345 or more" in told["adhesion_failed"]
    (row,) = connect(home).sql("SELECT called, passed, mode, adhesive_pct FROM adhesion_tests").fetchall()
    assert row == ("pass", False, "cohesive", 30.0)
    soft = connect(home).sql("SELECT mark, below_norm FROM bead_readings WHERE soft").fetchall()
    assert soft == [("5", 7.0)]


def test_lots_follow_each_other_with_their_expiry_and_storage(tmp_path):
    home = shop(
        tmp_path,
        [
            SnapTime(**head(1, "06:30"), minutes=45, base_lot="B-1", curing_agent_lot="C-1"),
            Changeover(
                **head(2, "09:00"),
                part="curing_agent",
                new_lot="C-2",
                expires=at("12:00"),
                stored_max_degc=34.0,
            ),
            SnapTime(**head(3, "10:00"), minutes=45, base_lot="B-1", curing_agent_lot="C-2"),
            Changeover(**head(4, "15:00"), part="curing_agent", new_lot="C-2"),
        ],
        "storage_max_degc = 30.0\n",  # of pump-b, the last table of the file
    )
    text = (
        (home / "site.toml").read_text().replace("[pumps.pump-a]", "[pumps.pump-a]\nstorage_max_degc = 30.0")
    )
    (home / "site.toml").write_text(text)
    rows = (
        connect(home)
        .sql("SELECT part, lot, since, until, stored_badly FROM lots ORDER BY part, since")
        .fetchall()
    )
    assert rows == [
        ("base", "B-1", at("06:30"), None, None),
        ("curing_agent", "C-1", at("06:30"), at("09:00"), None),
        ("curing_agent", "C-2", at("09:00"), at("15:00"), True),
        ("curing_agent", "C-2", at("15:00"), None, None),
    ]
    summary = shift(home)
    assert [(lot.lot, lot.expired) for lot in summary.lots] == [("B-1", None), ("C-1", None), ("C-2", True)]
    assert "stored beyond its temperatures" in kinds(summary)["stored_badly"]


def test_hardness_readings_are_asked_for_when_their_hour_comes(tmp_path):
    made = BeadMade(**head(1, "07:00") | {"at": at("07:00") - 3 * 24 * HOUR}, bead="A-9")
    fresh = BeadMade(**head(2, "07:00"), bead="A-10")
    read = [
        BeadReading(
            **head(10 + i, "07:00") | {"at": at("07:00") - 48 * HOUR},
            bead="A-9",
            mark=str(i),
            age_h=24,
            shore_a=(38,) * 3,
        )
        for i in range(3)
    ]
    # The name had been used before: that bead's readings are not this one's.
    month = 30 * 24 * HOUR
    before = [
        BeadReading(
            **head(number, "07:00") | {"at": at("07:00") - month + age * HOUR},
            bead="A-10",
            mark="1",
            age_h=age,
            shore_a=(38,) * 3,
        )
        for number, age in ((20, 24), (21, 72))
    ]
    home = shop(tmp_path, [made, fresh, *read, *before, SnapTime(**head(3, "13:00"), minutes=45)])
    rows = connect(home).sql("SELECT bead, due_h, due, read FROM bead_dues ORDER BY due").fetchall()
    assert rows == [
        ("A-10", 24, at("07:00") - month + 24 * HOUR, at("07:00") - month + 24 * HOUR),
        ("A-10", 72, at("07:00") - month + 72 * HOUR, at("07:00") - month + 72 * HOUR),
        ("A-9", 24, at("07:00") - 48 * HOUR, at("07:00") - 48 * HOUR),
        ("A-9", 72, at("07:00"), None),
        ("A-10", 24, at("07:00") + 24 * HOUR, None),
        ("A-10", 72, at("07:00") + 72 * HOUR, None),
    ]
    told = [one for one in shift(home).reminders if "bead" in one]
    assert told == ["Read bead A-9 at 72 h: it was due 14 Oct 07:00."]


def test_an_old_mixer_is_told(tmp_path):
    old = MixerChange(**head(1, "07:00") | {"at": at("07:00") - 30 * HOUR})
    summary = shift(shop(tmp_path, [old, SnapTime(**head(2, "13:00"), minutes=45)]))
    assert summary.around.mixer_h == pytest.approx(36.0)
    assert "36 h old, wanted 24 h or less" in kinds(summary)["surroundings"]


def many_snaps(minutes: list[float]) -> list[AnyRecord]:
    return [
        SnapTime(
            **head(100 + i, "07:00") | {"at": at("07:00") - (len(minutes) - 1 - i) * 24 * HOUR}, minutes=m
        )
        for i, m in enumerate(minutes)
    ]


def test_a_chart_has_limits_from_its_first_twenty_points_and_its_signal_is_a_finding(tmp_path):
    minutes = [float(m) for m in np.random.default_rng(7).normal(45, 1, 24).round(1)] + [58.0]
    home = shop(tmp_path, many_snaps(minutes))
    (chart,) = [one for one in shift(home).charts if one.measure == "snap_time"]
    base = np.array(minutes[:20])
    sigma = np.abs(np.diff(base)).mean() / 1.128
    assert (chart.baseline, len(chart.points)) == ("first 20", 25)
    assert (chart.centre, chart.lower, chart.upper) == pytest.approx(
        (base.mean(), base.mean() - 3 * sigma, base.mean() + 3 * sigma)
    )
    assert "beyond_3_sigma" in chart.points[-1].signals
    assert "against baseline first 20" in kinds(shift(home))["chart_signal"]
    frame = connect(home).sql("SELECT * FROM control_charts WHERE measure = 'snap_time' ORDER BY time").df()
    ranges = frame.value.diff().abs()
    assert list(frame.value) == minutes
    assert frame.moving_range.dropna().tolist() == pytest.approx(ranges.dropna().tolist())


def test_a_named_baseline_holds_from_its_first_day_on():
    settings = parse_settings(
        """
        [[baselines]]
        name = "after service"
        measure = "snap_time"
        first = 2026-10-08
        last = 2026-10-10
        [[baselines]]
        name = "elsewhere"
        measure = "snap_time"
        first = 2026-10-01
        last = 2026-10-30
        pump = "pump-z"
        """
    )
    noon = at("12:00")
    points = [Point(noon + timedelta(days=d - 14), str(d), float(40 + d % 3)) for d in range(1, 15)]
    rows = charted(points, "snap_time", settings, "pump-a")
    assert [row["baseline"] for row in rows] == [None] * 7 + ["after service"] * 7
    assert {row["baseline_points"] for row in rows[7:]} == {3}
    assert rows[7]["centre"] == pytest.approx((42 + 40 + 41) / 3)
    # A later point moves nothing that stands.
    more = [*points, Point(noon + timedelta(days=1), "15", 90.0)]
    assert charted(more, "snap_time", settings, "pump-a")[:14] == rows


def test_a_correction_takes_the_result_with_it(tmp_path):
    wrong = SnapTime(**head(1, "07:00"), minutes=75)
    right = SnapTime(**head(2, "07:00"), minutes=45)
    home = shop(
        tmp_path,
        [wrong, Correction(**head(3, "08:00"), supersedes=wrong.id, reason="misread", corrected=right)],
    )
    rows = (
        connect(home)
        .sql("SELECT minutes, in_limits, superseded_by IS NULL FROM snap_tests ORDER BY id")
        .fetchall()
    )
    assert rows == [(75.0, False, False), (45.0, True, True)]
    assert "snap_out_of_limits" not in kinds(shift(home))


def test_one_failed_smear_more_and_the_units_since_the_last_good_one_are_suspect(tmp_path):
    """By hand: the last smear that passed on pump-a was at 18:33; A20 to A25 were glazed after it."""
    home = build(tmp_path / "home")
    write_records(home, [SmearCall(**head(9, "21:45"), call="fail", note="white streaks")])
    judge(History(home), load_settings(home), SITE, "pump-a")
    summary = shift(home, 2)
    assert summary.verdict == "hold"
    suspect = [unit.unit[-3:] for unit in summary.units if unit.suspect]
    assert suspect == ["A20", "A21", "A22", "A23", "A24", "A25"]


@pytest.mark.parametrize(
    ("night", "start", "end", "hours"),
    [
        (date(2026, 3, 7), "2026-03-08T04:00Z", "2026-03-08T11:00Z", 7),
        (date(2026, 10, 31), "2026-11-01T03:00Z", "2026-11-01T12:00Z", 9),
        (date(2026, 3, 8), "2026-03-09T03:00Z", "2026-03-09T11:00Z", 8),
    ],
)
def test_a_night_across_midnight_and_both_clock_changes(tmp_path, night, start, end, hours):
    """America/Chicago, 22:00 to 06:00: 7 h, 9 h and 8 h long (IANA's rules by Python's zoneinfo)."""
    first, last = datetime.fromisoformat(start), datetime.fromisoformat(end)
    tick = timedelta(minutes=1)
    moments = [first - tick, first, first + 4 * HOUR, last - tick, last]
    written: list[AnyRecord] = [
        SnapTime(**head(i, "07:00") | {"at": moment}, minutes=40 + i) for i, moment in enumerate(moments)
    ]
    home = shop(
        tmp_path, written, '\n[[shifts]]\nnumber = 3\nname = "night"\nstart = "22:00"\nend = "06:00"\n'
    )
    summary = shift(home, 3, night)
    assert (summary.end - summary.start) == hours * HOUR
    assert [test.value for test in summary.tests] == ["41 min", "42 min", "43 min"]
    assert summary.figures["snap_tests"] == 3
    assert summary.so_far is None
