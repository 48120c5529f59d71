"""Is a file that a logger still writes followed line by finished line?"""

import numpy as np
import pytest

from edge.errors import InputError
from edge.units import PA_PER_PSI
from edge.words import Gauge
from pipeline.cli import main
from pipeline.gaugefile import GrowingFile
from tests.shop.plain_pump import Plain, play, work

HEADER = "ts,base_psi,catalyst_1_psi,catalyst_2_psi\n"


def lines(rows):
    times = np.datetime_as_string(rows.at_us.astype("datetime64[us]"), unit="ms")
    psi = [np.round(rows.gauges[g] / PA_PER_PSI, 1) for g in (Gauge.BASE, Gauge.CATALYST_1, Gauge.CATALYST_2)]
    return [f"{at}Z,{a},{b},{c}\n" for at, a, b, c in zip(times, *psi, strict=True)]


@pytest.fixture(scope="module")
def written():
    return lines(play([("stalled", 20), *work(60, 1), ("stalled", 60)], Plain(hz=10.0))[0])


def test_only_finished_lines_are_read_and_each_once(tmp_path, written):
    path = tmp_path / "g.csv"
    path.write_text(HEADER)
    growing = GrowingFile(path)
    assert growing.more() is None
    text = "".join(written[:300])
    read = []
    for first in range(0, len(text), 777):
        with path.open("a") as file:
            file.write(text[first : first + 777])
        while (rows := growing.more()) is not None:
            read += rows.at_us.tolist()
    assert len(read) == 300 and (np.diff(read) == 100_000).all()


def test_a_gzipped_file_is_not_followed(tmp_path):
    with pytest.raises(InputError, match="gzipped"):
        GrowingFile(tmp_path / "g.csv.gz")


def test_a_line_a_second_while_rows_come(tmp_path, written, monkeypatch, capsys):
    path = tmp_path / "g.csv"
    path.write_text(HEADER + "".join(written[:-400]))
    rounds = iter([written[-400:-10], [], written[-10:]])

    def logger_writes(_seconds):
        more = next(rounds, None)
        if more is None:
            raise KeyboardInterrupt
        with path.open("a") as file:
            file.writelines(more)

    monkeypatch.setattr("time.sleep", logger_writes)
    monkeypatch.setattr("sys.argv", ["beadbook", "inspect", str(path), "--follow"])
    with pytest.raises(SystemExit) as left:
        main()
    said = capsys.readouterr().out.splitlines()
    assert not left.value.code
    assert len(said) == 3  # nothing came in one of the four rounds
    assert "stalled for 0 h 01 min 00 s" in said[-1] and "base purge due in 0 h 04 min 00 s" in said[-1]
    assert "balance of the last stroke" in said[-1]


def test_follow_goes_alone(tmp_path, written, monkeypatch, capsys):
    path = tmp_path / "g.csv"
    path.write_text(HEADER)
    monkeypatch.setattr("sys.argv", ["beadbook", "inspect", str(path), "--follow", "--json"])
    with pytest.raises(SystemExit) as left:
        main()
    assert left.value.code == 2 and "--follow" in capsys.readouterr().err
