"""The printed sheet must be in order of time, also over midnight, and claim nothing that was not judged."""

from datetime import UTC, date, datetime

from edge.words import ReleaseState
from pipeline.show import summary as shown
from pipeline.show import tested
from pipeline.show.sheet import rows_of_tests

NIGHT = date(2026, 10, 14)


def t(day, clock):
    return datetime.fromisoformat(f"2026-10-{day}T{clock}").replace(tzinfo=UTC)


def test_tests_of_a_night_shift_stand_in_order_of_time():
    summary = shown.ShiftSummary(
        site="hall-9", pump="pump-a", day=NIGHT, shift=2, name="night", start=t(14, "22:00"),
        end=t(15, "06:00"), time_zone="UTC", known=True, so_far=None, verdict=ReleaseState.HOLD, reasons=(),
        overridden=False,
        smears=(
            shown.Smear(time=t(14, "23:10"), person="M. Silva", seen_by="camera", verdict="fail",
                        reasons=("Unevenly mixed.", "Streaks.")),
            shown.Smear(time=t(15, "00:40"), person="M. Silva", seen_by="eye", verdict="pass"),
        ),
        tests=(
            tested.Test(time=t(15, "00:05"), kind="snap time", value="41 min", limit="30 to 60 min",
                 passed=None, person="R. Okafor", id="1"),
        ),
    )  # fmt: skip
    numbers = "CoV – · streak – · ΔE p95 – · shade – · no sheet, uncalibrated"
    assert rows_of_tests(summary, UTC) == [
        ("23:10", "smear, photo", numbers, "fail", "M. Silva", "unevenly mixed; streaks"),
        ("00:05", "snap time", "41 min (limit 30 to 60 min)", "? no proof", "R. Okafor", ""),
        ("00:40", "smear, by eye", "", "pass", "M. Silva", ""),
    ]
