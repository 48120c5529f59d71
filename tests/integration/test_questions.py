"""Do the engineers' questions get right answers? On a history whose answers are known beforehand."""

from datetime import timedelta
from pathlib import Path
from uuid import UUID

import pytest
from typer.testing import CliRunner

from edge.cli import app
from edge.errors import CallError
from edge.records import (
    Catch,
    Changeover,
    Correction,
    RatioCheck,
    SmearCall,
    SnapTime,
    UnitFinished,
    UnitStarted,
)
from edge.units import psi_to_pa
from pipeline.cli import show  # noqa: F401  registers the commands
from pipeline.cure import derive_cure
from pipeline.history import History
from pipeline.join.ask import ask
from pipeline.join.questions import named_question, question_lines
from pipeline.settings import load_settings
from tests.shop.day import DAY, SITE, at
from tests.shop.made_history import empty_home, write, write_records

PLACE = {"site": SITE, "day": DAY}


def head(number: int, clock: str, pump: str = "pump-a") -> dict:
    return {"id": UUID(int=number), "site": SITE, "pump": pump, "at": at(clock), "by": "R. Okafor"}


def asked(home: Path, name: str) -> list[dict]:
    return ask(home, named_question(name)).to_pylist()


def judged(home: Path) -> Path:
    derive_cure(History(home), load_settings(home), SITE, "pump-a")
    return home


def smear(pump: str, clock: str, verdict: str, shade: float | None = 0.4) -> dict:
    return {
        **PLACE,
        "pump": pump,
        "at": at(clock),
        "sha256": f"{pump}{clock}".encode().hex().ljust(64, "0"),
        "by": "R. Okafor",
        "verdict": verdict,
        "shade_delta_e": shade,
        "reasons": [],
        "calibrated": True,
    }


def stroke(clock: str, seconds: int, psi: float, pump: str = "pump-a") -> dict:
    start = at(clock) + timedelta(seconds=seconds)
    end = start + timedelta(seconds=10)
    balance = psi_to_pa(psi)
    return {
        **PLACE,
        "pump": pump,
        "part": "catalyst",
        "no": 1,
        "start": start,
        "end": end,
        "balance_pa": balance,
    }


def test_snap_times_by_lots_and_temperature(tmp_path):
    home = empty_home(tmp_path)
    lots = {"base_lot": "B-1", "curing_agent_lot": "C-1"}
    write_records(
        home,
        [
            SnapTime(**head(1, "07:00"), minutes=40, temp_degc=21, **lots),
            SnapTime(**head(2, "08:00"), minutes=44, temp_degc=24.9, **lots),
            SnapTime(**head(3, "09:00"), minutes=70, temp_degc=25, **lots),
            SnapTime(**head(4, "10:00"), minutes=50, temp_degc=21, material_degc=26, **lots),
            SnapTime(**head(5, "11:00"), minutes=55, temp_degc=21, **lots, lift_mm=60),
            SnapTime(**head(6, "12:00"), minutes=48, base_lot="B-1", curing_agent_lot="C-2"),
        ],
    )
    rows = asked(judged(home), "snap_by_lots_and_temperature")
    known = [
        (r["curing_agent_lot"], r["from_degc"], r["tests"], r["median"], r["least"], r["out"]) for r in rows
    ]
    assert known == [("C-1", 20, 2, 42, 40, 0), ("C-1", 25, 2, 60, 50, 1), ("C-2", None, 1, 48, 48, 0)]


def test_balance_in_the_hour_before_each_failed_smear(tmp_path):
    home = empty_home(tmp_path)
    strokes = [
        stroke("07:59", 20, 900),
        stroke("08:10", 0, 100),
        stroke("08:50", 0, -300),
        stroke("09:05", 0, 900),
    ]
    write(home, "strokes", [*strokes, stroke("08:30", 0, 900, "pump-b")])
    write(home, "smear_scores", [smear("pump-a", "09:00", "fail"), smear("pump-a", "09:10", "pass")])
    (row,) = asked(home, "balance_before_failed_smears")
    assert (row["time"], row["strokes"]) == (at("09:00"), 2)
    assert (row["mean_psi"], row["worst_psi"], row["beyond_share"]) == pytest.approx((-100, 300, 0.5))


