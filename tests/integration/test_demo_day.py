"""The invented day through every real part: what was planted is found, and nothing else is.

The truth is tests/shop/day.py, written before any of it was analysed.
"""

import csv
import gzip
import json
import subprocess
import sys
from datetime import datetime, timedelta

import pytest

from pipeline.join import connect
from pipeline.samples import find_samples
from tests.shop.day import DAY, PLANTED, at
from tests.shop.signed import LOGBOOK, SIGNED, units_made

# How far a finding may lie from what was planted: a stroke or two, a minute where people write by the minute.
NEAR = timedelta(minutes=2)
# A slow climb is told once it stands out, somewhere within the time in which it was planted.
SLOW = {"clogging"}


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    home = tmp_path_factory.mktemp("demo") / "home"
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", "demo", "--home", str(home)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    return home, done.stdout


def findings(home, pump, shift):
    page = home / "reports" / f"{DAY}_{pump}_shift{shift}.json"
    return json.loads(page.read_text())["findings"]


@pytest.mark.parametrize(("pump", "shift"), PLANTED)
def test_the_summary_names_what_was_planted_and_nothing_else(demo, pump, shift):
    home, _ = demo
    found = findings(home, pump, shift)
    planted = PLANTED[pump, shift]
    told = [(one["kind"], one["sentence"]) for one in found]
    assert sorted(kind for kind, _ in told) == sorted(kind for kind, _, _ in planted), told
    for kind, start, end in planted:
        (one,) = (one for one in found if one["kind"] == kind)
        began, ended = (datetime.fromisoformat(one[key] or one["start"]) for key in ("start", "end"))
        if kind in SLOW:
            assert at(start) <= began <= ended <= at(end) + NEAR, one
            continue
        assert abs(began - at(start)) <= NEAR, one
        if end is not None:
            assert abs(ended - at(end)) <= NEAR, one


def test_every_gauge_row_record_and_photograph_of_the_samples_is_in_the_history(demo):
    home, _ = demo
    samples = find_samples()
    rows = records = photos = 0
    for path in samples.streams.glob("pump-*.csv.gz"):
        with gzip.open(path, "rt") as file:
            rows += sum(1 for _ in csv.reader(file)) - 1  # the ambient readings share these moments
    for path in samples.streams.glob("*_records.ndjson"):
        records += len(path.read_text().splitlines())
    for path in samples.streams.glob("*_photos.ndjson"):
        photos += len(path.read_text().splitlines())
    counted = connect(home).execute(
        "SELECT (SELECT count(*) FROM gauge_samples), (SELECT count(*) FROM history.records"
        " WHERE kind <> 'contact_loss'), (SELECT count(*) FROM history.photos),"
        " (SELECT count(*) FROM history.rejected)"
    )
    assert counted.fetchone() == (rows, records, photos, 0)


def test_it_ends_with_the_summaries_and_says_where_the_pages_are(demo):
    home, printed = demo
    for pump, shift in PLANTED:
        for ending in ("html", "json"):
            path = home / "reports" / f"{DAY}_{pump}_shift{shift}.{ending}"
            assert path.stat().st_size > 1000
            assert str(path) in printed
    assert "façade engineer" in printed


def test_query_and_the_python_call_give_the_same_rows(demo):
    home, _ = demo
    asked = [sys.executable, "-m", "pipeline", "query", "SELECT * FROM shift_summary ORDER BY ALL"]
    done = subprocess.run(
        [*asked, "--format", "csv", "--home", str(home)], capture_output=True, text=True, check=True
    )
    by_command = list(csv.DictReader(done.stdout.splitlines()))
    frame = connect(home).sql("SELECT * FROM shift_summary ORDER BY ALL").df()
    assert len(frame) == len(by_command) == len(PLANTED)
    assert list(frame.columns) == list(by_command[0])
    for column in ("pump", "shift", "verdict", "units_made", "smear_failed", "base_strokes"):
        assert [str(value) for value in frame[column]] == [row[column] for row in by_command]


def test_a_changeover_is_no_fault_of_the_other_parts_gauge():
    recording = find_samples().streams / "pump-a_late.csv.gz"
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", "inspect", str(recording), "--json"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert json.loads(done.stdout)["sensor_faults"] == []


