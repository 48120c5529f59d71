"""Do `sheet` and `score` keep their contracts: output, files, exit status, refusals?"""

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from tests.shop.fields import bands, photograph

KEYS = [
    "file",
    "verdict",
    "score",
    "cov",
    "segregation",
    "striation_mm",
    "delta_e_p95",
    "shade_delta_e",
    "reasons",
    "calibrated",
    "px_per_mm",
]


# Root may read and write everything, a shop's user may not.
AS_A_USER = ("setpriv", "--bounding-set", "-dac_override,-dac_read_search") if os.geteuid() == 0 else ()


def beadbook(*arguments):
    command = [*AS_A_USER, sys.executable, "-m", "pipeline", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("photos")
    Image.fromarray(photograph()).save(folder / "even.jpg", quality=90)
    Image.fromarray(photograph(bands(0.2, 5.0), page=None)).save(folder / "banded.png")
    Image.fromarray(photograph(wings=False)).save(folder / "bare.jpg", quality=90)
    (folder / "cut.jpg").write_bytes((folder / "even.jpg").read_bytes()[:9000])
    (folder / "empty.jpg").touch()
    return folder


def test_score_prints_one_object_a_line_in_the_order_given(folder):
    run = beadbook("score", folder / "even.jpg", folder / "banded.png", folder / "bare.jpg", "--json")
    assert (run.returncode, run.stderr) == (0, "")
    results = [json.loads(line) for line in run.stdout.splitlines()]
    assert [r["verdict"] for r in results] == ["pass", "fail", "retake"]
    for result in results:
        assert list(result)[: len(KEYS)] == KEYS
        assert isinstance(result["score"], float) and result["reasons"]
    assert results[0]["file"] == str(folder / "even.jpg")
    assert results[0]["sheet"] == "000001" and results[0]["px_per_mm"] == pytest.approx(5, rel=0.02)
    assert results[1]["px_per_mm"] is None and not results[1]["calibrated"]


def test_check_sets_the_exit_status(folder):
    assert beadbook("score", folder / "even.jpg", "--check").returncode == 0
    assert beadbook("score", folder / "even.jpg", folder / "banded.png", "--check").returncode == 1


def test_unusable_files_leave_the_others_scored(folder):
    files = ["cut.jpg", "even.jpg", "empty.jpg", ".", "missing.jpg", "banded.png", "bare.jpg"]
    run = beadbook("score", *(folder / f for f in files), "--json", "--overlay", folder / "seen")
    assert run.returncode == 3
    assert [json.loads(line)["verdict"] for line in run.stdout.splitlines()] == ["pass", "fail", "retake"]
    sentences = run.stderr.splitlines()
    assert len(sentences) == 4 and all(s.startswith("beadbook: ") and s.endswith(".") for s in sentences)
    assert "Traceback" not in run.stderr
    assert len(list((folder / "seen").glob("*.jpg"))) == 3


def test_a_file_that_may_not_be_read_leaves_the_others_scored(folder, tmp_path):
    (locked := tmp_path / "locked.jpg").write_bytes((folder / "even.jpg").read_bytes())
    locked.chmod(0)
    run = beadbook("score", locked, folder / "even.jpg", "--json")
    assert (run.returncode, len(run.stdout.splitlines())) == (3, 1)
    assert run.stderr == f"beadbook: {locked}: cannot be read (Permission denied); check the file.\n"


def test_a_folder_that_takes_no_overlays_is_refused_before_the_work(folder, tmp_path):
    (locked := tmp_path / "locked").mkdir(mode=0o555)
    for place in (locked, locked / "deeper", folder / "even.jpg"):
        run = beadbook("score", folder / "even.jpg", "--overlay", place)
        assert (run.returncode, run.stdout) == (2, "")
        assert "takes no files" in run.stderr and len(run.stderr.splitlines()) == 1


def test_the_longest_name_a_disk_takes_has_room_for_its_overlay(folder, tmp_path):
    (long := tmp_path / ("x" * 251 + ".jpg")).write_bytes((folder / "even.jpg").read_bytes())
    assert beadbook("score", long, long, "--overlay", tmp_path / "seen").returncode == 0
    assert len(list((tmp_path / "seen").iterdir())) == 2


def workers_of(process):
    """Process numbers of a batch's workers, once the first has begun to load its libraries."""
    for _ in range(400):
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
        there = [n for n in children if "spawn_main" in Path(f"/proc/{n}/cmdline").read_text()]
        if any("numpy" in Path(f"/proc/{n}/maps").read_text() for n in there):
            return there
        time.sleep(0.02)
    raise AssertionError("no worker has started")


def started(folder):
    """A batch of its own terminal, and its workers."""
    command = [sys.executable, "-m", "pipeline", "score", *[str(folder / "even.jpg")] * 40]
    batch = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        # What a shell starts in the background hears no interrupt, and the tests may have been.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    return batch, workers_of(batch)


def gone(workers):
    for _ in range(400):
        if not any(Path(f"/proc/{n}").exists() for n in workers):
            return True
        time.sleep(0.02)
    return False


def test_an_interrupt_while_workers_start_says_nothing(folder):
    batch, workers = started(folder)
    os.killpg(batch.pid, signal.SIGINT)  # as the terminal's key does
    _, said = batch.communicate(timeout=60)
    assert (batch.returncode, said.strip()) == (130, "")
    assert gone(workers)


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_workers_end_with_a_batch_that_is_killed(folder, how):
    batch, workers = started(folder)
    assert batch.stdout.readline().startswith("PASS")
    batch.send_signal(how)
    assert batch.wait(timeout=60) == -how
    assert gone(workers)
    batch.stdout.close()
    batch.stderr.close()


def test_a_site_s_own_limits_and_shade_are_used_where_asked_for(folder, tmp_path):
    (tmp_path / "site.toml").write_text(
        "[smear]\ncov_max = 0.2\nstreak_contrast = 0.9\n"
        '[pumps.pump-a.material]\nname = "black"\nshade_lab = [5.0, 0.0, 0.0]\n'
    )
    files = [folder / "even.jpg", folder / "banded.png"]
    run = beadbook("score", *files, "--json", "--home", tmp_path)
    assert "up to 20% is well mixed" in json.loads(run.stdout.splitlines()[0])["reasons"][0], run.stderr
    run = beadbook("score", files[0], "--json", "--home", tmp_path, "--pump", "pump-a")
    result = json.loads(run.stdout)
    assert result["verdict"] == "fail" and "lighter than black's own" in result["reasons"][0]
    assert beadbook("score", files[0], "--pump", "pump-a").returncode == 2


def test_score_without_a_photograph_is_a_wrong_call():
    assert beadbook("score").returncode == 2
    assert beadbook("sheet", "--page", "a5", "--out", "x.pdf").returncode == 2


@pytest.mark.parametrize(
    ("page", "width_pt", "height_pt"), [("a4", 841.89, 595.28), ("letter", 792.0, 612.0)]
)
def test_sheet_pdf_has_the_page_s_exact_size(tmp_path, page, width_pt, height_pt):
    out = tmp_path / "sheet.pdf"
    assert beadbook("sheet", "--page", page, "--dpi", "150", "--out", out).returncode == 0
    data = out.read_bytes()
    box = re.search(rb"/MediaBox\s*\[\s*0\s+0\s+([\d.]+)\s+([\d.]+)\s*\]", data)
    assert float(box[1]) == pytest.approx(width_pt, abs=0.05)
    assert float(box[2]) == pytest.approx(height_pt, abs=0.05)


def test_sheet_png_carries_its_resolution(tmp_path):
    out = tmp_path / "sheet.png"
    assert beadbook("sheet", "--page", "a4", "--dpi", "200", "--out", out, "--sheet-no", "17").returncode == 0
    with Image.open(out) as image:
        assert image.info["dpi"] == pytest.approx((200, 200), abs=0.1)
        assert image.size == (2339, 1654)
        detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_50))
        _, numbers, _ = detector.detectMarkers(np.asarray(image))
    assert sorted(numbers.ravel()) == list(range(8))


def test_sheet_refuses_what_it_cannot_write(tmp_path):
    for arguments in (("--out", tmp_path / "s.gif"), ("--out", tmp_path / "no" / "s.pdf")):
        run = beadbook("sheet", "--page", "a4", *arguments)
        assert run.returncode == 2 and len(run.stderr.strip().splitlines()) == 1
