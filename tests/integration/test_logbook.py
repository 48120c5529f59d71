"""The logbook as an auditor meets it: verified, digested, filed, and tampered with on the disk."""

import json
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from edge.ids import uuid7
from edge.records import Correction, SnapTime, UnitFinished, UnitStarted, encode_record
from edge.wire import Address, Channel
from pipeline.chain import path_of
from pipeline.history import History
from pipeline.judging import judge
from pipeline.land.batch import Message
from pipeline.land.landing import Landing
from pipeline.limits_in_force import note, versions
from pipeline.settings import Limits, SiteSettings
from pipeline.show.filed import file_logbook
from pipeline.show.logbook import verify
from tests.running import START


def beadbook(*given):
    command = [sys.executable, "-m", "pipeline", *map(str, given)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


SITE, PUMP = "hall-9", "pump-a"


def head(minute):
    at = START + timedelta(minutes=minute)
    return {"id": uuid7(), "site": SITE, "pump": PUMP, "at": at, "by": "R. Okafor"}


@pytest.fixture
def home(tmp_path):
    """A unit, a snap time out of limits, and a correction of it."""
    snap = SnapTime(**head(30), minutes=75)
    told = SnapTime(**head(30), minutes=45)
    written = [
        UnitStarted(**head(0), unit="T9-01"),
        UnitFinished(**head(20), unit="T9-01"),
        snap,
        Correction(**head(40), supersedes=snap.id, reason="read 75 for 45", corrected=told),
    ]
    history = History(tmp_path)
    landing = Landing(history, clock=lambda: START)
    with history.only_landing():
        for seq, record in enumerate(written, 1):
            topic = Address(SITE, "edge-a", Channel.RECORD, "a" * 32, seq).topic()
            landing.land([Message(topic, encode_record(record), START)])
    judge(history, SiteSettings(name=SITE), SITE, PUMP)
    return tmp_path


def wrong(home):
    return [sentence for check in verify(home) for sentence in check.wrong]


def test_a_landed_logbook_verifies_and_its_digest_holds(home):
    assert wrong(home) == []
    filed = home / "filed.json"
    done = beadbook("logbook", "digest", "--json", "--home", home)
    filed.write_text(done.stdout)
    assert [(head["pump"], head["n"]) for head in json.loads(done.stdout)] == [(PUMP, 4)]
    assert beadbook("logbook", "verify", "--against", filed, "--home", home).returncode == 0
    path = path_of(home, (SITE, PUMP))
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:3]))
    cut = beadbook("logbook", "verify", "--against", filed, "--home", home)
    assert cut.returncode == 1
    assert "was never written down here" in cut.stdout
    assert "it ends at entry 3, the digest was filed at entry 4" in cut.stdout


def test_a_record_rewritten_in_its_table_is_named(home):
    (path,) = [
        file
        for file in (home / "history" / "records").glob("*.parquet")
        if "snap_time" in pq.ParquetFile(file).read()["kind"].to_pylist()
    ]
    rows = pq.ParquetFile(path).read().to_pylist()
    rows[0]["body"] = rows[0]["body"].replace("75", "50")
    pq.write_table(pa.Table.from_pylist(rows, pq.ParquetFile(path).schema_arrow), path, compression="zstd")
    told = wrong(home)
    assert [s for s in told if "line 3: record" in s and "does not read as it was written" in s], told


def test_a_logbook_taken_away_whole_is_missed(home):
    path_of(home, (SITE, PUMP)).unlink()
    assert len(wrong(home)) == 4


@pytest.mark.parametrize("page", ["a4", "letter"])
@pytest.mark.parametrize(
    "choose", [[], ["--project", "T9"], ["--project", "none"], ["--since", "2030-01-01"]]
)
def test_it_is_filed_as_pdf(home, tmp_path, page, choose):
    pdf = tmp_path / "logbook.pdf"
    done = beadbook("logbook", "--pdf", pdf, "--page", page, *choose, "--home", home)
    assert done.returncode == 0, done.stderr
    assert pdf.read_bytes().startswith(b"%PDF")


def test_what_is_filed_shows_a_correction_below_what_it_corrects(home, monkeypatch):
    told = {}
    monkeypatch.setattr(
        "pipeline.show.filed.typst.compile",
        lambda _path, root: told.update(json.loads((Path(root) / "logbook.json").read_text())) or b"",
    )
    file_logbook(home, now=START)
    (day,) = told["days"]
    snap, correction = (
        next(e for e in day["entries"] if e["what"] == what) for what in ("snap time", "correction")
    )
    assert snap["gone"] and "OUT, limits 30 to 60 min" in snap["text"]
    assert "read 75 for 45" in snap["below"] and "R. Okafor" in snap["below"]
    assert not correction["gone"]
    assert told["units"][0]["unit"] == "T9-01" and told["units"][0]["stands"] == "NOT COVERED"
    assert all(line.startswith("Sound") for line in told["checks"])
    assert told["heads"][0][2] == "4"


def test_each_version_of_the_limits_is_noted_once(tmp_path):
    first, second = SiteSettings(name=SITE), SiteSettings(name=SITE, limits=Limits(idle_min=4))
    for minute, settings in enumerate([first, first, second, second, first]):
        note(tmp_path, settings, START + timedelta(minutes=minute))
    assert [version.settings for version in versions(tmp_path)] == [first, second, first]
    assert [version.since - START for version in versions(tmp_path)] == [
        timedelta(minutes=minute) for minute in (0, 2, 4)
    ]
