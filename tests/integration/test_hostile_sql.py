"""SQL that wants more than answers: no crash, no hang, no file read or made, each refusal in one sentence."""

import json
import os
import subprocess
import sys
import textwrap
import time
from contextlib import closing
from pathlib import Path

import pytest

from edge.errors import CallError
from pipeline.cli.limits import GRACE_S, no_file_written
from pipeline.join.ask import ask
from tests.running import ROOT, beadbook
from tests.shop.hostile_sql import hostile_sql

CANARY = "no-question-may-see-this-4711"
TIMEOUT_S = 0.7
# What the command's own watch allows, and time to end and to begin again on a busy machine.
NOTICED_S = TIMEOUT_S + GRACE_S + 15.0


def standing(*folders):
    return {
        str(path): (path.stat().st_size, path.stat().st_mtime_ns)
        for folder in folders
        for path in sorted(folder.rglob("*"))
    }


# As `beadbook query` does it, with one process for many questions.
ASKING = """
    import io, json, sys
    from itertools import cycle
    from pipeline.cli.limits import limited, no_file_written
    from pipeline.join.ask import ask
    from edge.errors import CallError
    from pipeline.show.answers import FORMATS, write_answer
    home, timeout_s, canary = sys.argv[1], float(sys.argv[2]), sys.argv[3]
    for line, form in zip(sys.stdin, cycle(FORMATS), strict=False):
        told = {"rows": None, "said": None, "seen": False}
        try:
            with limited(timeout_s), no_file_written():
                answer = ask(home, json.loads(line), timeout_s)
                out = io.BytesIO()
                write_answer(answer.slice(0, 1000), form, out, False)
                told |= {"rows": answer.num_rows, "seen": canary.encode() in out.getvalue()}
        except CallError as refused:
            told["said"] = str(refused)
        print(json.dumps(told), flush=True)
"""


class Asker:
    """A process that answers; a new one where a question cost it its life."""

    def __init__(self, home, folder):
        self._call = [sys.executable, "-c", textwrap.dedent(ASKING), home, str(TIMEOUT_S), CANARY]
        self._environment = {**os.environ, "BEADBOOK_CANARY": CANARY, "PYTHONPATH": str(ROOT)}
        self._environment |= {"HOME": str(folder), "OMP_NUM_THREADS": "1"}
        self._folder, self._process, self.ended = folder, None, 0

    def ask(self, sql):
        if self._process is None:
            pipe = subprocess.PIPE
            self._process = subprocess.Popen(
                self._call, cwd=self._folder, env=self._environment,
                stdin=pipe, stdout=pipe, stderr=pipe, text=True,
            )  # fmt: skip
        self._process.stdin.write(json.dumps(sql) + "\n")
        self._process.stdin.flush()
        if line := self._process.stdout.readline():
            return json.loads(line)
        _, errors = self._process.communicate(timeout=30)
        status, self._process = self._process.returncode, None
        self.ended += 1
        # Not a crash: the command ended itself, with its sentence and its status.
        assert status == 2, (sql, status, errors)
        return {"rows": None, "said": errors.strip().removeprefix("beadbook: "), "seen": False}

    def close(self):
        if self._process is not None:
            self._process.communicate(timeout=30)


def try_all(seed, count, tmp_path):
    """Ask them all; how many were answered, and the refusals."""
    home, lure = tmp_path / "home", tmp_path / "lure"
    home.mkdir()
    lure.mkdir()
    canary = lure / "canary.csv"
    canary.write_text(f"content\n{CANARY}\n")
    before, answered, refusals, slowest = standing(tmp_path), 0, [], ("", 0.0)
    with closing(Asker(home, lure)) as asker:
        for sql in hostile_sql(seed, count, canary, lure / "made"):
            began = time.monotonic()
            told = asker.ask(sql)
            took = time.monotonic() - began
            slowest = max(slowest, (sql, took), key=lambda one: one[1])
            assert took < NOTICED_S, (sql, took)
            assert not told["seen"], sql
            if (said := told["said"]) is None:
                answered += 1
                continue
            assert said.startswith("SQL: ") and said.endswith(".") and "\n" not in said, (sql, said)
            assert len(said) < 1000, (sql, said)
            assert CANARY not in said.replace(sql, ""), sql
            refusals.append(said)
    assert standing(tmp_path) == before
    print(
        f"{answered} answered, {len(refusals)} refused ({asker.ended} by ending the process), "
        f"slowest {slowest[1]:.1f} s: {slowest[0]:.100}"
    )
    return answered, refusals


def test_hostile_sql_is_refused_in_one_sentence(tmp_path):
    answered, refusals = try_all(1, 60, tmp_path)
    assert answered and any("not one SELECT" in one for one in refusals)
    assert any("only the history may be read" in one for one in refusals)


@pytest.mark.slow
def test_two_thousand_hostile_questions(tmp_path):
    seed, count = int(os.environ.get("BEADBOOK_SEED", "20")), int(os.environ.get("BEADBOOK_HOSTILE", "2000"))
    answered, refusals = try_all(seed, count, tmp_path)
    assert answered + len(refusals) == count
    assert len(refusals) > count / 2


def test_the_check_sees_a_file_that_is_read(tmp_path, monkeypatch):
    # The same process, asked by somebody who left the doors open.
    careless = ASKING.replace(
        "ask(home, json.loads(line), timeout_s)", "duckdb.sql(json.loads(line)).to_arrow_table()"
    )
    monkeypatch.setattr(
        "tests.integration.test_hostile_sql.ASKING", careless.replace("import json,", "import duckdb, json,")
    )
    monkeypatch.setattr(
        "tests.integration.test_hostile_sql.hostile_sql",
        lambda _seed, _count, canary, _made: [f"SELECT * FROM read_text('{canary}')"],
    )
    with pytest.raises(AssertionError, match="read_text"):
        try_all(1, 1, tmp_path)


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
