"""The history: appended once, replaced whole, read while it is written, whole again after a torn commit."""

import threading
import time
from datetime import UTC, date, datetime, timedelta

import pyarrow as pa
import pytest
from deltalake import DeltaTable, write_deltalake

from edge.errors import InputError
from pipeline.crowded import ROWS_ENOUGH, HeldFile, worth_one, write_merged
from pipeline.history import History
from pipeline.mend import mend_tail
from pipeline.tables import PARTITIONS, TABLES

DAY = date(2026, 10, 14)
START = datetime(2026, 10, 14, 11, tzinfo=UTC)


def samples(start_s=0, count=10, pump="pump-a", day=DAY):
    rows = [
        {
            "site": "hall-9",
            "pump": pump,
            "day": day,
            "at": datetime.combine(day, START.timetz()) + timedelta(seconds=start_s + n),
            "base_pa": 1e6 + n,
        }
        for n in range(count)
    ]
    return pa.Table.from_pylist(rows, schema=TABLES["gauge_samples"])


def spans(day, count, kind="off", pump="pump-a"):
    row = {"site": "hall-9", "pump": pump, "day": day, "start": START, "end": START, "type": kind}
    return pa.Table.from_pylist([row] * count, schema=TABLES["pump_states"])


@pytest.fixture
def history(tmp_path):
    return History(tmp_path)


def test_a_table_that_nobody_wrote_to_is_empty(history):
    assert history.files("gauge_samples") == []
    assert history.read("gauge_samples").schema == TABLES["gauge_samples"]
    assert history.days("gauge_samples", "hall-9", "pump-a") == []
    assert history.transaction("gauge_samples", "stream") is None
    assert history.compact() == 0


def test_what_is_appended_is_read_back_by_pump_day_and_time(history):
    history.append("gauge_samples", samples())
    history.append(
        "gauge_samples", pa.concat_tables([samples(pump="pump-b"), samples(day=date(2026, 10, 15))])
    )
    assert history.read("gauge_samples").num_rows == 30
    assert history.read("gauge_samples", pump="pump-b").num_rows == 10
    assert history.read("gauge_samples", pump="pump-a", days=(DAY, DAY)).num_rows == 10
    late = history.read(
        "gauge_samples", since=START + timedelta(seconds=3), until=START + timedelta(seconds=5)
    )
    assert late.num_rows == 4
    assert history.days("gauge_samples", "hall-9", "pump-a") == [DAY, date(2026, 10, 15)]
    assert (
        history.read("gauge_samples", days=(DAY, DAY), pump="pump-b")
        .sort_by("at")
        .equals(samples(pump="pump-b"))
    )


def test_a_read_leaves_no_python_object_to_threads_of_arrow(tmp_path, monkeypatch):
    """Let go while the interpreter ends, such an object aborts the process."""

    def refuse(*given):
        raise AssertionError("reading went through a file system written in Python")

    monkeypatch.setattr("deltalake.fs.DeltaStorageHandler.from_table", refuse)
    history = History(tmp_path / "a home, 50 % full")
    history.append("gauge_samples", samples(pump="pump.a_1"))
    assert history.read("gauge_samples", pump="pump.a_1").num_rows == 10


def test_a_commit_carries_its_transactions_also_without_rows(history):
    history.append("gauge_samples", samples(), {"one": 5, "two": 7})
    history.append("gauge_samples", samples().slice(0, 0), {"one": 6})
    again = History(history.home)
    assert again.transaction("gauge_samples", "one") == 6
    assert again.transaction("gauge_samples", "two") == 7
    assert again.read("gauge_samples").num_rows == 10


def test_replacing_touches_that_pump_and_day_alone(history):
    history.replace("pump_states", spans(DAY, 3), "hall-9", "pump-a", DAY)
    history.replace("pump_states", spans(date(2026, 10, 15), 4), "hall-9", "pump-a", date(2026, 10, 15))
    history.replace("pump_states", spans(DAY, 1, "purging"), "hall-9", "pump-a", DAY)
    assert history.read("pump_states", days=(DAY, DAY)).column("type").to_pylist() == ["purging"]
    assert history.read("pump_states").num_rows == 5
    history.replace("pump_states", spans(DAY, 0), "hall-9", "pump-a")
    assert history.read("pump_states").num_rows == 0


