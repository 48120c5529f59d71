"""Do the public views say what is in the history? On nothing, on a made-up day, and against pandas."""

import json
import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from uuid import UUID

import pandas as pd
import pytest

from edge.errors import CallError, InputError
from edge.records import Correction, SnapTime
from edge.units import psi_to_pa
from pipeline.history import History
from pipeline.join import connect
from pipeline.join.ask import ask
from pipeline.join.open import VIEWS
from pipeline.judging import judge
from pipeline.settings import load_settings
from tests.shop.day import DAY, SHOP, SITE, ZONE, at
from tests.shop.made_history import build, empty_home, states, write_records

# Design 5.5, the names that engineers rely on.
PUBLIC = (
    *("gauge_samples", "pump_states", "strokes", "balance_events", "idle_spans", "sensor_quality"),
    *("smear_tests", "snap_tests", "ratio_checks", "bead_readings", "changeovers", "units"),
    *("release_spans", "unit_coverage", "shift_summary", "logbook"),
    # Beyond the contract.
    "suspect_units",
    *("bead_surveys", "bead_dues", "adhesion_tests", "lots", "control_charts"),
    *("smear_agreement", "smear_shades"),
    "clocks",
)
NOT_ON_THE_DAY = {"adhesion_tests", "suspect_units"}


@pytest.fixture(scope="module")
def home(tmp_path_factory) -> Path:
    return build(tmp_path_factory.mktemp("hall-9"))


def test_the_public_views_are_those_and_each_has_one_file(pytestconfig):
    assert set(VIEWS) == set(PUBLIC)
    files = (pytestconfig.rootpath / "pipeline" / "join" / "views").glob("*.sql")
    assert {file.stem for file in files} == set(PUBLIC)


@pytest.mark.parametrize("view", PUBLIC)
def test_each_view_reads_on_an_empty_home(tmp_path, view):
    assert connect(empty_home(tmp_path)).sql(f"SELECT * FROM {view}").fetchall() == []


@pytest.mark.parametrize("view", PUBLIC)
def test_times_are_utc_and_pressures_pascal(home, view):
    frame = connect(home).sql(f"SELECT * FROM {view}").df()
    assert len(frame) or view in NOT_ON_THE_DAY, f"the made-up day has no {view}"
    for column, kind in frame.dtypes.items():
        assert not str(column).endswith("_psi")
        if column in ("time", "start", "end", "started", "finished"):
            assert str(kind) == "datetime64[us, UTC]", (view, column)


def test_there_is_no_home(tmp_path):
    with pytest.raises(InputError, match="no such home"):
        connect(tmp_path / "nowhere")


def test_macros_turn_pascal_into_the_shops_units(home):
    row = connect(home).sql(f"SELECT psi({psi_to_pa(300)}), bar(3e5)").fetchall()[0]
    assert row == pytest.approx((300.0, 3.0))


def minutes(span: timedelta) -> float:
    return span.total_seconds() / 60


