"""What is wrong with a call or a file is said in one sentence, with its exit status and no traceback."""

import gzip
import json

import pytest

from pipeline.cli import main
from pipeline.history import History
from tests.running import beadbook, free_port, write_gauge_file

SHIFT = ("--site", "hall-9", "--pump", "pump-a", "--shift", "1")
SITE = ("--site", "hall-9", "--edge", "edge-a", "--pump", "pump-a")


@pytest.fixture
def run(monkeypatch, capsys):
    """Call `beadbook` and give (exit status, standard output, standard error)."""

    def call(*words):
        monkeypatch.setattr("sys.argv", ["beadbook", *map(str, words)])
        with pytest.raises(SystemExit) as left:
            main()
        return left.value.code, *capsys.readouterr()

    return call


def said(errors):
    """The one line on standard error."""
    (line,) = errors.splitlines()
    assert line.startswith("beadbook: ")
    assert "Traceback" not in errors
    return line


def gauge_file(tmp_path, text):
    path = tmp_path / "gauges.csv"
    path.write_text(text)
    return path


CALLS = {
    "name": (
        ("replay", "x.csv", "--site", "Hall 9", "--edge", "e", "--pump", "p"),
        "'Hall 9' can't be a name",
    ),
    "broker": (("replay", "x.csv", *SITE, "--broker", "shop:1883"), "not a URL of mqtt://"),
    "outage": (("replay", "x.csv", *SITE, "--offline", "noon/1300"), "'noon' is no time"),
    "outage backwards": (
        ("replay", "x.csv", *SITE, "--offline", "2026-10-14T13:00Z/2026-10-14T12:00Z"),
        "ends before it begins",
    ),
    "no offset": (("photo", "x.jpg", *SITE, "--by", "x", "--taken-at", "2026-10-14T12:00"), "has no offset"),
    "no source": (("capture", *SITE), "nothing to capture"),
    "listen": (("serve", "--listen", "1883"), "is no host and port"),
    "no command": (("sumary",), "No such command 'sumary'"),
    "no option": (("score", "x.jpg", "--jsn"), "No such option: --jsn"),
    "no argument": (("query",), "neither or both of SQL and --named"),
    "no number": (("summary", "--shift", "one"), "--shift"),
    "kind": (("record", "snap", *SITE, "--by", "x"), "take one of adhesion"),
    "field": (
        ("record", "snap_time", "minutes=4O", *SITE, "--by", "x"),
        "snap_time takes minutes=... [base_lot",
    ),
    "field missing": (("record", "changeover", *SITE, "--by", "x"), "changeover takes part=... new_lot=..."),
    "head as a field": (("record", "purge", "by=me", *SITE, "--by", "x"), "give it as an option"),
    "the edge's own": (("record", "contact_loss", *SITE, "--by", "x"), "no kind"),
    "future": (("record", "purge", *SITE, "--by", "x", "--at", "2999-01-01T00:00Z"), "lies in the future"),
    "no day": (("summary", *SHIFT, "--day", "9999-12-31"), "is not from 1970 to 2199"),
    "first day": (("logbook", "--since", "0001-01-01"), "is not from 1970 to 2199"),
    "label": (("import", __file__, "--site", "hall-9"), "needs --pump"),
}


@pytest.mark.parametrize(("words", "says"), CALLS.values(), ids=CALLS.keys())
def test_a_wrong_call_exits_2(run, words, says):
    status, output, errors = run(*words)
    assert (status, output) == (2, "")
    assert says in said(errors)


FILES = {
    "missing column": ("base_psi\n1\n", "no column 'ts'"),
    "wrong unit": ("ts,base_atm\n", "unknown unit 'atm'"),
    "unknown gauge": ("ts,flow_psi\n", "unknown gauge"),
    "local time": ("ts,base_psi\n2026-10-14T06:00:00,1\n", "has no offset"),
    "short line": (
        "ts,base_psi,air_psi\n2026-10-14T06:00:00Z,1\n2026-10-14T06:00:00Z,1,2\n",
        "line 2",
    ),
    "empty": ("", "is empty"),
}


@pytest.mark.parametrize(("text", "says"), FILES.values(), ids=FILES.keys())
def test_a_gauge_file_that_cannot_be_used_exits_3_and_is_set_aside(run, tmp_path, text, says):
    path, home = gauge_file(tmp_path, text), tmp_path / "home"
    status, output, errors = run("import", path, "--site", "hall-9", "--pump", "pump-a", "--home", home)
    assert status == 3
    assert says in said(errors)
    assert "1 set aside" in output
    (row,) = History(home).read("rejected").to_pylist()
    assert says in row["reason"]
    assert (home / "rejected" / row["sha256"]).read_bytes() == text.encode()


@pytest.mark.parametrize("words", [("replay", *SITE), ("import", "--site", "hall-9", "--pump", "pump-a")])
def test_a_file_that_is_not_there_exits_3(run, tmp_path, words):
    command, *options = words
    if command == "import":
        options += ["--home", tmp_path / "home"]
    else:
        options += ["--outbox", tmp_path / "outbox.sqlite"]
    status, _, errors = run(command, tmp_path / "no.csv", *options)
    assert status == 3
    assert "no.csv" in said(errors)


def test_a_torn_gzip_file_exits_3(run, tmp_path):
    path = tmp_path / "gauges.csv.gz"
    path.write_bytes(gzip.compress(write_gauge_file(tmp_path / "g.csv", 10).read_bytes())[:-200])
    broker = f"mqtt://127.0.0.1:{free_port()}"
    status, _, errors = run(
        "replay", path, *SITE, "--broker", broker, "--outbox", tmp_path / "outbox.sqlite", "--fast"
    )
    assert status == 3
    assert "gzip data is broken or ends early" in errors.splitlines()[-1]
    assert "Traceback" not in errors


