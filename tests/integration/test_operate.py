"""What a site's keeper sees: doctor, outbox, metrics, health, units, and a stop that is graceful."""

import configparser
import json
import re
import shlex
import signal
import subprocess
import time
import urllib.error
import urllib.request
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

import pytest
from typer.testing import CliRunner

from edge.broker import BrokerUrl
from edge.outbox import Outbox
from edge.watching import Metric, exposition, watched
from edge.wire import Channel
from pipeline.backup import faults
from pipeline.cli import app
from pipeline.doctor import examine
from pipeline.history import History
from tests.running import beadbook, free_port, mosquitto, write_gauge_file

NOW = datetime.now(UTC)


def command(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def ask(url):
    try:
        with urllib.request.urlopen(url, timeout=5) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as answer:
        return answer.code, answer.read().decode()


@contextmanager
def serving(home, broker, *more):
    process = beadbook("serve", "--home", home, "--broker", broker, *more)
    try:
        assert "receiving" in process.stdout.readline()
        yield process
    finally:
        process.kill()
        process.communicate()


@pytest.fixture
def home(tmp_path):
    gauges = write_gauge_file(tmp_path / "gauges.csv", 5)
    run = command("import", gauges, "--site", "hall-9", "--pump", "pump-a", "--home", tmp_path / "home")
    assert run.exit_code == 0, run.output
    return tmp_path / "home"


def found(home, of, **more):
    return [one for one in examine(home, more.get("broker"), more.get("outbox"), NOW) if one.of == of]


@pytest.mark.mosquitto
def test_a_doctor_finds_a_running_site_well(home, tmp_path):
    with mosquitto(tmp_path) as url, serving(home, url):
        findings = list(examine(home, url, None, NOW))
    assert [one.of for one in findings if not one.well and one.of != "clock"] == []
    assert {"settings", "broker", "disk", "landing", "history"} <= {one.of for one in findings}


def test_a_doctor_says_what_is_wrong_and_what_to_do(home, tmp_path):
    (broker,) = found(home, "broker", broker=BrokerUrl("127.0.0.1", free_port()))
    assert "can't be reached" in broker.found and broker.do
    (landing,) = found(home, "landing")
    assert "serve" in landing.do
    box = Outbox(tmp_path / "outbox.sqlite", "hall-9", "edge-a")
    box.put(Channel.RECORD, b"x")
    assert found(home, "outbox", outbox=box.path)[0].well
    box._db.execute("UPDATE messages SET created_at = ?", ((NOW - timedelta(hours=3)).timestamp(),))
    (outbox,) = found(home, "outbox", outbox=box.path)
    assert "180 min" in outbox.found and outbox.do
    part = next((home / "history" / "gauge_samples").rglob("part-*.parquet"))
    part.rename(part.with_suffix(".gone"))
    (history,) = found(home, "history")
    assert part.name in history.found and "backup" in history.do
    assert faults(home)


def test_a_doctor_knows_when_gauges_are_due(home):
    today = NOW.date()
    (home / "site.toml").write_text(
        "[pumps.pump-a.calibration_due]\n"
        f"base = {today - timedelta(days=1)}\ncatalyst_1 = {today + timedelta(days=5)}\n"
        f"catalyst_2 = {today + timedelta(days=200)}\n"
    )
    base, first, second = found(home, "calibration")
    assert (base.well, "overdue" in base.found) == (False, True)
    assert (first.well, "soon" in first.found) == (True, True)
    assert (second.well, "soon" in second.found) == (True, False)


def test_a_doctor_reads_the_dates_of_an_edges_channels_too(home):
    (home / "site.toml").write_text(
        '[edges.edge-a]\npump = "pump-a"\n[[edges.edge-a.modbus]]\nurl = "tcp://127.0.0.1"\n'
        '[[edges.edge-a.modbus.channels]]\ngauge = "base"\nregister = 0\nunit = "psi"\nfactor = 0.001\n'
        "loop_low = 0.0\nloop_high = 5000.0\n"
        "calibration = { read_low = 0.0, true_low = 1.5, read_high = 4990.0, true_high = 5000.0,"
        " due = 2020-03-01 }\n"
    )
    (base,) = found(home, "calibration")
    assert base.found == "base of pump-a is due on 2020-03-01: overdue"


def test_serve_thins_what_is_older_than_the_site_keeps(tmp_path):
    old, home = tmp_path / "old.csv", tmp_path / "home"
    rows = [f"2020-01-01T10:00:{number // 10:02}.{number % 10}Z,{13_000 + number}" for number in range(600)]
    old.write_text("\n".join(["ts,base_kPa", *rows]) + "\n")
    new = write_gauge_file(tmp_path / "new.csv", 5)
    for file in (old, new):
        run = command("import", file, "--site", "hall-9", "--pump", "pump-a", "--home", home)
        assert run.exit_code == 0, run.output
    (home / "site.toml").write_text("raw_days = 1000\n")
    where = ("--listen", f"127.0.0.1:{free_port()}", "--until-idle", 0.5)
    process = beadbook("serve", "--home", home, *where)
    _, log = process.communicate(timeout=60)
    assert process.returncode == 0, log
    kept = History(home).read("gauge_samples").sort_by("at").column("at").to_pylist()
    assert [at.second for at in kept if at.year == 2020] == [0, 10, 20, 30, 40, 50]
    assert sum(at.year == 2026 for at in kept) == 50
    assert "thinned days=1 rows=600 kept=6" in log


def test_a_doctor_names_line_and_key_of_wrong_settings_and_exits_1(home):
    (home / "site.toml").write_text('name = "hall-9"\n\n[limits]\nidle_minn = 5\n')
    run = command("doctor", "--home", home, "--json")
    assert run.exit_code == 1
    settings = json.loads(run.output.splitlines()[0])
    assert settings["of"] == "settings"
    assert "line 4" in settings["do"] and "idle_minn" in settings["found"]


def test_a_retention_and_a_copy_by_command(home, tmp_path):
    run = command("backup", "--home", home, "--to", tmp_path / "copy")
    assert run.exit_code == 0, run.output
    run = command("restore", "--from", tmp_path / "copy", "--home", tmp_path / "again")
    assert run.exit_code == 0, run.output
    assert History(tmp_path / "again").read("gauge_samples").num_rows == 50
    run = command("thin", "--older-than-days", "30", "--home", tmp_path / "again")
    assert run.exit_code == 0, run.output


def test_an_outbox_shows_its_depth_and_age(tmp_path):
    box = Outbox(tmp_path / "outbox.sqlite", "hall-9", "edge-a")
    box.put_many([(Channel.GAUGES, b"x" * 500_000)] * 2)
    box.put(Channel.PHOTO, b"y")
    run = command("outbox", "--outbox", box.path)
    assert "edge-a of hall-9: 3 messages not receipted yet (2 gauges, 1 photo), 1.0 MB" in run.output
    assert "the oldest since" in run.output
    assert json.loads(command("outbox", "--outbox", box.path, "--json").output)["messages"] == 3


@pytest.mark.mosquitto
def test_a_watcher_sees_what_landed_and_when_the_broker_is_gone(tmp_path):
    port, home = free_port(), tmp_path / "home"
    gauges = write_gauge_file(tmp_path / "gauges.csv", 5)
    with mosquitto(tmp_path) as url:
        serve = serving(home, url, "--metrics", f"127.0.0.1:{port}")
        with serve as process:
            play = beadbook(
                *("replay", gauges, "--site", "hall-9", "--edge", "edge-a", "--pump", "pump-a", "--fast"),
                *("--broker", url, "--outbox", tmp_path / "o.sqlite"),
            )
            assert play.wait(60) == 0
            assert ask(f"http://127.0.0.1:{port}/health") == (200, "ok\n")
            status, text = ask(f"http://127.0.0.1:{port}/metrics")
            assert status == 200
            assert "\nbeadbook_landed_samples_total 50\n" in text
            assert "# TYPE beadbook_landed_samples_total counter\n" in text
            assert ask(f"http://127.0.0.1:{port}/secret")[0] == 404
            process.send_signal(signal.SIGTERM)
            output, _ = process.communicate(timeout=60)
            assert process.returncode == 0 and "50 samples" in output
    with mosquitto(tmp_path) as url:
        process = beadbook("serve", "--home", home, "--broker", url, "--metrics", f"127.0.0.1:{port}")
        assert "receiving" in process.stdout.readline()
    try:
        deadline = time.monotonic() + 20
        while ask(f"http://127.0.0.1:{port}/health")[0] == 200 and time.monotonic() < deadline:
            time.sleep(0.1)
        assert ask(f"http://127.0.0.1:{port}/health") == (503, "no contact with the broker\n")
    finally:
        process.kill()
        process.communicate()


def test_metrics_are_written_as_their_format_asks():
    # Prometheus exposition format 0.0.4: HELP, TYPE, then samples; \\, " and newline escaped in label values.
    text = exposition([Metric("a_total", "counter", "Things.", {(("of", 'a"b\\c\nd'),): 2.0, (): 0.5})])
    assert (
        text
        == '# HELP a_total Things.\n# TYPE a_total counter\na_total{of="a\\"b\\\\c\\nd"} 2\na_total 0.5\n'
    )


def test_two_watchers_do_not_share_a_port():
    from edge.errors import CallError

    with (
        watched(("127.0.0.1", 0), list, lambda: None) as port,
        pytest.raises(CallError, match="give another --metrics"),
        watched(("127.0.0.1", port), list, lambda: None),
    ):
        pass


def test_the_units_call_commands_that_there_are(tmp_path):
    run = command("units", "--to", tmp_path)
    assert run.exit_code == 0, run.output
    services = sorted(tmp_path.glob("*.service"))
    assert len(services) == 3 and len(list(tmp_path.glob("*.timer"))) == 1
    for unit in services:
        text = unit.read_text()
        parsed = configparser.ConfigParser(strict=False, interpolation=None)
        parsed.read_string(text)
        words = shlex.split(parsed["Service"]["ExecStart"])
        help_text = command(words[1], "--help").output
        for option in [word for word in words if word.startswith("--")]:
            assert re.search(rf"{option}\b", help_text), f"{unit.name}: {words[1]} has no {option}"


def test_log_lines_are_read_by_a_person_and_by_a_machine(tmp_path):
    process = beadbook(
        "serve", "--home", tmp_path / "home", "--listen", f"127.0.0.1:{free_port()}", "--until-idle", 1
    )
    _, log = process.communicate(timeout=60)
    assert process.returncode == 0
    for line in log.splitlines():
        assert re.match(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d,\d{3} (INFO|WARNING|ERROR) \w", line), line


def test_capture_answers_a_watcher_too(tmp_path):
    port = free_port()
    (tmp_path / "photos").mkdir()
    process = beadbook(
        *("capture", "--site", "hall-9", "--edge", "edge-a", "--pump", "pump-a"),
        *("--watch", tmp_path / "photos", "--outbox", tmp_path / "o.sqlite"),
        *("--broker", f"mqtt://127.0.0.1:{free_port()}", "--metrics", f"127.0.0.1:{port}"),
        stderr=subprocess.DEVNULL,
    )
    try:
        deadline = time.monotonic() + 30
        text = ""
        while "beadbook_broker_connected 0" not in text:
            assert time.monotonic() < deadline, text
            time.sleep(0.2)
            try:
                text = ask(f"http://127.0.0.1:{port}/metrics")[1]
            except OSError:
                continue
        assert "beadbook_outbox_oldest_seconds 0" in text
    finally:
        process.terminate()
        assert process.wait(30) == 0
