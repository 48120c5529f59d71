"""Is it on the disk before anyone is told? Proved by the order of system calls, not by what the code says.

A receipt may leave only when data files, their folders, the log entry and its folder have been synced, each
after its last write; a message may leave the edge only when the outbox's log has been.
"""

import json
import re

import pyarrow.parquet as pq
import pytest

from pipeline.history import History
from pipeline.land.batch import ORDER
from tests.faults.trace import calls, end_traced, run_traced, strace
from tests.running import START, beadbook, mosquitto, write_gauge_file

SITE = ("--site", "hall-9", "--edge", "edge-a", "--pump", "pump-a")
SYNCS = ("fsync", "fdatasync")
RECEIPT = re.compile(r'/receipt/[0-9a-f]{32}[^{]*\{\\"through\\":(\d+)')


def receipts(trace):
    """(seq through which it says that all is durable, line at which it was sent)."""
    return [
        (int(found[1]), call.begun)
        for call in trace
        if call.name == "sendto" and (found := RECEIPT.search(call.given))
    ]


def synced_at(trace, path, before):
    """Line by which a path was synced after its last write, if before that line."""
    written = [
        call.done
        for call in trace
        if call.begun < before and call.path == str(path) and call.name in ("write", "pwrite64")
    ]
    last = max(written, default=-1)
    return next(
        (
            call.done
            for call in trace
            if call.name in SYNCS and call.path == str(path) and last < call.begun and call.done < before
        ),
        None,
    )


def appeared_at(trace, path):
    """Line at which a name came to be by a rename or a link; 0 for one that was opened as it is."""
    return max((call.done for call in trace if call.path == "" and f'"{path}"' in call.given), default=0)


def not_synced(trace, home):
    """A sentence for each file or folder that a receipt went ahead of."""
    wrong = []
    for through, sent in receipts(trace):
        for name in ORDER:
            table = home / "history" / name
            for entry in sorted((table / "_delta_log").glob("*.json")):
                added = [
                    table / action["add"]["path"]
                    for action in map(json.loads, entry.read_bytes().splitlines())
                    if "add" in action
                ]
                mine = [path for path in added if min(pq.read_table(path)["seq"].to_pylist()) <= through]
                if not mine:
                    continue
                wrong += [
                    f"receipt through {through} before {path.relative_to(home)} was synced"
                    for path in (*mine, *(path.parent for path in mine), entry, entry.parent)
                    if synced_at(trace, path, sent) is None
                ]
                for path in mine:
                    at, named = synced_at(trace, path, sent), appeared_at(trace, entry)
                    if at is not None and named and at > named:
                        wrong.append(f"the log named {path.relative_to(home)} before it was synced")
        for photo in History(home).read("photos").to_pylist():
            path = home / "photos" / photo["sha256"][:2] / photo["sha256"]
            if photo["seq"] <= through and synced_at(trace, path.parent, sent) is None:
                wrong.append(f"receipt through {through} before the folder of photo {path.name} was synced")
    return wrong


@pytest.fixture
def served(tmp_path):
    """The trace of a `serve` that landed gauges, a record and a photograph, and its home."""
    (tmp_path / "smear.jpg").write_bytes(b"\xff\xd8\xff picture")
    gauges, home = write_gauge_file(tmp_path / "gauges.csv", 20), tmp_path / "home"
    with mosquitto(tmp_path) as url:
        words = strace(tmp_path / "serve.trace", "serve", "--home", home, "--broker", url)
        serve = run_traced(words)
        try:
            assert "receiving" in serve.stdout.readline()
            where = (*SITE, "--broker", url, "--outbox", tmp_path / "outbox.sqlite")
            for command in (
                ("replay", gauges, "--fast"),
                ("record", "unit_started", "unit=H9-1", "--by", "R. Okafor"),
                ("photo", tmp_path / "smear.jpg", "--by", "R. Okafor"),
            ):
                process = beadbook(*command, *where)
                _, errors = process.communicate(timeout=60)
                assert process.returncode == 0, errors
        finally:
            end_traced(serve)
            serve.communicate(timeout=60)
    return (tmp_path / "serve.trace").read_text().splitlines(), home


@pytest.mark.mosquitto
def test_a_receipt_leaves_only_after_all_it_speaks_of_is_synced(served):
    lines, home = served
    trace = calls(lines)
    assert max(through for through, _ in receipts(trace)) == 22
    assert {name for name in ORDER if History(home).files(name)} == {"photos", "records", "gauge_samples"}
    assert not_synced(trace, home) == []
    # The check sees what it is there for: without the syncs of the data files, of the log, of a folder.
    for lacking in (
        r"fsync\(\d+<[^>]*\.parquet>",
        r"fsync\(\d+<[^>]*\d{20}\.json>",
        r"fsync\(\d+<[^>]*/photos/..>",
    ):
        assert not_synced(calls([line for line in lines if not re.search(lacking, line)]), home)


@pytest.mark.mosquitto
def test_a_message_leaves_the_edge_only_after_the_outbox_is_synced(tmp_path):
    marks = [f"marker-{number:04d}" for number in range(5)]
    stream = tmp_path / "typed.ndjson"
    lines = [
        {
            "topic": f"beadbook/v1/hall-9/edge-a/record/{'0' * 32}/{number + 1}",
            "payload": {
                "kind": "unit_started",
                "id": f"01a13a16-4360-7061-8000-{number:012d}",
                "site": "hall-9",
                "pump": "pump-a",
                "at": START.isoformat(),
                "by": "R. Okafor",
                "unit": mark,
            },
        }
        for number, mark in enumerate(marks)
    ]
    stream.write_text("".join(json.dumps(line) + "\n" for line in lines))
    with mosquitto(tmp_path) as url:
        serve = beadbook("serve", "--home", tmp_path / "home", "--broker", url)
        assert "receiving" in serve.stdout.readline()
        outbox = tmp_path / "outbox.sqlite"
        output = tmp_path / "edge.trace"
        edge = run_traced(
            strace(output, "replay", stream, *SITE, "--broker", url, "--outbox", outbox, "--fast")
        )
        _, errors = edge.communicate(timeout=60)
        serve.terminate()
        serve.communicate(timeout=60)
    assert edge.returncode == 0, errors
    traced = output.read_text().splitlines()

    def in_order(trace, mark):
        sent = next(call.begun for call in trace if call.name == "sendto" and mark in call.given)
        put = next(call.done for call in trace if call.path.endswith("-wal") and mark in call.given)
        return any(
            call.name in SYNCS and call.path.endswith("-wal") and put < call.begun and call.done < sent
            for call in trace
        )

    assert all(in_order(calls(traced), mark) for mark in marks)
    unsynced = [line for line in traced if not re.search(r"f(data)?sync\(\d+<[^>]*-wal>", line)]
    assert not any(in_order(calls(unsynced), mark) for mark in marks)
