"""An auditor must be told where what landed is no longer as it was committed, and be told it in words."""

import json
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from edge.ids import uuid7
from edge.records import SnapTime, encode_record
from edge.wire import Address, Channel
from pipeline.history import History
from pipeline.land.batch import Message
from pipeline.land.landing import Landing
from pipeline.seal import FILE_NAME
from pipeline.show.logbook import verify
from tests.running import START

STREAM = "a" * 32


def land(home, *minutes, first=1):
    history = History(home)
    landing = Landing(history, clock=lambda: START)
    for seq, each in enumerate(minutes, first):
        record = SnapTime(id=uuid7(), site="hall-9", pump="pump-a", at=START, by="R. Okafor", minutes=each)
        topic = Address("hall-9", "edge-a", Channel.RECORD, STREAM, seq).topic()
        landing.land([Message(topic, encode_record(record), START)])
    return history


@pytest.fixture
def home(tmp_path):
    """Records in four files, sealed twice."""
    history = land(tmp_path, 41, 42)
    history.compact()
    land(tmp_path, 43, 44, first=3).compact()
    return tmp_path


def wrong(home):
    return [sentence for check in verify(home) for sentence in check.wrong]


def files(home):
    return sorted((home / "history" / "records").glob("*.parquet"))


def entries(home):
    return sorted((home / "history" / "records" / "_delta_log").glob("*.json"))


def test_what_nobody_touched_is_as_it_was_sealed(home):
    assert wrong(home) == []
    assert len((home / FILE_NAME).read_text().splitlines()) == 2
    (seals,) = [check for check in verify(home) if "sealed" in check.what]
    assert "the last seal is" in seals.what


def test_a_home_may_be_named_by_a_relative_path_or_a_link(home, tmp_path_factory, monkeypatch):
    monkeypatch.chdir(home.parent)
    land(Path(home.name), 45, first=5).compact()
    assert wrong(Path(home.name)) == []
    link = tmp_path_factory.mktemp("link") / "home"
    link.symlink_to(home)
    land(link, 46, first=6).compact()
    assert wrong(link) == wrong(home) == []


def test_what_landed_after_the_last_seal_is_nothing_wrong(home):
    land(home, 45, 46, first=5)
    assert wrong(home) == []


def test_rewriting_many_files_as_one_is_sealed_too(home):
    land(home, 45, 46, first=5).compact(files_max=2)
    assert wrong(home) == []
    assert History(home).read("records").num_rows == 6


def test_a_row_rewritten_in_its_file_is_found(home):
    path = files(home)[0]
    rows = pq.ParquetFile(path).read().to_pylist()
    rows[0]["body"] = rows[0]["body"].replace('"minutes":4', '"minutes":5')
    pq.write_table(pa.Table.from_pylist(rows, pq.ParquetFile(path).schema_arrow), path, compression="zstd")
    assert any(path.name in sentence and "has changed" in sentence for sentence in wrong(home))


def test_an_entry_edited_to_forget_a_file_is_found(home):
    entry = next(entry for entry in entries(home) if '"add"' in entry.read_text())
    lines = [line for line in entry.read_text().splitlines() if "add" not in json.loads(line)]
    entry.write_text("\n".join(lines) + "\n")
    assert any("no longer names it" in sentence for sentence in wrong(home))


def test_a_table_taken_away_whole_is_found(home):
    folder = home / "history" / "records"
    folder.rename(home / "elsewhere")
    assert sum("no longer names it" in sentence for sentence in wrong(home)) == 4


def last_seal(home):
    (seals,) = [check.what for check in verify(home) if "sealed" in check.what]
    return seals.rpartition(" ")[2]


def test_a_seal_changed_or_taken_away_is_found(home):
    path = home / FILE_NAME
    first, second = path.read_text().splitlines()
    path.write_text(first.replace('"version":', '"version":1') + f"\n{second}\n")
    assert any("a seal before it was changed" in sentence for sentence in wrong(home))
    path.write_text(f"{second}\n")
    assert any("a seal before it was changed" in sentence for sentence in wrong(home))


def test_a_chain_cut_short_ends_in_another_seal_than_was_written_down(home):
    noted, path = last_seal(home), home / FILE_NAME
    path.write_text(path.read_text().splitlines()[0] + "\n")
    assert last_seal(home) != noted


def test_a_damaged_chain_is_not_written_on_and_landing_goes_on(home, caplog):
    path = home / FILE_NAME
    path.write_text("junk\n" + path.read_text())
    damaged = path.read_text()
    land(home, 45, first=5).compact()
    assert "not sealed" in caplog.text
    assert path.read_text() == damaged
    assert History(home).read("records").num_rows == 5


def test_a_seal_torn_off_by_a_kill_is_made_again(home):
    path = home / FILE_NAME
    path.write_bytes(path.read_bytes()[:-20])
    land(home, 45, first=5).compact()
    assert wrong(home) == []


@pytest.mark.parametrize("damage", ["file", "entry", "first entry"])
def test_what_can_not_be_read_any_more_is_told_in_a_sentence(home, damage):
    if damage == "file":
        files(home)[0].write_bytes(b"PAR1")
    elif damage == "entry":
        entries(home)[-1].write_text("junk")
    else:
        entries(home)[0].unlink()
    told = wrong(home)
    assert told and all(sentence.endswith(".") and "\n" not in sentence for sentence in told)