def test_units_on_evidence_that_was_later_withdrawn(tmp_path):
    home = empty_home(tmp_path)

    def unit(number: int, name: str, start: str, end: str):
        return [
            UnitStarted(**head(number, start), unit=name),
            UnitFinished(**head(number + 1, end), unit=name),
        ]

    weighed = (Catch(base_g=410, curing_agent_g=41),) * 3
    withdrawn = SnapTime(**head(10, "07:00"), minutes=45)
    replaced = RatioCheck(**head(11, "07:10"), catches=weighed)
    seen = SmearCall(**head(12, "06:50"), call="pass")
    too_early = SnapTime(**head(13, "06:00"), minutes=45)
    right = RatioCheck(**head(14, "07:10"), catches=weighed[:2])
    write_records(
        home,
        [
            *(withdrawn, replaced, seen, too_early),
            *unit(20, "U-1", "07:30", "07:50"),
            # The withdrawal stands before the unit: nobody glazed on it.
            Correction(**head(30, "07:20"), supersedes=too_early.id, reason="wrong cup"),
            *unit(22, "U-2", "09:00", "09:20"),
            Correction(**head(31, "08:00"), supersedes=withdrawn.id, reason="clock was started late"),
            Correction(
                **head(32, "10:00"), supersedes=replaced.id, reason="one catch spilt", corrected=right
            ),
        ],
    )
    rows = asked(home, "units_on_withdrawn_evidence")
    assert [(r["unit"], r["test"], r["withdrawn_at"]) for r in rows] == [
        ("U-1", "ratio check", at("10:00")),
        ("U-1", "snap time", at("08:00")),
        ("U-2", "ratio check", at("10:00")),
    ]
    assert "clock was started late" in rows[1]["why"]


def idle(pump: str, number: int, purged_after_min: float | None) -> dict:
    start = at("06:00") + timedelta(minutes=30 * number)
    purge = None if purged_after_min is None else start + timedelta(minutes=purged_after_min)
    return {
        **PLACE,
        "pump": pump,
        "start": start,
        "end": start + timedelta(minutes=20),
        "purged": purged_after_min is not None and purged_after_min <= 5,
        "purge_start": purge,
        "purge_end": purge and purge + timedelta(seconds=25),
    }


def test_pumps_ranked_by_purge_discipline(tmp_path):
    """Lower ends of Wilson's interval: 15/148 .0624, 81/263 .2553, 10/10 .7225 (Newcombe 1998, R)."""
    home = empty_home(tmp_path)
    made = [
        *(idle("pump-a", n, 2 if n < 81 else None) for n in range(263)),
        *(idle("pump-b", n, 3 if n < 15 else 12) for n in range(148)),
        *(idle("pump-c", n, 1) for n in range(10)),
    ]
    write(home, "idle_spans", made)
    write_records(
        home,
        [
            SnapTime(**head(n, "07:00", pump), minutes=45)
            for n, pump in enumerate(("pump-a", "pump-b", "pump-c"))
        ],
    )
    rows = asked(home, "pumps_by_purge_discipline")
    assert [row["pump"] for row in rows] == ["pump-c", "pump-a", "pump-b"]
    assert [row["surely_share"] for row in rows] == pytest.approx([0.7225, 0.2553, 0.0624], abs=5e-5)
    assert [(row["late"], row["never"]) for row in rows] == [(0, 0), (0, 182), (133, 0)]
    assert [row["after_min"] for row in rows] == [1, 2, 12]


def test_shade_drift_per_drum(tmp_path):
    home = empty_home(tmp_path)
    write_records(
        home,
        [
            Changeover(**head(1, "06:00"), part="base", new_lot="B-1"),
            Changeover(**head(2, "12:00"), part="base", new_lot="B-1"),
        ],
    )
    write(
        home,
        "smear_scores",
        [
            *(smear("pump-a", f"{hour:02d}:30", "pass", 0.5 + hour / 24 * 2) for hour in range(6, 12)),
            *(smear("pump-a", f"{hour:02d}:30", "pass", 0.7) for hour in range(12, 15)),
            smear("pump-a", "11:45", "retake", None),
        ],
    )
    first, second = asked(home, "shade_drift_per_drum")
    assert (first["smears"], second["smears"]) == (6, 3), "two drums of one lot are two drums"
    assert (first["drift_per_day"], first["r2"]) == pytest.approx((2.0, 1.0))
    assert second["drift_per_day"] == pytest.approx(0.0, abs=1e-9)
    assert second["first_shade"] == second["last_shade"] == 0.7


def test_every_question_is_one_documented_statement_that_runs_on_nothing(tmp_path):
    home = empty_home(tmp_path)
    lines = question_lines()
    assert len(lines) == 5
    for line in lines:
        name, question = line.split(maxsplit=1)
        assert question.count("?") == 1
        head_of = named_question(name).splitlines()
        assert any(text.startswith("-- reads") for text in head_of)
        assert any(text.startswith("-- columns") for text in head_of)
        assert asked(home, name) == []


def test_a_question_by_its_name_on_the_command_line(tmp_path):
    home, runner = str(empty_home(tmp_path)), CliRunner()
    listed = runner.invoke(app, ["query", "--named", "?", "--home", home])
    assert "shade_drift_per_drum" in listed.stdout
    done = runner.invoke(
        app, ["query", "--named", "shade_drift_per_drum", "--format", "json", "--home", home]
    )
    assert (done.exit_code, done.stdout) == (0, "[]\n")
    with pytest.raises(CallError, match="take one of balance_before_failed_smears"):
        named_question("weather")
    for wrong in ([], ["SELECT 1", "--named", "shade_drift_per_drum"]):
        refused = runner.invoke(app, ["query", *wrong, "--home", home])
        assert isinstance(refused.exception, CallError)
