"""Is each sample flagged for what was found of it, and no other one?"""

import csv
import json

import numpy as np
import pyarrow.parquet
import pytest

from edge.words import Fault, Gauge
from pipeline.derive.gauges.flags import TESTS, sample_flags
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.results import SensorFault

NAN = np.nan


def recording(at_s, **gauges) -> Recording:
    at_us = (np.array(at_s) * 1e6).astype(np.int64)
    return Recording(at_us, {Gauge(name): np.array(values, dtype=float) for name, values in gauges.items()})


def fault(start_s, end_s, gauge, kind) -> SensorFault:
    return SensorFault(round(start_s * 1e6), round(end_s * 1e6), gauge, kind)


def words(flagged):
    return [TESTS[test - 1].value if test else None for test in flagged.tests]


def test_a_fault_marks_its_own_gauge_from_its_start_to_its_end():
    rows = recording([0, 1, 2, 3, 4], base=[5] * 5, catalyst_1=[5] * 5)
    flagged = sample_flags(rows, [fault(1, 3, Gauge.BASE, Fault.JUMP)], gap_s=2)
    assert flagged[Gauge.BASE].flags.tolist() == [1, 4, 4, 4, 1]
    assert words(flagged[Gauge.BASE]) == [None, "jump", "jump", "jump", None]
    assert flagged[Gauge.CATALYST_1].flags.tolist() == [1] * 5


def test_a_missing_span_marks_the_samples_that_are_missing():
    rows = recording([0, 1, 2, 3, 4], base=[5, NAN, 5, NAN, 5])
    flagged = sample_flags(rows, [fault(1, 3, Gauge.BASE, Fault.MISSING)], gap_s=2)
    assert flagged[Gauge.BASE].flags.tolist() == [1, 9, 1, 9, 1]


def test_doubts_are_suspect_and_the_worse_test_speaks():
    rows = recording([0, 1, 1, 2, 3], base=[5] * 5)
    faults = [
        fault(2, 3, Gauge.BASE, Fault.STUCK),
        fault(1, 1, None, Fault.DUPLICATE),
        fault(3, 3, Gauge.BASE, Fault.SATURATION),
    ]
    flagged = sample_flags(rows, faults, gap_s=2)[Gauge.BASE]
    assert flagged.flags.tolist() == [1, 3, 3, 4, 4]
    assert words(flagged) == [None, "duplicate", "duplicate", "stuck", "stuck"]


def test_the_first_sample_after_a_gap_is_suspect_across_pieces_too():
    whole = recording([0, 1, 60, 61], base=[5] * 4)
    found = [fault(1, 60, None, Fault.GAP)]
    assert sample_flags(whole, found, gap_s=2)[Gauge.BASE].flags.tolist() == [1, 1, 3, 1]
    later = sample_flags(whole.part(2, 4), found, gap_s=2, before_us=1_000_000)
    assert later[Gauge.BASE].flags.tolist() == [3, 1]


def test_only_pressure_gauges_are_judged_and_no_rows_are_no_flags():
    rows = recording([], base=[], ambient_temp=[])
    flagged = sample_flags(rows, [], gap_s=1)
    assert list(flagged) == [Gauge.BASE]
    assert len(flagged[Gauge.BASE].flags) == 0


@pytest.fixture
def spoiled(tmp_path):
    """A gauge that stands still for 30 s and one cell that is no number; the others breathe."""
    rng = np.random.default_rng(7)
    lines = ["ts,base_psi,catalyst_1_psi,catalyst_2_psi"]
    for row in range(1200):
        second, tenth = divmod(row, 10)
        level = 1500 if second % 20 < 10 else 1000
        base, one, two = (f"{level + noise:.1f}" for noise in rng.normal(0, 4, 3))
        if 400 <= row < 700:
            one = "1500.0"
        two = "ERR" if row == 900 else two
        lines.append(f"2026-10-14T06:{second // 60:02d}:{second % 60:02d}.{tenth}Z,{base},{one},{two}")
    path = tmp_path / "g.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


def test_inspect_writes_a_row_a_sample_and_gauge(inspect, spoiled, tmp_path):
    for name in ("f.csv", "f.parquet"):
        status, out, err = inspect(spoiled, "--json", "--flags", tmp_path / name)
        assert (status, err) == (0, "")
        assert {f["type"] for f in json.loads(out)["sensor_faults"]} == {"stuck", "missing"}
    parquet = pyarrow.parquet.read_table(tmp_path / "f.parquet")
    with (tmp_path / "f.csv").open(newline="") as file:
        texts = [tuple(row.values()) for row in csv.DictReader(file)]
    assert texts == [
        (f"{row['ts']:%Y-%m-%dT%H:%M:%S.%fZ}", row["gauge"], str(row["flag"]), row["test"] or "")
        for row in parquet.to_pylist()
    ]
    assert parquet.schema.names == ["ts", "gauge", "flag", "test"]
    assert len(parquet) == 3 * 1200
    bad = [row for row in parquet.to_pylist() if row["flag"] != 1]
    missing = [row for row in bad if row["test"] == "missing"]
    stuck = [row for row in bad if row["test"] == "stuck"]
    assert len(missing) + len(stuck) == len(bad)
    assert [(row["gauge"], row["flag"], row["ts"].second) for row in missing] == [("catalyst_2", 9, 30)]
    assert {(row["gauge"], row["flag"]) for row in stuck} == {("catalyst_1", 4)}
    assert len(stuck) == pytest.approx(300, abs=2)


@pytest.mark.parametrize("name", ["f.txt", "f", "none/f.csv", "g.csv"])
def test_a_name_that_flags_cannot_have_is_a_wrong_call(inspect, spoiled, tmp_path, name):
    before = spoiled.read_text()
    status, _, err = inspect(spoiled, "--flags", tmp_path / name)
    assert status == 2
    assert "--flags" in err
    assert spoiled.read_text() == before
