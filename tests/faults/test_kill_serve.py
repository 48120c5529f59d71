"""Parts are killed in mid-stream and started again: nothing is lost and nothing is there twice."""

import signal
import time
from collections import Counter

from pipeline.history import History
from tests.running import beadbook, free_port, gauge_rows, serve, write_gauge_file


def sent(seconds):
    return Counter((at, a * 1e3, b * 1e3, c * 1e3) for at, a, b, c in gauge_rows(seconds))


def kept(home):
    rows = History(home).read("gauge_samples").to_pylist()
    return Counter((row["at"], row["base_pa"], row["catalyst_1_pa"], row["catalyst_2_pa"]) for row in rows)


def differences(home, seconds):
    """Rows lost, and rows there more often than sent."""
    return sent(seconds) - kept(home), kept(home) - sent(seconds)


def rows_landed(home):
    return History(home).read("gauge_samples", columns=["at"]).num_rows


def replay(gauges, port, outbox, speed):
    return beadbook(
        *("replay", gauges, "--site", "hall-9", "--edge", "edge-a", "--pump", "pump-a"),
        *("--broker", f"mqtt://127.0.0.1:{port}", "--outbox", outbox),
        *("--speed", speed, "--timeout", "60"),
    )


def kill(process):
    process.send_signal(signal.SIGKILL)
    process.communicate()


def test_killing_serve_twice_in_the_middle_loses_nothing_and_doubles_nothing(tmp_path):
    seconds = 1200
    gauges = write_gauge_file(tmp_path / "gauges.csv", seconds)
    home, port = tmp_path / "home", free_port()
    landing = serve(home, port)
    edge = replay(gauges, port, tmp_path / "outbox.sqlite", speed=240)
    killed_at = []
    for pause in (0.13, 0.29):
        before = rows_landed(home)
        while rows_landed(home) <= before and edge.poll() is None:
            time.sleep(0.01)
        time.sleep(pause)
        kill(landing)
        killed_at.append(rows_landed(home))
        landing = serve(home, port)
    output, errors = edge.communicate(timeout=60)
    landing.send_signal(signal.SIGTERM)
    _, log = landing.communicate(timeout=20)
    assert edge.returncode == 0, errors
    assert output == f"{seconds} messages receipted\n"
    assert landing.returncode == 0, log
    assert 0 < killed_at[0] < seconds * 10, "the first kill did not fall into the stream"
    assert differences(home, seconds) == (Counter(), Counter())
    # The edge tells of its losses of contact; on a slow machine the second kill may come after the stream.
    losses = [row for row in History(home).read("records").to_pylist() if row["kind"] == "contact_loss"]
    assert 1 <= len(losses) <= 2


def test_the_comparison_can_see_a_loss_and_a_double(tmp_path):
    home = tmp_path / "home"
    gauges = write_gauge_file(tmp_path / "gauges.csv", 60)
    process = beadbook("import", gauges, "--site", "hall-9", "--pump", "pump-a", "--home", home)
    _, errors = process.communicate(timeout=60)
    assert process.returncode == 0, errors
    assert differences(home, 60) == (Counter(), Counter())
    history = History(home)
    rows = history.read("gauge_samples").sort_by("at")
    day = rows.column("day")[0].as_py()
    history.replace_day("gauge_samples", rows.slice(1), "hall-9", "pump-a", day)
    history.append("gauge_samples", rows.slice(5, 1))
    lost, doubled = differences(home, 60)
    assert [row[0] for row in lost] == [rows.column("at")[0].as_py()]
    assert [row[0] for row in doubled] == [rows.column("at")[5].as_py()]
