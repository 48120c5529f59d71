"""Are gauge files read alike by rows and whole, and refused in one sentence that helps?"""

import gzip
import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from edge.errors import InputError
from edge.gaugefile import read_gauge_file
from edge.units import PA_PER_PSI
from edge.words import Fault, Gauge
from pipeline.derive.gauges.analyse import analyse
from pipeline.derive.gauges.settings import GaugeSettings
from pipeline.gaugefile import read_pieces, read_recording

GOOD = """ts,base_psi,catalyst_1_bar,ambient_temp_degF
2026-10-14T10:45:00.1Z,1000,10,212
2026-10-14T12:45:00.2+02:00,1e3,,32
2026-10-14T10:45:00.123456Z,-2.5,20,
"""
TENTH_US = int(datetime(2026, 10, 14, 10, 45, tzinfo=UTC).timestamp()) * 1_000_000


@pytest.fixture
def write(tmp_path):
    def writer(text, name="g.csv"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return writer


def test_rows_and_columns_say_the_same(write):
    path = write(GOOD)
    rows = list(read_gauge_file(path))
    recording = read_recording(path)
    assert [row.at_us - TENTH_US for row in rows] == [100_000, 200_000, 123_456]  # in the file's order
    assert recording.at_us.tolist() == [row.at_us for row in rows]
    for gauge, column in recording.gauges.items():
        theirs = [np.nan if row.values[gauge] is None else row.values[gauge] for row in rows]
        np.testing.assert_allclose(column, theirs, rtol=1e-12, atol=1e-9)
    assert rows[0].values == {
        Gauge.BASE: pytest.approx(1000 * PA_PER_PSI),
        Gauge.CATALYST_1: 10e5,
        Gauge.AMBIENT_TEMP: pytest.approx(100.0),
    }
    assert rows[1].values[Gauge.CATALYST_1] is None


@pytest.mark.parametrize("name", ["g.csv.gz", "g.csv"])
def test_gzip_is_told_by_its_bytes(write, name):
    path = write(gzip.compress(GOOD.encode()), name)
    assert len(list(read_gauge_file(path))) == len(read_recording(path).at_us) == 3


def test_byte_order_mark_quotes_blank_lines_and_crlf(write):
    path = write('\ufeff"ts",base_psi\r\n2026-10-14T10:45:00Z,"1"\r\n\r\n2026-10-14T10:45:01Z,2\r\n')
    assert len(list(read_gauge_file(path))) == len(read_recording(path).at_us) == 2


def test_header_alone_is_an_empty_recording(write):
    path = write("ts,base_psi\n")
    assert list(read_gauge_file(path)) == []
    assert len(read_recording(path).at_us) == 0


BROKEN_HEADERS = {
    "": "is empty",
    "\n\nts,base_psi\n": "is blank where the header should be",
    "t\0s\0": "is not UTF-8 text",
    "PK\3\4 of a spreadsheet": "is not UTF-8 text",
    "PAR1,ts\n": "is not UTF-8 text",
    "base_psi\n1\n": "no column 'ts'",
    "ts\n": "no gauge",
    "ts,base\n": "no unit in column 'base'",
    "ts,base_psig\n": "unknown unit 'psig'",
    "ts,base_degC\n": "can't be in degC",
    "ts,catalist_psi\n": "unknown gauge in column 'catalist_psi'",
    "ts,base_psi,base_bar\n": "gauge base comes twice",
    "ts,base_psi,base_psi\n": "comes twice",
    "ts;base_psi\n": "not parted by commas",
}
BROKEN_ROWS = {
    "2026-10-14T10:45:00,1\n": "has no offset",
    "yesterday,1\n": "is not a time",
    ",1\n": "time",
    "1850-01-01T00:00:00Z,1\n": "not between 1970 and 2200",
    "2026-10-14T10:45:00Z\n2026-10-14T10:45:01Z,1\n": "1 cells where the header has 2",
    "2026-10-14T10:45:00Z,1,2\n": "3 cells where the header has 2",
    '"2026-10-14T10:45:00Z,1\n': "is not CSV",
}


@pytest.mark.parametrize(("text", "what"), BROKEN_HEADERS.items())
def test_broken_headers(write, text, what):
    path = write(text)
    for read in (read_recording, lambda p: list(read_gauge_file(p))):
        with pytest.raises(InputError, match=what) as error:
            read(path)
        assert str(path) in str(error.value)


@pytest.mark.parametrize(("rows", "what"), BROKEN_ROWS.items())
def test_broken_rows(write, rows, what):
    path = write("ts,base_psi\n2026-10-14T10:44:59Z,0\n" + rows)
    for read in (read_recording, lambda p: list(read_gauge_file(p))):
        with pytest.raises(InputError, match=what):
            read(path)


@pytest.mark.parametrize(
    ("content", "name"),
    [
        (GOOD.encode(), "g.csv.gz"),
        (gzip.compress(GOOD.encode())[:-20], "cut.csv.gz"),
        (b"\xff\xfet\x00s\x00", "utf16.csv"),
        (b"ts,base_psi\n2026-10-14T10:45:00Z,\xff\n", "latin.csv"),
        (b"\x00" * 100, "zeros.csv"),
    ],
)
def test_unreadable_files(write, content, name):
    path = write(content, name)
    for read in (read_recording, lambda p: list(read_gauge_file(p))):
        with pytest.raises(InputError):
            read(path)


def test_missing_file_and_folder(tmp_path):
    for path in (tmp_path / "none.csv", tmp_path):
        with pytest.raises(InputError, match="can't be read"):
            read_recording(path)


def test_a_cell_that_is_no_number_is_refused_by_rows_and_missing_in_a_recording(write):
    path = write("ts,base_psi\n2026-10-14T10:45:00Z,ERR\n2026-10-14T10:45:01Z,inf\n2026-10-14T10:45:02Z,3\n")
    with pytest.raises(InputError, match="line 2, column 2: 'ERR' is not a number"):
        list(read_gauge_file(path))
    assert np.isnan(read_recording(path).gauges[Gauge.BASE]).tolist() == [True, True, False]


@pytest.mark.parametrize("cell", ["2500,5", "2,500.0", "-1,5"])
def test_a_number_with_a_comma_is_refused_and_not_taken_for_a_silent_gauge(write, cell):
    path = write(f'ts,base_psi,catalyst_1_psi\n2026-10-14T10:45:00Z,1,"{cell}"\n')
    with pytest.raises(InputError, match=f"column 3: '{cell}' has a comma in it"):
        read_recording(path)


@pytest.mark.filterwarnings("error")
def test_what_is_too_large_in_pascal_is_a_missing_sample(write):
    path = write("ts,base_psi\n2026-10-14T10:45:00Z,1e308\n2026-10-14T10:45:01z,3\n")
    assert len(read_recording(path).at_us) == 2
    assert analyse(read_recording(path), GaugeSettings()).sensor_faults[0].type == Fault.MISSING


def test_a_pipe_is_refused_and_not_waited_for(tmp_path):
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    for path in (pipe, Path("/dev/null")):
        for read in (read_recording, lambda p: list(read_gauge_file(p))):
            with pytest.raises(InputError, match="is a pipe or a device"):
                read(path)


def test_a_line_the_logger_did_not_finish_is_left_out(write):
    path = write("ts,base_psi\n2026-10-14T10:45:00Z,1\n2026-10-14T10:4")
    assert len(read_recording(path).at_us) == len(list(read_gauge_file(path))) == 1


def test_more_digits_than_microseconds(write):
    path = write("ts,base_psi\n2026-10-14T10:45:00.1234567Z,1\n")
    assert read_recording(path).at_us.tolist() == [TENTH_US + 123_456]


@pytest.mark.parametrize("packed", [False, True])
def test_whoever_waits_is_told_how_much_of_the_file_has_been_read(tmp_path, packed):
    lines = "".join(f"2026-10-14T{12 + n // 3600}:{n // 60 % 60:02}:{n % 60:02}Z,{n}\n" for n in range(3000))
    text = ("ts,base_psi\n" + lines).encode()
    path = tmp_path / "gauges.csv"
    path.write_bytes(gzip.compress(text) if packed else text)
    told = []
    pieces = list(read_pieces(path, 4096, told.append))
    assert len(told) == len(pieces) > 10
    assert told == sorted(told) and told[-1] == path.stat().st_size
    if not packed:
        assert told[0] < path.stat().st_size / 4
    assert np.concatenate([piece.gauges[Gauge.BASE] for piece in pieces]) == pytest.approx(
        np.arange(3000) * PA_PER_PSI
    )
