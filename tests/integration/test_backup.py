"""A home is copied while it lands, put in place again, and what is then replayed stores nothing twice."""

import shutil
import threading
from collections import Counter
from uuid import UUID

import pyarrow as pa
import pytest

from edge.errors import InputError
from edge.records import UnitStarted, encode_record
from edge.wire import Channel, Sender
from pipeline.advance import derive_gauges
from pipeline.backup import back_up, faults, restore
from pipeline.history import History
from pipeline.land.batch import ORDER, whole_id
from pipeline.land.landing import Landing
from pipeline.retention import thin_before, thinned_days
from pipeline.settings import SiteSettings
from pipeline.tables import TABLES
from pipeline.unchanged import Unchanged
from tests.running import ROOT, START
from tests.unit.test_landing import gauges, message, photo

STREAM = "5" * 32
SENDER = Sender("hall-9", "edge-a", STREAM)
FIXTURE = ROOT / "tests" / "fixtures" / "home_0_1"


def land(home, messages):
    history = History(home)
    with history.only_landing():
        return Landing(history).land(messages)


def rows(home):
    """Every row but for when it was committed, by table."""
    history = History(home)
    kept = {}
    for name in ORDER:
        table = history.read(name)
        columns = [column for column in table.column_names if column != "landed_at"]
        kept[name] = Counter(map(str, table.select(columns).to_pylist()))
    return kept


def one(seq):
    """A gauge pack; every tenth message is a photograph, the one after it a record."""
    if seq % 10 == 0:
        return message(seq, photo(b"\xff\xd8\xff %d" % seq), Channel.PHOTO, STREAM)
    if seq % 10 == 1:
        head = {"site": "hall-9", "pump": "pump-a", "at": START, "by": "R. Okafor"}
        said = UnitStarted(id=UUID(int=seq), unit=f"H9-{seq}", **head)
        return message(seq, encode_record(said), Channel.RECORD, STREAM)
    return gauges(seq, STREAM)


def some(first, last):
    return [one(seq) for seq in range(first, last + 1)]


def test_a_backup_made_while_landing_holds_a_whole_moment_and_a_replay_adds_only_what_came_after(tmp_path):
    home, stopped = tmp_path / "home", threading.Event()
    land(home, some(1, 20))
    landed = []

    def work():
        history = History(home)
        with history.only_landing():
            landing = Landing(history)
            for number in range(2, 200):
                if stopped.is_set():
                    return
                landing.land(some(number * 10 + 1, number * 10 + 10))
                landed.append(number * 10 + 10)

    thread = threading.Thread(target=work)
    thread.start()
    try:
        while not landed:
            stopped.wait(0.01)
        for number in range(3):
            back_up(home, tmp_path / f"backup-{number}")
    finally:
        stopped.set()
        thread.join()
    for number in range(3):
        again = tmp_path / f"again-{number}"
        restore(tmp_path / f"backup-{number}", again)
        through = max(History(again).transaction(name, whole_id(SENDER)) or 0 for name in ORDER)
        assert 20 <= through <= landed[-1]
        # What is said to be durable is there, and what comes again is taken only once.
        land(again, some(1, landed[-1]))
        assert rows(again) == rows(home)
        assert faults(again) == []


def test_a_backup_that_is_not_whole_is_not_restored_and_a_home_is_never_overwritten(tmp_path):
    home = tmp_path / "home"
    land(home, some(1, 20))
    back_up(home, tmp_path / "backup")
    with pytest.raises(InputError, match="already"):
        back_up(home, tmp_path / "backup")
    with pytest.raises(InputError, match="not empty"):
        restore(tmp_path / "backup", home)
    next((tmp_path / "backup" / "history" / "gauge_samples").rglob("part-*.parquet")).unlink()
    with pytest.raises(InputError, match="is gone"):
        restore(tmp_path / "backup", tmp_path / "other")
    assert not (tmp_path / "other").exists()


def test_old_days_are_thinned_and_what_was_derived_from_them_stands(tmp_path):
    home = tmp_path / "home"
    land(home, some(1, 200))
    history, settings, day = History(home), SiteSettings(), START.date()
    derive_gauges(history, settings, "hall-9", "pump-a", day, Unchanged())
    derived = history.read("pump_days").to_pylist()
    other = {name: history.read(name).num_rows for name in ("photos", "records")}
    full = history.read("gauge_samples").num_rows
    with history.only_landing():
        assert thin_before(history, day).days == 0  # not old enough
        thinned = thin_before(history, day.replace(day=day.day + 1))
        assert thin_before(history, day.replace(day=day.day + 1)).days == 0  # once
    assert thinned.rows_before == full and 0 < thinned.rows_after < full / 2
    assert thinned_days(home) == {("hall-9", "pump-a", day)}
    derive_gauges(history, settings, "hall-9", "pump-a", day, Unchanged())
    assert history.read("pump_days").to_pylist() == derived
    assert {name: history.read(name).num_rows for name in other} == other


@pytest.fixture
def old_home(tmp_path):
    """A home as the first layout left it: made once, and never anew."""
    return shutil.copytree(FIXTURE, tmp_path / "home")


def test_a_home_of_the_first_layout_is_read_verified_and_landed_into(old_home):
    assert faults(old_home) == []
    history = History(old_home)
    assert {name: history.read(name).num_rows for name in ORDER} == {
        "photos": 1,
        "records": 2,
        "gauge_samples": 300,
        "rejected": 1,
    }
    assert history.transaction("rejected", f"through:{STREAM}") == 34
    land(old_home, some(1, 40))
    assert history.read("gauge_samples").num_rows > 300


def test_columns_that_come_later_are_added_to_an_old_home_and_are_null_there(old_home, monkeypatch):
    later = {}
    for name, schema in TABLES.items():
        later[name] = schema.append(pa.field("added_later", pa.string()))
        monkeypatch.setitem(TABLES, name, later[name])
    history = History(old_home)
    with history.only_landing():
        pass
    for name in ORDER:
        assert set(History(old_home).read(name)["added_later"].to_pylist()) == {None}
    old = history.read("records")
    new = (
        old.slice(0, 1)
        .set_column(old.schema.get_field_index("id"), "id", pa.array(["new"]))
        .set_column(old.schema.get_field_index("added_later"), "added_later", pa.array(["x"]))
    )
    history.append("records", new)
    assert sorted(map(str, history.read("records")["added_later"].to_pylist())) == ["None", "None", "x"]
    assert faults(old_home) == []
