"""Do `limits` and `shade` read a history right: which call is of which photograph, which lot was on?"""

import json
import subprocess
import sys
from datetime import timedelta
from xml.etree import ElementTree

import numpy as np
import pytest

from edge.records import Changeover, Correction, SmearCall
from pipeline.cure import derive_cure
from pipeline.history import History
from pipeline.join import connect
from pipeline.judging import judge
from pipeline.settings import load_settings
from pipeline.show.summary import open_shift, summarise
from tests.shop.day import DAY, SITE, at
from tests.shop.made_history import empty_home, write, write_records
from tests.shop.paperwork import _id

PUMP = "pump-a"
START = at("06:30")


def head(n, when):
    return {"id": _id(when, PUMP, n), "site": SITE, "pump": PUMP, "at": when, "by": "R. Okafor"}


def photo(n, cov, verdict, *, minutes, sheet=None, light=40.0):
    return {
        "site": SITE, "pump": PUMP, "day": DAY, "at": START + timedelta(minutes=minutes),
        "sha256": f"{n:064x}",
        "by": "R. Okafor", "sheet": sheet, "verdict": verdict, "score": 1.0, "cov": cov, "reasons": [],
        "calibrated": True, "shade_l": light, "shade_a": 0.0, "shade_b": -1.0,
    }  # fmt: skip


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """45 even mixes and four uneven ones, one of which the camera passed; two photographs sent back."""
    home = empty_home(tmp_path_factory.mktemp("limits"))
    photos, said = [], []
    for n, cov in enumerate(np.linspace(0.008, 0.025, 45)):
        photos.append(photo(n, float(cov), "pass", minutes=8 * n, light=40 + 0.02 * n))
        said.append(SmearCall(**head(n, START + timedelta(minutes=8 * n + 1)), call="pass"))
    for n, (cov, verdict) in enumerate([(0.034, "pass"), (0.07, "fail"), (0.1, "fail"), (0.2, "fail")], 100):
        photos.append(photo(n, cov, verdict, minutes=4 * n, light=35.0))
        # Twenty minutes later, so that only what the call names can join the two.
        said.append(
            SmearCall(**head(n, START + timedelta(minutes=4 * n + 20)), call="fail", photo=f"{n:064x}")
        )
    # A retake and then the photograph of the same sheet: the judged one counts.
    photos.append(photo(200, None, "retake", minutes=600, sheet="S-9"))
    photos.append(photo(201, 0.02, "pass", minutes=603, sheet="S-9"))
    said.append(SmearCall(**head(200, START + timedelta(minutes=601)), call="pass", sheet="S-9"))
    photos.append(photo(202, None, "retake", minutes=700))
    said.append(SmearCall(**head(202, START + timedelta(minutes=701)), call="pass"))
    # A call that was corrected counts as corrected.
    photos.append(photo(203, 0.09, "fail", minutes=800))
    first = SmearCall(**head(203, START + timedelta(minutes=801)), call="pass")
    mended = SmearCall(**head(204, START + timedelta(minutes=801)), call="fail")
    said += [first, Correction(**head(205, START + timedelta(minutes=810)), supersedes=first.id,
        corrected=mended, reason="wrong button")]  # fmt: skip
    said.append(
        Changeover(
            **head(300, START + timedelta(minutes=100)), part="curing_agent", new_lot="C-7", old_lot=None
        )
    )
    write(home, "smear_scores", photos)
    write_records(home, said)
    return home


def beadbook(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "pipeline", *map(str, arguments)], capture_output=True, text=True, timeout=120
    )


def test_each_call_meets_its_photograph(home):
    rows = connect(home).sql("SELECT eye, camera, told_by, cov FROM smear_agreement").fetchall()
    assert len(rows) == 52
    assert sum(told == "photo" for _, _, told, _ in rows) == 4
    assert [cov for _, camera, told, cov in rows if told == "sheet"] == [0.02]
    assert ("fail", "fail", "time", 0.09) in rows and ("pass", "fail", "time", 0.09) not in rows
    assert sum(camera == "retake" for _, camera, _, _ in rows) == 1


def test_limits_reports_and_proposes_without_touching_the_site(home):
    before = (home / "site.toml").read_bytes() if (home / "site.toml").exists() else None
    run = beadbook("limits", "--home", home, "--json")
    report = json.loads(run.stdout)
    counts = report["agreement"]
    assert (counts["both_pass"], counts["misses"], counts["both_fail"], counts["false_alarms"]) == (
        46,
        1,
        4,
        0,
    )
    assert report["not_judged"] == 1
    assert report["proposal"]["cov_max"] == pytest.approx(np.sqrt(0.025 * 0.034), abs=1e-3)
    words = beadbook("limits", "--home", home).stdout
    assert "ATTENTION" in words and "tighter than the present 0.050" in words and "cov_max = 0.029" in words
    assert ((home / "site.toml").read_bytes() if (home / "site.toml").exists() else None) == before


def test_shade_is_drawn_by_the_lot_in_force(home, tmp_path):
    chart = tmp_path / "shade.svg"
    run = beadbook("shade", "--home", home, "--site", SITE, "--pump", PUMP, "--svg", chart)
    assert run.returncode == 0, run.stderr
    lines = run.stdout.splitlines()
    assert "curing agent unknown" in lines[0] and "curing agent C-7" in lines[20]
    marks = [e for e in ElementTree.parse(chart).iter() if e.tag.endswith("title")]
    assert len(marks) == 51 + 2  # photographs that were judged, and the legend's two lots
    assert "shade_lab = [40." in run.stdout


def test_a_step_in_lightness_is_on_the_shifts_chart_and_found_without_a_shade_to_hold_against(home):
    settings = load_settings(home)
    derive_cure(History(home), settings, SITE, PUMP)
    judge(History(home), settings, SITE, PUMP)
    summary = summarise(open_shift(home, SITE, PUMP, DAY, 1))
    assert not any(chart.measure == "shade" for chart in summary.charts)
    (chart,) = [chart for chart in summary.charts if chart.measure == "lightness"]
    assert chart.lower > 35.0 and chart.upper < 41.0  # the first twenty rise from 40.0 to 40.4
    darker = [point for point in chart.points if point.value == 35.0]
    assert darker and all("beyond_3_sigma" in point.signals for point in darker)
    assert any("lightness L* of the smear" in finding.sentence for finding in summary.findings)


def test_a_pump_without_a_shade_is_a_sentence(home, tmp_path):
    run = beadbook("shade", "--home", home, "--site", SITE, "--pump", "pump-z")
    assert run.returncode == 3 and len(run.stderr.splitlines()) == 1
    run = beadbook("limits", "--home", tmp_path / "none")
    assert run.returncode == 3 and len(run.stderr.splitlines()) == 1