def test_a_derived_table_of_an_earlier_layout_is_replaced_in_todays(history):
    before = spans(date(2026, 10, 13), 2).drop_columns(["type"])
    write_deltalake(history.root / "pump_states", before, partition_by=PARTITIONS["pump_states"])
    history.replace("pump_states", spans(DAY, 3), "hall-9", "pump-a", DAY)
    kinds = history.read("pump_states")["type"].to_pylist()
    assert (kinds.count(None), kinds.count("off")) == (2, 3)


def test_compacting_keeps_rows_and_transactions_and_makes_a_checkpoint(history):
    for n in range(12):
        history.append("gauge_samples", samples(10 * n), {"stream": n})
        history.append(
            "records",
            pa.Table.from_pylist([{"id": str(n), "site": "s", "pump": "p"}], schema=TABLES["records"]),
        )
    before = history.read("gauge_samples").sort_by("at")
    assert history.compact(files_max=8) == 2
    assert len(history.files("gauge_samples")) == 1
    again = History(history.home)
    assert again.read("gauge_samples").sort_by("at").equals(before)
    assert again.transaction("gauge_samples", "stream") == 11
    assert again.read("records").num_rows == 12
    assert (history.root / "gauge_samples/_delta_log/_last_checkpoint").exists()


@pytest.mark.parametrize("name", TABLES)
def test_every_table_can_be_compacted(history, name):
    row = dict.fromkeys(TABLES[name].names) | {"site": "hall-9", "pump": "pump-a", "day": DAY}
    rows = pa.Table.from_pylist([row], schema=TABLES[name])
    for _ in range(3):
        history.append(name, rows)
    assert history.compact([name], files_max=2) == 1
    assert history.read(name).num_rows == 3


def test_a_derived_table_of_many_days_is_put_together_and_replaced_as_before(history):
    for n in range(10):
        day = DAY + timedelta(days=n)
        history.replace("pump_states", spans(day, 3), "hall-9", "pump-a", day)
    assert len(history.files("pump_states")) == 10
    assert history.compact(["pump_states"], files_max=5) == 1
    history.replace("pump_states", spans(DAY, 1), "hall-9", "pump-a", DAY)
    assert history.read("pump_states").num_rows == 28
    assert history.read("pump_states", days=(DAY, DAY)).num_rows == 1


def test_a_reader_that_began_before_a_compaction_can_finish(history):
    for n in range(12):
        history.append("gauge_samples", samples(10 * n))
    files = History(history.home).files("gauge_samples")
    history.compact(files_max=8)
    assert sum(pa.parquet.read_table(file).num_rows for file in files) == 120


def test_a_transaction_outlives_the_log_that_told_of_it(history, monkeypatch):
    monkeypatch.setattr("pipeline.history.LOG_KEPT", "interval 1 second")
    monkeypatch.setattr("pipeline.history.LOG_ENTRIES_MAX", 10)
    history.append("gauge_samples", samples(), {"long ago": 3})
    reader = History(history.home)
    assert reader.read("gauge_samples").num_rows == 10
    for n in range(15):
        history.append("gauge_samples", samples(10 * (n + 1), count=1), {"now": n})
    time.sleep(1.1)
    history.compact()
    log = history.root / "gauge_samples/_delta_log"
    assert len(list(log.glob("*.json"))) == 1
    history.append("gauge_samples", samples(10_000, count=1), {"now": 15})
    again = History(history.home)
    assert again.transaction("gauge_samples", "long ago") == 3
    assert again.transaction("gauge_samples", "now") == 15
    # One that opened the table before the log was shortened reads on.
    assert reader.read("gauge_samples").num_rows == again.read("gauge_samples").num_rows == 26


def test_one_landing_holds_a_home(history):
    with (
        history.only_landing(),
        pytest.raises(InputError, match="another landing already writes"),
        History(history.home).only_landing(),
    ):
        pass
    with History(history.home).only_landing():
        pass


