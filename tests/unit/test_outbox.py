"""The outbox: a message put is there until it is receipted, whoever opens the file next."""

import sqlite3
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import pytest

from edge.errors import InputError
from edge.outbox import Held, Outbox
from edge.wire import Channel, Receipt


@pytest.fixture
def path(tmp_path):
    return tmp_path / "outbox.sqlite"


def open_box(path):
    return Outbox(path, "hall-9", "edge-a")


def seqs(box):
    return [held.seq for held in box.after(0, 1000, 10**9)]


def test_what_is_put_is_there_for_whoever_opens_the_file_next(path):
    box = open_box(path)
    assert box.put(Channel.RECORD, b"one") == 1
    assert box.put_many([(Channel.GAUGES, b"two"), (Channel.PHOTO, b"three")]) == 3
    again = open_box(path)
    assert again.stream == box.stream
    assert again.after(1, 10, 10**6) == [Held(2, Channel.GAUGES, b"two"), Held(3, Channel.PHOTO, b"three")]


def test_a_stream_is_named_by_128_random_bits(tmp_path):
    streams = {open_box(tmp_path / f"{n}.sqlite").stream for n in range(5)}
    assert len(streams) == 5
    assert all(len(stream) == 32 and int(stream, 16) >= 0 for stream in streams)


def test_only_what_is_receipted_goes(path):
    box = open_box(path)
    box.put_many([(Channel.GAUGES, b"x")] * 6)
    box.receipted(Receipt(through=2, also=(5,)))
    assert seqs(box) == [3, 4, 6]
    assert box.first() == 3
    box.receipted(Receipt(through=1))
    assert seqs(box) == [3, 4, 6]


def test_a_seq_is_never_given_twice_even_when_all_has_gone(path):
    box = open_box(path)
    box.put_many([(Channel.GAUGES, b"x")] * 3)
    box.receipted(Receipt(through=3))
    box.close()
    again = open_box(path)
    assert again.depth() == (0, None)
    assert again.first() == 4
    assert again.put(Channel.GAUGES, b"y") == 4


def test_a_receipt_for_messages_never_put_deletes_nothing(path):
    box = open_box(path)
    box.put(Channel.GAUGES, b"x")
    with pytest.raises(InputError, match="more than the 1 messages put"):
        box.receipted(Receipt(through=2))
    with pytest.raises(InputError):
        box.receipted(Receipt(through=0, also=(9,)))
    assert seqs(box) == [1]


def test_a_window_is_bounded_by_count_and_bytes_but_never_empty(path):
    box = open_box(path)
    box.put_many([(Channel.GAUGES, b"x" * 100)] * 10)
    assert len(box.after(0, 4, 10**6)) == 4
    assert len(box.after(0, 10, 250)) == 2
    assert len(box.after(0, 10, 1)) == 1


def test_a_failed_put_keeps_none_of_its_messages(path):
    def messages():
        yield Channel.GAUGES, b"one"
        raise RuntimeError("the source broke")

    box = open_box(path)
    with pytest.raises(RuntimeError):
        box.put_many(messages())
    assert box.depth().messages == 0
    assert box.put(Channel.GAUGES, b"next") == 1


def test_depth_says_how_much_and_since_when(path):
    box = open_box(path)
    before = datetime.now(UTC).timestamp()
    box.put_many([(Channel.GAUGES, b"x")] * 2)
    depth = box.depth()
    assert depth.messages == 2
    assert before <= depth.oldest_at <= datetime.now(UTC).timestamp()


def test_it_is_written_ahead_and_synced(path):
    box = open_box(path)
    assert box._db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert box._db.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL


def test_another_edges_outbox_and_a_file_that_is_none_are_refused(path, tmp_path):
    open_box(path)
    with pytest.raises(InputError, match="belongs to edge edge-a of hall-9"):
        Outbox(path, "hall-9", "edge-b")
    other = tmp_path / "notes.txt"
    other.write_bytes(b"not a database, but long enough to be read as a header of one " * 40)
    with pytest.raises(InputError, match="can't be used as an outbox"):
        open_box(other)


def test_a_full_disk_is_told_in_a_sentence_and_keeps_what_was_there(path):
    box = open_box(path)
    box.put(Channel.GAUGES, b"x")
    box._db.execute(f"PRAGMA max_page_count = {box._db.execute('PRAGMA page_count').fetchone()[0]}")
    with pytest.raises(InputError, match="disk is full"):
        box.put(Channel.PHOTO, b"x" * 1_000_000)
    assert seqs(box) == [1]


def test_one_process_sends_and_the_next_may_when_it_ends(path):
    box = open_box(path)
    script = (
        "import sys; from pathlib import Path; from edge.outbox import Outbox\n"
        "print(Outbox(Path(sys.argv[1]), 'hall-9', 'edge-a').become_sender())"
    )

    def other():
        return subprocess.run([sys.executable, "-c", script, path], capture_output=True, text=True).stdout

    assert box.become_sender()
    assert other() == "False\n"
    box.close()
    assert other() == "True\n"


def test_a_loss_of_contact_is_remembered_across_a_restart_and_told_once(path):
    lost = datetime(2026, 10, 14, 12, 40, tzinfo=UTC)
    assert open_box(path).contact_lost(lost) == lost
    box = open_box(path)
    assert box.contact_lost(lost + timedelta(minutes=5)) == lost
    box.contact_back([b"told"])
    box.contact_back([b"told again"])
    assert [held.payload for held in box.after(0, 10, 100)] == [b"told"]


def test_it_survives_a_kill_in_the_middle_of_a_put(path):
    script = (
        "import os, sys; from pathlib import Path\n"
        "from edge.outbox import Outbox; from edge.wire import Channel\n"
        "box = Outbox(Path(sys.argv[1]), 'hall-9', 'edge-a')\n"
        "box.put_many([(Channel.GAUGES, b'kept')] * 3)\n"
        "def half():\n"
        "    yield Channel.GAUGES, b'lost'\n"
        "    os.kill(os.getpid(), 9)\n"
        "box.put_many(half())\n"
    )
    assert subprocess.run([sys.executable, "-c", script, path]).returncode == -9
    assert [held.payload for held in open_box(path).after(0, 10, 100)] == [b"kept"] * 3
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
