"""Readers are never locked out: another process queries, over and over, while landing goes on."""

import subprocess
import sys
import textwrap

from pipeline.land.broker import embedded_broker
from tests.integration.test_pump_to_history import SITE, command, landing, readings
from tests.running import ROOT, write_gauge_file

READER = """
    import sys, duckdb
    from pathlib import Path
    from pipeline.history import History

    history, counts = History(Path(sys.argv[1])), []
    print("reading", flush=True)
    while not Path(sys.argv[2]).exists():
        if files := history.files("gauge_samples"):
            count, moments = duckdb.execute(
                'SELECT count(*), count(DISTINCT "at") FROM read_parquet(?)', [files]
            ).fetchone()
            assert count == moments, (count, moments)
            counts.append(count)
    assert counts == sorted(counts), counts
    print(len(counts), len(set(counts)), counts[-1])
"""


def test_another_process_reads_while_landing_goes_on(tmp_path):
    home, done = tmp_path / "home", tmp_path / "done"
    reader = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(READER), home, done],
        cwd=ROOT,
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert reader.stdout.readline() == "reading\n"
    with embedded_broker(port=0) as broker, landing(broker, home):
        for number in range(8):
            gauges = write_gauge_file(tmp_path / f"{number}.csv", 30 * (number + 1))
            command(
                *("replay", gauges, *SITE, "--broker", broker, "--fast"),
                *("--outbox", tmp_path / f"{number}.sqlite"),
            )
    done.touch()
    output, errors = reader.communicate(timeout=20)
    assert reader.returncode == 0, errors
    looks, different, last = map(int, output.split())
    # It saw the history grow, and never a row twice nor fewer than before.
    assert looks >= different >= 5
    assert last <= len(readings(home)) == 2400