@pytest.mark.parametrize("pump", ["pump-a", "pump-b"])
@pytest.mark.parametrize("shift", [1, 2])
def test_shift_summary_against_pandas(home, pump, shift):
    """The same figures by another way: the script's spans and the raw tables, cut with pandas."""
    connection = connect(home)
    row = (
        connection.sql(f"SELECT * FROM shift_summary WHERE pump = '{pump}' AND shift = {shift}").df().iloc[0]
    )
    start, end = (at("06:00"), at("14:00")) if shift == 1 else (at("14:00"), at("22:00"))
    assert (row.start, row.end) == (start, end)
    assert str(row.day.date()) == str(DAY)

    run = sum(
        (
            min(e, end) - max(s, start)
            for s, e, kind in states(SHOP[pump])
            if kind == "dispensing" and s < end and e > start
        ),
        timedelta(),
    )
    assert row.run_min == pytest.approx(minutes(run))
    assert row.completeness_share == pytest.approx(1.0)

    history = History(home)
    strokes = history.read("strokes", site=SITE, pump=pump).to_pandas()
    mine = strokes[(strokes.start >= start) & (strokes.start < end)]
    base, catalyst = mine[mine.part == "base"], mine[mine.part == "catalyst"]
    assert (row.base_strokes, row.catalyst_strokes) == (len(base), len(catalyst))
    assert row.base_l == pytest.approx(len(base) * 0.160)
    assert row.curing_agent_l == pytest.approx(len(catalyst) * 0.020)
    inside = (catalyst.balance_pa.abs() <= psi_to_pa(200)).mean()
    assert row.balance_in_limits_share == pytest.approx(inside)

    spans = history.read("release_spans", site=SITE, pump=pump).to_pandas()
    spans["end"] = spans["end"].fillna(pd.Timestamp(end) + pd.Timedelta(days=1))
    holds = spans[(spans.state == "hold") & (spans.start < end) & (spans.end > start)]
    length = (holds.end.clip(upper=end) - holds.start.clip(lower=start)).sum()
    assert row.hold_min == pytest.approx(length.total_seconds() / 60)
    assert set(row.hold_rules) == {rule for rules in holds.rules for rule in rules}

    records = history.read("records", site=SITE, pump=pump).to_pandas()
    mine = records[(records["at"] >= start) & (records["at"] < end)]
    for kind, column in (
        ("snap_time", "snap_tests"),
        ("ratio_check", "ratio_checks"),
        ("bead_reading", "bead_readings"),
        ("changeover", "changeovers"),
        ("mixer_change", "mixer_changes"),
        ("unit_started", "units_made"),
        ("smear_call", "smear_calls"),
        ("contact_loss", "contact_losses"),
    ):
        assert row[column] == (mine.kind == kind).sum(), column
    smears = history.read("smear_scores", site=SITE, pump=pump).to_pandas()
    mine = smears[(smears["at"] >= start) & (smears["at"] < end)]
    for verdict, column in (("pass", "smear_passed"), ("fail", "smear_failed"), ("retake", "smear_retakes")):
        assert row[column] == (mine.verdict == verdict).sum(), column


def test_snap_times_and_ratios_against_their_records(home):
    connection = connect(home)
    records = History(home).read("records").to_pandas()
    bodies = [json.loads(body) for body in records.body]
    snaps = connection.sql("SELECT minutes, in_limits FROM snap_tests ORDER BY time").fetchall()
    said = sorted((b["at"], b["minutes"]) for b in bodies if b["kind"] == "snap_time")
    assert snaps == [(m, 30 <= m <= 60) for _, m in said]
    ratios = connection.sql("SELECT ratio, deviation_pct, in_tolerance FROM ratio_checks ORDER BY time").df()
    checks = sorted((b["at"], b["catches"]) for b in bodies if b["kind"] == "ratio_check")
    for row, (_, catches) in zip(ratios.itertuples(), checks, strict=True):
        ratio = sum(c["base_g"] for c in catches) / sum(c["curing_agent_g"] for c in catches)
        assert (row.ratio, row.deviation_pct) == pytest.approx((ratio, 10 * ratio - 100))
        assert row.in_tolerance


def test_units_are_started_and_finished(home):
    units = connect(home).sql("SELECT * FROM units ORDER BY started, unit").df()
    coverage = connect(home).sql("SELECT * FROM unit_coverage ORDER BY started, unit").df()
    assert list(units.unit) == list(coverage.unit)
    assert list(units.started) == list(coverage.started)
    assert list(units.finished) == list(coverage.finished)
    assert units.minutes.between(10, 45).all()


def test_units_suspected_after_a_failed_test_are_those_made_since_the_last_that_passed(tmp_path):
    home = build(tmp_path / "home")
    head = {"site": SITE, "pump": "pump-a", "by": "R. Okafor"}
    write_records(home, [SnapTime(id=UUID(int=9), at=at("21:50"), minutes=99, **head)])
    judge(History(home), load_settings(home), SITE, "pump-a")
    connection = connect(home)
    units = connection.sql("SELECT * FROM units WHERE pump = 'pump-a'").df()
    snaps = connection.sql("SELECT time, in_limits FROM snap_tests WHERE pump = 'pump-a'").df()
    last_good = snaps[snaps.in_limits].time.max()
    expected = units[(units.finished > last_good) & (units.started <= at("21:50"))]
    assert len(expected)
    suspect = connection.sql("SELECT * FROM suspect_units ORDER BY started, unit").df()
    assert list(suspect.unit) == sorted(expected.unit)
    assert set(suspect.since) == {last_good} and set(suspect.test) == {"snap time"}
    coverage = connection.sql("SELECT unit FROM unit_coverage WHERE suspect ORDER BY unit").df()
    assert list(coverage.unit) == sorted(expected.unit)


