"""A damaged outbox is set aside, said, and what can be read of it goes on."""

import logging
import sqlite3
import threading

import pytest

from edge.damage import CAPTURED
from edge.errors import InputError
from edge.outbox import Outbox, OutboxDamagedError
from edge.wire import Channel

PAGE = 4096


def open_box(path):
    return Outbox(path, "hall-9", "edge-a")


def payloads(box):
    return [held.payload for held in box.after(0, 10_000, 10**9)]


def filled(path, messages=200):
    """An outbox with all of it in the main file, closed."""
    box = open_box(path)
    put = [f"<{number:04d}>".encode() * 140 for number in range(messages)]
    box.put_many((Channel.GAUGES, payload) for payload in put)
    box.note(f"{CAPTURED}/gauges.csv", "42")
    box._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    box.close()
    return put, box.stream


def scribble(path, page, data=b"\xa5" * PAGE):
    with path.open("r+b") as file:
        file.seek(page * PAGE)
        file.write(data)


def test_many_open_a_new_outbox_at_once(tmp_path):
    # SQLite refuses at once, without its timeout, where two connections turn a new file's journal over: that
    # ended a capture whose courier opened the file in the same moment.
    for number in range(25):
        failures, together = [], threading.Barrier(4)

        def work(path=tmp_path / f"{number}.sqlite", together=together, failures=failures):
            together.wait()
            try:
                open_box(path).close()
            except InputError as error:
                failures.append(error)

        threads = [threading.Thread(target=work) for _ in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert not failures


@pytest.mark.parametrize("page", [5, 20, 40])
def test_a_damaged_page_costs_its_own_messages_alone(tmp_path, page, caplog):
    path = tmp_path / "outbox.sqlite"
    put, stream = filled(path)
    scribble(path, page)
    box = open_box(path)
    with pytest.raises(OutboxDamagedError, match="set aside"):
        payloads(box)
    box.close()
    with caplog.at_level(logging.ERROR):
        again = open_box(path)
    kept = payloads(again)
    assert again.stream != stream
    # A page of 4 KiB holds five of these messages; nothing is kept that was not put, in the order it was.
    assert set(kept) <= set(put) and kept == sorted(kept)
    assert len(put) - 10 <= len(kept) < len(put)
    assert f"kept={len(kept)}" in caplog.text
    assert again.fact(f"{CAPTURED}/gauges.csv") == "42"
    assert f'"messages":{len(put) - len(kept)}' in again.fact("damaged")
    assert len(list(tmp_path.glob("outbox.sqlite.set-aside-?????????????"))) == 1


def test_a_first_page_of_zeros_is_set_aside_and_said_to_be_lost(tmp_path):
    path = tmp_path / "outbox.sqlite"
    filled(path)
    scribble(path, 0, bytes(PAGE))
    box = open_box(path)
    assert payloads(box) == []
    assert '"messages":null' in box.fact("damaged")
    assert box.put(Channel.GAUGES, b"x") == 1


def test_a_flipped_bit_in_a_reading_never_goes_out(tmp_path):
    path = tmp_path / "outbox.sqlite"
    put, _ = filled(path)
    data = bytearray(path.read_bytes())
    data[data.index(put[100]) + 100] ^= 1
    path.write_bytes(data)
    with pytest.raises(OutboxDamagedError):
        payloads(open_box(path))
    assert payloads(open_box(path)) == [one for one in put if one is not put[100]]


def test_who_still_writes_to_a_file_set_aside_is_told(tmp_path):
    path = tmp_path / "outbox.sqlite"
    filled(path)
    box = open_box(path)
    scribble(path, 20)
    with pytest.raises(OutboxDamagedError):
        payloads(open_box(path))
    open_box(path)
    with pytest.raises(OutboxDamagedError, match="open it again"):
        box.put(Channel.RECORD, b"would be lost")


def test_an_outbox_of_before_there_were_digests_is_taken_over(tmp_path):
    path = tmp_path / "outbox.sqlite"
    with sqlite3.connect(path) as db:
        db.execute(
            "CREATE TABLE messages (seq INTEGER PRIMARY KEY AUTOINCREMENT, channel TEXT NOT NULL,"
            " payload BLOB NOT NULL, created_at REAL NOT NULL)"
        )
        db.execute("CREATE TABLE facts (name TEXT PRIMARY KEY, value TEXT NOT NULL)")
        facts = {"stream": "a" * 32, "site": "hall-9", "edge": "edge-a"}
        db.executemany("INSERT INTO facts VALUES (?, ?)", facts.items())
        db.execute("INSERT INTO messages VALUES (7, 'record', x'31', 1.0)")
    box = open_box(path)
    assert box.stream == "a" * 32
    assert box.put(Channel.RECORD, b"2") == 8
    assert payloads(box) == [b"1", b"2"]
