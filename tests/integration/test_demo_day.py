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