def test_a_corrected_record_stays_and_says_what_took_its_place(tmp_path):
    home = empty_home(tmp_path)
    head = {"site": SITE, "pump": "pump-a", "by": "R. Okafor"}
    wrong = SnapTime(id=UUID(int=1), at=at("08:00"), minutes=75, **head)
    right = SnapTime(id=UUID(int=2), at=at("08:00"), minutes=45, **head)
    told = Correction(
        id=UUID(int=3), at=at("08:30"), supersedes=wrong.id, reason="misread", corrected=right, **head
    )
    write_records(home, [wrong, told])
    connection = connect(home)
    rows = connection.sql(
        "SELECT id, minutes, corrects, superseded_by FROM snap_tests ORDER BY id"
    ).fetchall()
    assert rows == [
        (str(wrong.id), 75.0, None, str(told.id)),
        (str(right.id), 45.0, str(wrong.id), None),
    ]
    assert connection.sql("SELECT snap_tests, snap_out_of_limits FROM shift_summary").fetchall() == [(1, 0)]
    book = connection.sql("SELECT ref, what, text, superseded_by FROM logbook ORDER BY time").fetchall()
    assert book == [
        (str(wrong.id), "snap_time", "75 min", str(told.id)),
        (str(told.id), "correction", f"replaces {wrong.id}: misread", None),
    ]


def test_the_same_rows_in_python_and_on_the_command_line(home):
    sql = "SELECT * FROM shift_summary ORDER BY pump, day, shift"
    frame = connect(home).sql(sql).df()
    command = [sys.executable, "-m", "pipeline", "query", sql, "--format", "json", "--home", str(home)]
    run = subprocess.run(command, capture_output=True, text=True, check=True)
    rows = json.loads(run.stdout)
    assert [row["units_made"] for row in rows] == frame.units_made.tolist()
    assert [row["hold_min"] for row in rows] == frame.hold_min.tolist()
    assert [pd.Timestamp(row["start"]) for row in rows] == frame.start.tolist()
    assert [row["hold_rules"] for row in rows] == [list(rules) for rules in frame.hold_rules]


@pytest.mark.parametrize(
    "sql",
    [
        "COPY (SELECT 1) TO '/tmp/beadbook-stolen.csv'",
        "COPY strokes TO '/tmp/beadbook-stolen.parquet'",
        "ATTACH '/tmp/beadbook-stolen.db'",
        "INSTALL httpfs",
        "LOAD httpfs",
        "SET memory_limit = '100GB'",
        "SET enable_external_access = true",
        "RESET enable_external_access",
        "PRAGMA database_list",
        "CREATE TABLE mine AS SELECT 1",
        "CREATE OR REPLACE VIEW units AS SELECT 1",
        "DROP VIEW units",
        "INSERT INTO days VALUES (1)",
        "DELETE FROM days",
        "EXPORT DATABASE '/tmp/beadbook-stolen'",
        "CALL pragma_version()",
        "EXPLAIN ANALYZE CREATE TABLE mine AS SELECT 1",
        "SELECT 1; DROP VIEW units",
        "SELECT * FROM read_csv('/etc/passwd')",
        "SELECT * FROM read_text('/etc/passwd')",
        "SELECT * FROM '/etc/passwd'",
        "SELECT * FROM glob('/*')",
        "SELECT * FROM read_parquet('http://127.0.0.1/x.parquet')",
        "FROM duckdb_secrets()",
        "SELECT tim FROM smear_tests",
        "SELECT * FRO smear_tests",
        "SELECT * FROM nowhere",
        "",
        "-- nothing",
        "SELECT 1 / 'a'",
        "\x00",
    ],
)
def test_whatever_does_not_read_the_history_is_refused_in_one_sentence(home, sql):
    with pytest.raises(CallError) as refused:
        ask(home, sql)
    assert "\n" not in str(refused.value)
    assert not list(Path("/tmp").glob("beadbook-stolen*"))


def test_a_query_without_end_is_stopped(home):
    with pytest.raises(CallError, match="no answer within"):
        ask(
            home,
            "SELECT count(*) FROM range(10000000000) a, range(1000000) b WHERE a.range + b.range = 3",
            0.3,
        )


def test_a_local_day_is_the_shops_day(home):
    days = connect(home).sql("SELECT DISTINCT day FROM smear_tests").fetchall()
    assert days == [(DAY,)]
    assert at("06:00").astimezone(ZONE).date() == DAY
