"""Does `inspect` keep its contract: one JSON object, and the exit status scripts rely on?"""

import json

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pytest

from edge.units import PA_PER_PSI
from edge.words import Gauge
from tests.shop.plain_pump import Plain, play, work


@pytest.fixture(scope="module")
def gauge_file(tmp_path_factory):
    recording, truth = play([("stalled", 30), *work(200, 1)], Plain(hz=10))
    columns = {"ts": pa.array(recording.at_us, pa.timestamp("us", tz="UTC"))}
    for gauge, values in recording.gauges.items():
        columns[f"{gauge}_psi"] = pa.array(np.round(values / PA_PER_PSI, 1))
    path = tmp_path_factory.mktemp("gauges") / "g.csv"
    pa.csv.write_csv(pa.table(columns), path, pa.csv.WriteOptions(quoting_style="none"))
    return path, truth


def test_json_is_one_object(inspect, gauge_file):
    path, truth = gauge_file
    status, out, err = inspect(path, "--json", "--stroke-ml", "base=160,catalyst=20", "--check")
    said = json.loads(out)
    assert (status, err) == (0, "")
    assert said["strokes"] == {part: len(true) for part, true in truth["reversals"].items()}
    assert said["dispensed_l"]["base"] == pytest.approx(0.16 * said["strokes"]["base"])


def test_check_is_1_where_a_gauge_lies(inspect, gauge_file, tmp_path):
    lines = gauge_file[0].read_text().splitlines()
    lines[500] = lines[500].rsplit(",", 1)[0] + ",ERR"
    spoiled = tmp_path / "s.csv"
    spoiled.write_text("\n".join(lines) + "\n")
    status, out, _ = inspect(spoiled, "--json", "--check")
    fault = json.loads(out)["sensor_faults"][0]
    assert (status, fault["channel"], fault["type"]) == (1, Gauge.CATALYST_2, "missing")
    assert inspect(spoiled)[0] == 0


@pytest.mark.parametrize("given", ["base", "base=0", "base=-1", "base=x", "air=3", "", "base=1,,"])
def test_a_wrong_call_is_2(inspect, gauge_file, given):
    status, _, err = inspect(gauge_file[0], "--stroke-ml", given)
    assert status == 2
    assert "--stroke-ml" in err
    assert err.count("\n") == 1


def test_a_file_that_cannot_be_used_is_3(inspect, tmp_path):
    status, out, err = inspect(tmp_path / "none.csv", "--json")
    assert (status, out) == (3, "")
    assert err.count("\n") == 1
