"""SQL that wants more than answers: no crash, no hang, no file read or made, each refusal in one sentence."""

import os
import time
from pathlib import Path

import pyarrow as pa
import pytest

from edge.errors import CallError
from pipeline.cli.limits import no_file_written
from pipeline.join.ask import ask
from tests.running import beadbook
from tests.shop.hostile_sql import hostile_sql

CANARY = "no-question-may-see-this-4711"
TIMEOUT_S = 0.7
# DuckDB notices an interrupt between chunks of rows; one function over one long text is a chunk.
NOTICED_S = 20.0


def standing(*folders):
    return {
        str(path): (path.stat().st_size, path.stat().st_mtime_ns)
        for folder in folders
        for path in sorted(folder.rglob("*"))
    }


def try_all(seed, count, tmp_path, monkeypatch):
    """Ask them all; how many were answered, and the refusals."""
    home, lure = tmp_path / "home", tmp_path / "lure"
    home.mkdir()
    lure.mkdir()
    canary = lure / "canary.csv"
    canary.write_text(f"content\n{CANARY}\n")
    monkeypatch.setenv("BEADBOOK_CANARY", CANARY)
    monkeypatch.setenv("HOME", str(lure))
    monkeypatch.chdir(lure)
    before, answered, refusals, slowest = standing(tmp_path), 0, [], ("", 0.0)
    for sql in hostile_sql(seed, count, canary, lure / "made"):
        began = time.monotonic()
        try:
            answer = ask(home, sql, TIMEOUT_S)
        except CallError as refused:
            said = str(refused)
            assert said.startswith("SQL: ") and said.endswith(".") and "\n" not in said, (sql, said)
            assert len(said) < 1000, (sql, said)
            assert CANARY not in said.replace(sql, ""), sql
            refusals.append(said)
        else:
            assert isinstance(answer, pa.Table)
            assert CANARY not in str(answer.slice(0, 100).to_pydict()), sql
            answered += 1
        took = time.monotonic() - began
        slowest = max(slowest, (sql, took), key=lambda one: one[1])
        assert took < NOTICED_S, (sql, took)
    assert standing(tmp_path) == before
    print(f"{answered} answered, {len(refusals)} refused, slowest {slowest[1]:.1f} s: {slowest[0]:.100}")
    return answered, refusals


def test_hostile_sql_is_refused_in_one_sentence(tmp_path, monkeypatch):
    answered, refusals = try_all(1, 60, tmp_path, monkeypatch)
    assert answered and any("not one SELECT" in one for one in refusals)
    assert any("only the history may be read" in one for one in refusals)


@pytest.mark.slow
def test_two_thousand_hostile_questions(tmp_path, monkeypatch):
    seed, count = int(os.environ.get("BEADBOOK_SEED", "20")), int(os.environ.get("BEADBOOK_HOSTILE", "2000"))
    answered, refusals = try_all(seed, count, tmp_path, monkeypatch)
    assert answered + len(refusals) == count
    assert len(refusals) > count / 2


def test_the_check_sees_a_file_that_is_read(tmp_path, monkeypatch):
    import duckdb

    def careless(home, sql, timeout_s):
        try:
            return duckdb.sql(sql).to_arrow_table()
        except (duckdb.Error, AttributeError):
            raise CallError("no", where="SQL", do="ask again") from None

    monkeypatch.setattr("tests.integration.test_hostile_sql.ask", careless)
    monkeypatch.setattr(
        "tests.integration.test_hostile_sql.hostile_sql",
        lambda _seed, _count, canary, _made: [f"SELECT * FROM read_text('{canary}')"],
    )
    with pytest.raises(AssertionError):
        try_all(1, 1, tmp_path, monkeypatch)


@pytest.mark.parametrize(
    "sql",
    [
        "SELECT * FROM arrow_scan(1::UBIGINT, 2, 3)",
        'SELECT * FROM "Arrow_Scan" /* */ -- x\n (1, 2, 3)',
        "SELECT * FROM system.main.query('SELECT 1')",
        "SELECT * FROM enable_profiling(save_location := 'made')",
        "SELECT * FROM json_execute_serialized_sql(json_serialize_sql('SELECT 1'))",
    ],
)
def test_table_functions_that_reach_into_the_engine_are_barred(tmp_path, sql):
    with pytest.raises(CallError, match="only the history may be read"):
        ask(tmp_path, sql)


@pytest.mark.parametrize(
    "sql",
    [
        "SELECT unnest([1, 2, 3])",
        "SELECT * FROM range(3)",
        'SELECT "range" FROM range(3) -- glob(1)',
        "PIVOT (SELECT 1 AS a, 2 AS b) ON a USING sum(b)",
        "SHOW TABLES",
        "SELECT version() /* read_csv(1) */, 'read_csv(1)'",
        "DESCRIBE shift_summary",
        "SELECT count(*) FROM shift_summary WHERE site GLOB 'h*'",
    ],
)
def test_plain_questions_are_answered(tmp_path, sql):
    assert ask(tmp_path, sql).num_columns


def test_the_process_that_asks_can_write_no_file(tmp_path):
    path = tmp_path / "made"
    with no_file_written(), pytest.raises(OSError), path.open("wb") as file:
        file.write(b"x")
        file.flush()
    path.write_bytes(b"x")


def test_a_question_from_the_command_line_still_reaches_a_file(tmp_path):
    with (tmp_path / "answer.csv").open("wb") as out:
        asked = beadbook("query", "SELECT 1 AS a", "--format", "csv", "--home", tmp_path, stdout=out)
        _, errors = asked.communicate(timeout=60)
    assert asked.returncode == 0, errors
    assert Path(tmp_path / "answer.csv").read_text() == "a\n1\n"