def test_replacing_two_pumps_at_once_loses_neither(history):
    def replace(pump):
        for _ in range(4):
            History(history.home).replace("pump_states", spans(DAY, 5, pump=pump), "hall-9", pump, DAY)

    history.replace("pump_states", spans(DAY, 1, pump="pump-x"), "hall-9", "pump-x")
    threads = [threading.Thread(target=replace, args=(pump,)) for pump in ("pump-a", "pump-b")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for pump in ("pump-a", "pump-b"):
        assert history.read("pump_states", pump=pump).num_rows == 5


@pytest.mark.parametrize("torn", [b"", b'{"add":{"path":"x.par', b"\0" * 200])
def test_a_commit_that_a_power_cut_tore_is_set_aside(history, torn):
    history.append("gauge_samples", samples(), {"stream": 1})
    table = history.root / "gauge_samples"
    newest = DeltaTable(str(table)).version()
    (table / "_delta_log" / f"{newest + 1:020d}.json").write_bytes(torn)
    again = History(history.home)
    with again.only_landing():
        again.append("gauge_samples", samples(10), {"stream": 2})
    assert History(history.home).read("gauge_samples").num_rows == 20
    assert History(history.home).transaction("gauge_samples", "stream") == 2


def test_a_checkpoint_that_a_power_cut_tore_is_set_aside(history):
    for n in range(12):
        history.append("gauge_samples", samples(10 * n), {"stream": n})
    history.compact(files_max=8)
    (checkpoint,) = (history.root / "gauge_samples/_delta_log").glob("*.checkpoint.parquet")
    checkpoint.write_bytes(checkpoint.read_bytes()[:100])
    assert len(mend_tail(history.root / "gauge_samples")) == 2
    again = History(history.home)
    assert again.read("gauge_samples").num_rows == 120
    assert again.transaction("gauge_samples", "stream") == 11


def test_mending_leaves_a_whole_table_alone(history):
    history.append("gauge_samples", samples())
    assert mend_tail(history.root / "gauge_samples") == []
    assert mend_tail(history.root / "strokes") == []


def test_a_row_is_rewritten_about_as_often_as_files_can_double(history, monkeypatch):
    rewritten = []

    def merged(files, into, schema):
        write_merged(files, into, schema)
        rewritten.append(pa.parquet.read_metadata(into).num_rows)

    monkeypatch.setattr("pipeline.history.write_merged", merged)
    for n in range(128):
        history.append("gauge_samples", samples(10 * n))
        history.compact(files_max=3)
    assert history.read("gauge_samples").num_rows == 1280
    # Each of 1,280 rows some seven times; all of them each time would be 1,280 * 128 / 4 / 2 = 20,480.
    assert 1280 < sum(rewritten) < 1280 * 8


@pytest.mark.parametrize(
    ("rows", "together"),
    [
        ([10] * 12, 12),
        ([10, 100, 1_000], 0),
        ([1, 8, 8, 8], 4),
        ([10, 10, 20, 1_000], 3),
        ([ROWS_ENOUGH, ROWS_ENOUGH, 5], 0),
        ([], 0),
    ],
)
def test_small_files_are_put_together_while_the_next_does_not_dwarf_them(rows, together):
    files = [HeldFile(f"{n}.parquet", count, 1) for n, count in enumerate(rows)]
    assert len(worth_one(files)) == together


def test_files_put_together_keep_nulls_new_columns_and_their_order(tmp_path):
    old = pa.table({"at": pa.array([5, 7], pa.timestamp("us", "UTC")), "base_pa": [1.0, None]})
    new = pa.table(
        {"at": pa.array([1, 2], pa.timestamp("us", "UTC")), "base_pa": [3.0, 4.0], "edge": ["a", "b"]}
    )
    for name, table in (("old", old), ("new", new)):
        pa.parquet.write_table(table, tmp_path / name)
    write_merged([tmp_path / "old", tmp_path / "new"], tmp_path / "one", new.schema)
    one = pa.parquet.read_table(tmp_path / "one").to_pydict()
    assert one["base_pa"] == [3.0, 4.0, 1.0, None] and one["edge"] == ["a", "b", None, None]