def test_good_lines_land_and_bad_ones_are_set_aside_each_with_its_line(run, tmp_path):
    record = {
        "kind": "unit_started", "id": "01a13a16-4360-7061-8000-000000000001", "site": "hall-9",
        "pump": "pump-a", "at": "2026-10-14T11:00:00Z", "by": "R. Okafor", "unit": "H9-1",
    }  # fmt: skip
    lines = [json.dumps(record), "{", json.dumps({**record, "unit": 5}), json.dumps({"topic": "x"})]
    path, home = tmp_path / "day.ndjson", tmp_path / "home"
    path.write_text("\n".join(lines) + "\n")
    status, output, errors = run("import", path, "--site", "hall-9", "--home", home)
    assert status == 3
    assert [f"line {n}" in line for n, line in zip((2, 3, 4), errors.splitlines(), strict=True)] == [True] * 3
    assert output.startswith(
        "0 samples, 1 record and 0 photographs landed, 0 were there already, 3 set aside"
    )
    status, output, _ = run("import", path, "--site", "hall-9", "--home", home)
    assert output.startswith(
        "0 samples, 0 records and 0 photographs landed, 1 were there already, 0 set aside"
    )
    assert History(home).read("rejected").num_rows == 3


def test_no_broker_ends_in_a_sentence_and_keeps_the_messages(run, tmp_path):
    gauges, outbox = write_gauge_file(tmp_path / "gauges.csv", 5), tmp_path / "outbox.sqlite"
    status, _, errors = run(
        *("replay", gauges, *SITE, "--broker", f"mqtt://127.0.0.1:{free_port()}"),
        *("--outbox", outbox, "--fast", "--timeout", "1"),
    )
    assert status == 3
    assert "5 messages left" in errors.splitlines()[-1]
    assert "Traceback" not in errors


def test_a_port_in_use_and_a_home_in_use_are_told(run, tmp_path):
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        status, _, errors = run("serve", "--home", tmp_path, "--listen", f"127.0.0.1:{port}")
    assert status == 2
    assert "can't listen" in said(errors)
    with History(tmp_path).only_landing():
        status, _, errors = run(
            "import",
            write_gauge_file(tmp_path / "g.csv", 1),
            "--site",
            "s",
            "--pump",
            "p",
            "--home",
            tmp_path,
        )
    assert status == 3
    assert "another landing already writes" in said(errors)


def test_a_home_or_outbox_that_can_not_be_one_is_told(run, tmp_path):
    file = tmp_path / "file"
    file.write_text("x")
    shift = ("--site", "hall-9", "--pump", "pump-a", "--day", "2026-10-14", "--shift", "1")
    for words in (
        ("serve", "--home", file, "--listen", f"127.0.0.1:{free_port()}"),
        ("import", write_gauge_file(tmp_path / "g.csv", 1), *SITE[:2], *SITE[4:], "--home", file),
        ("summary", *shift, "--home", file),
        ("query", "SELECT 1", "--home", file),
        ("logbook", "--home", file / "deeper"),
        ("rebuild", "--home", tmp_path / "none"),
        ("record", "purge", *SITE, "--by", "x", "--outbox", file / "outbox.sqlite"),
        ("sheet", "--page", "a4", "--out", file / "sheet.pdf"),
    ):
        status, output, errors = run(*words)
        assert (status, output) == (3 if words[0] != "sheet" else 2, ""), words
        said(errors)


def test_a_file_that_is_no_picture_is_told_to_whoever_sends_it(run, tmp_path):
    path = tmp_path / "smear.jpg"
    path.write_text("<html>")
    outbox = tmp_path / "outbox.sqlite"
    status, _, errors = run("photo", path, *SITE, "--by", "R. Okafor", "--outbox", outbox)
    assert status == 3
    assert "is no picture" in said(errors)
    assert not outbox.exists()


def test_a_damaged_table_is_told(run, tmp_path):
    home, gauges = tmp_path / "home", write_gauge_file(tmp_path / "g.csv", 5)
    assert run("import", gauges, "--site", "hall-9", "--pump", "pump-a", "--home", home)[0] == 0
    for file in (home / "history" / "pump_days").rglob("*.parquet"):
        file.write_bytes(file.read_bytes()[:100])
    status, _, errors = run("query", "SELECT count(*) FROM shift_summary", "--home", home)
    assert status == 3
    assert "a table can't be read" in said(errors)


@pytest.mark.parametrize(
    "sql",
    [
        "SELECT list(range(2000000000))",
        "SELECT count(*) FROM range(100000) a, range(100000) b, range(100000) c WHERE hash(a, b, c) = 1",
        "SELECT repeat('x', 1000000000), repeat('y', 1000000000), repeat('z', 1000000000)",
    ],
)
def test_a_question_without_end_is_ended(tmp_path, sql):
    asked = beadbook("query", sql, "--home", tmp_path, "--timeout-s", "1")
    _, errors = asked.communicate(timeout=60)
    assert asked.returncode == 2
    assert said(errors).startswith("beadbook: SQL: ")


def test_a_bad_site_toml_is_told(run, tmp_path):
    (tmp_path / "site.toml").write_text("time_zone = [")
    status, _, errors = run("serve", "--home", tmp_path, "--listen", f"127.0.0.1:{free_port()}")
    assert status == 3
    assert "site.toml" in errors.splitlines()[-1]
    assert "Traceback" not in errors
