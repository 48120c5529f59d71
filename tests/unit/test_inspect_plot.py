"""Does a plot show the recording: extremes kept, every finding named, nothing asked of the network?"""

import base64
import itertools
import json
import re
import zlib

import cv2
import numpy as np
import pyarrow as pa
import pyarrow.csv
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from edge.units import PA_PER_PSI
from edge.words import Gauge
from pipeline.show.traces import Trace, thinned
from tests.shop.plain_pump import Plain, play, work


@pytest.fixture(scope="module")
def spoiled_file(tmp_path_factory):
    script = [("stalled", 20), *work(120, 1), ("stalled", 400), *work(100, 2)]
    recording, _ = play(script, Plain(hz=10, apart=[(0.0, 0.0), (560.0, 400.0)]))
    psi = {gauge: np.round(values / PA_PER_PSI, 1) for gauge, values in recording.gauges.items()}
    psi[Gauge.BASE][800:1000] = np.nan
    columns = {"ts": pa.array(recording.at_us, pa.timestamp("us", tz="UTC"))}
    columns |= {f"{g}_psi": pa.array(v, from_pandas=True) for g, v in psi.items()}
    path = tmp_path_factory.mktemp("plot") / "a<b>&.csv"
    pa.csv.write_csv(pa.table(columns), path, pa.csv.WriteOptions(quoting_style="none"))
    return path, psi


def data_of(page):
    return json.loads(re.search(r'type="application/json">(.*?)</script>', page, re.DOTALL)[1])


def unpacked(text, kind):
    return np.frombuffer(zlib.decompress(base64.b64decode(text)), kind)


def test_the_page_holds_samples_and_findings_and_asks_for_nothing(inspect, spoiled_file, tmp_path):
    path, psi = spoiled_file
    out = tmp_path / "p.html"
    status, said, err = inspect(path, "--json", "--plot", out)
    found = json.loads(said)
    page = out.read_text()
    assert (status, err) == (0, "")
    assert "a&lt;b&gt;&amp;.csv" in page and "<b>" not in page
    assert not re.search(r"""(src|href)=["']|https?://|@import""", page)
    data = data_of(page)
    assert [trace["name"] for trace in data["traces"]] == ["base", "catalyst_1", "catalyst_2"]
    assert data["moment_ms"] == 0
    for trace in data["traces"]:
        drawn = unpacked(trace["v"], "<i2") * trace["scale"]
        known = psi[Gauge(trace["name"])]
        known = known[np.isfinite(known)]
        assert np.allclose(drawn, known, atol=trace["scale"])  # short enough to be there sample by sample
        ticks = np.cumsum(unpacked(trace["t"], "<u4"))
        assert len(ticks) == len(known) and (np.diff(ticks) > 0).all()
    kinds = [mark[3] for mark in data["marks"]]
    assert kinds.count("out of balance") == len(found["balance_events"]) == 1
    assert kinds.count("not purged") == len(found["idle_spans"]) == 1
    assert kinds.count("missing") == len([f for f in found["sensor_faults"] if f["type"] == "missing"]) == 1
    assert [state[2] for state in data["states"]] == [state["type"] for state in found["states"]]
    assert len(unpacked(data["reversals"]["base"], "<u4")) == found["strokes"]["base"]


def test_the_picture_is_a_png_with_something_on_it(inspect, spoiled_file, tmp_path):
    out = tmp_path / "p.png"
    assert inspect(spoiled_file[0], "--plot", out)[0] == 0
    picture = cv2.imread(str(out))
    assert picture.shape[1] == 1800
    assert len(np.unique(picture.reshape(-1, 3), axis=0)) > 50


@pytest.mark.parametrize("name", ["p.svg", "p", "no/such/folder/p.html"])
def test_a_name_that_can_not_be_is_2(inspect, spoiled_file, tmp_path, name):
    status, _, err = inspect(spoiled_file[0], "--plot", tmp_path / name)
    assert status == 2 and err.count("\n") == 1 and "--plot" in err


def test_an_empty_recording_is_an_empty_plot(inspect, tmp_path):
    path = tmp_path / "e.csv"
    path.write_text("ts,base_psi\n")
    for name in ("e.html", "e.png"):
        assert inspect(path, "--plot", tmp_path / name)[0] == 0


@given(
    st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=400),
    st.integers(2, 40),
    st.lists(st.integers(0, 400), max_size=5),
)
@example([0.0] * 5, 2, [])
@settings(max_examples=60, deadline=None)
def test_thinning_in_any_pieces_keeps_the_extremes_and_the_order(values, most, cuts):
    values = np.array(values)
    at = np.arange(len(values)) * 50_000
    trace = Trace(most=max(4, most))
    edges = sorted({0, *(min(cut, len(values)) for cut in cuts), len(values)})
    for first, last in itertools.pairwise(edges):
        trace.add(at[first:last], values[first:last])
    kept_at, kept = trace.points()
    assert kept.max() == values.max() and kept.min() == values.min()
    assert len(kept) <= max(4, most)
    assert (np.diff(kept_at) > 0).all()
    assert (kept == values[kept_at // 50_000]).all()


def test_what_is_few_enough_is_all_there():
    at, values = np.arange(10), np.arange(10.0)
    assert thinned(at, values, 10)[1] is values


def test_a_trace_says_of_which_moments_it_kept_but_two_samples():
    whole, thin = Trace(most=1000), Trace(most=100)
    at = np.arange(1000) * 50_000
    for trace in (whole, thin):
        trace.add(at, np.sin(at / 1e6))
    assert (whole.moment_us, thin.moment_us) == (0, 999_000)  # two of 100 in each fiftieth of 49.95 s
    assert len(thin.points()[0]) <= 100 < len(whole.points()[0])