def signed_page(home, pump, shift):
    return json.loads((home / "reports" / f"{DAY}_{pump}_shift{shift}.json").read_text())


def moment(text):
    return datetime.fromisoformat(text)


@pytest.mark.parametrize(("pump", "shift"), SIGNED)
def test_every_line_of_the_summary_is_as_signed_by_hand(demo, pump, shift):
    home, _ = demo
    page, signed = signed_page(home, pump, shift), SIGNED[pump, shift]
    assert (page["verdict"], page["reasons"], page["overridden"]) == (signed.verdict, [], False)
    smears = [(moment(s["time"]), s["seen_by"], s["verdict"]) for s in page["smears"]]
    assert smears == [(at(clock), by, verdict) for clock, by, verdict in signed.smears]
    tests = [(moment(t["time"]), t["kind"], t["passed"]) for t in page["tests"]]
    assert tests == [(at(clock), kind, good) for clock, kind, good in signed.tests]
    stops = page["stops"]
    assert [s["purged"] for s in stops] == [purged for _, _, purged in signed.stops], stops
    for stop, (start, end, _) in zip(stops, signed.stops, strict=True):
        assert abs(moment(stop["start"]) - at(start)) <= NEAR, stop
        # The recording ends while the pump is off: how long it stood by then is the recording's to say.
        assert moment(stop["end"]) >= at(end) - NEAR and (
            end == "21:50" or moment(stop["end"]) <= at(end) + NEAR
        ), stop
    assert [(moment(r["time"]), r["part"]) for r in page["replaced"]] == [
        (at(clock), part) for clock, part in signed.replaced
    ]
    assert [(lot["part"], lot["lot"]) for lot in page["lots"]] == list(signed.lots)
    made = units_made(pump, shift)
    assert [(u["unit"], moment(u["started"]), moment(u["finished"])) for u in page["units"]] == [
        (unit, at(start), at(end)) for unit, start, end in made
    ]
    bare = {unit[-3:] for unit, _, _ in made}
    assert {u["unit"][-3:] for u in page["units"] if u["covered"]} == bare - set(signed.uncovered)
    assert tuple(u["unit"][-3:] for u in page["units"] if u["suspect"]) == signed.suspect
    assert tuple(page["reminders"]) == signed.reminders


@pytest.mark.parametrize(("pump", "shift"), SIGNED)
def test_the_pump_was_held_when_the_rules_say_and_at_no_other_time(demo, pump, shift):
    home, _ = demo
    page, signed = signed_page(home, pump, shift), SIGNED[pump, shift]
    spans = [span for span in page["release"] if span["what"] == "hold"]
    for start, end, rules in signed.held:
        mine = [
            s for s in spans if moment(s["end"]) > at(start) + NEAR and moment(s["start"]) < at(end) - NEAR
        ]
        assert mine, (start, end, spans)
        assert abs(min(moment(s["start"]) for s in mine) - at(start)) <= NEAR, mine
        assert abs(max(moment(s["end"]) for s in mine) - at(end)) <= NEAR, mine
        assert set().union(*(s["rules"] for s in mine)) == rules, mine
        spans = [s for s in spans if s not in mine]
    # Whatever else held did so for a stop that reached its limit by a hair.
    for span in spans:
        assert span["rules"] == ["extended_stop"], span
        assert moment(span["end"]) - moment(span["start"]) <= timedelta(minutes=5), span


@pytest.mark.parametrize("pump", LOGBOOK)
def test_the_logbook_is_as_written_by_hand_line_by_line(demo, pump):
    home, _ = demo
    units = [
        line
        for shift in (1, 2)
        for unit, start, end in units_made(pump, shift)
        for line in ((start, "unit_started", unit), (end, "unit_finished", unit))
    ]
    wanted = sorted((at(clock), what, said) for clock, what, said in [*LOGBOOK[pump], *units])
    book = connect(home).sql(f"SELECT time, what, text FROM logbook WHERE pump = '{pump}'").fetchall()
    told = sorted((time.replace(second=0), what, text) for time, what, text in book)
    # Why a photograph fails, and how many messages an edge kept, is the measurements' to say.
    measured = ("smear_score", "contact_loss")
    cut = [
        (time, what, text.split()[0].rstrip(":") if what in measured else text) for time, what, text in told
    ]
    assert cut == wanted
