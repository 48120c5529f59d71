"""Is the fold of a film that could be folded many ways told from the paper's crease, or from its waist?"""

import cv2
import numpy as np
import pytest

from pipeline.derive.smear.crease import find_crease
from pipeline.derive.smear.fold import find_folds, markings
from pipeline.derive.smear.foldline import waists
from pipeline.derive.smear.results import SmearLimits
from pipeline.derive.smear.score import look
from tests.shop.fields import bands, photograph

PX = 4.0
HEIGHT, WIDTH = 840, 1000
Y, X = np.mgrid[:HEIGHT, :WIDTH].astype(np.float32)
FILM = np.hypot(X - 500, Y - 420) < 25 * PX  # as round as a coin


def line(angle_deg: float, aside_mm: float = 0.0) -> tuple[float, float]:
    """Angle [rad] and offset [px] of a line that runs so far from the film's middle."""
    angle = np.deg2rad(angle_deg)
    return angle, 500 * np.cos(angle) + 420 * np.sin(angle) + aside_mm * PX


def paper(*lines: tuple[float, float], depth: float = 0.03, seed: int = 1) -> np.ndarray:
    """(H, W) paper with grain, and lines half a millimetre wide."""
    grain = np.random.default_rng(seed).normal(size=X.shape).astype(np.float32)
    grey = 1 + 0.012 * grain + 0.02 * cv2.GaussianBlur(grain, (0, 0), 3)
    for angle, offset in lines:
        off = X * np.cos(angle) + Y * np.sin(angle) - offset
        grey -= depth * np.exp(-((off / (0.25 * PX)) ** 2) / 2)
    return np.where(FILM, 0.06, grey).astype(np.float32)


def found(grey: np.ndarray) -> np.ndarray | None:
    return find_crease(grey, ~FILM, FILM, PX)


@pytest.mark.parametrize("angle_deg", [0.0, 17.3, 90.0, 133.0, 179.0])
@pytest.mark.parametrize("depth", [0.03, -0.03])
def test_a_crease_is_found_to_half_a_degree_and_half_a_millimetre(angle_deg: float, depth: float) -> None:
    angle, offset = line(angle_deg, 2.0)
    crease = found(paper((angle, offset), depth=depth))
    assert crease is not None
    assert abs(np.sin(crease[0] - angle)) < np.sin(np.deg2rad(0.5))
    assert crease[1] * np.cos(crease[0] - angle) == pytest.approx(offset, abs=0.5 * PX)


@pytest.mark.parametrize("seed", range(6))
def test_paper_without_a_crease_has_none(seed: int) -> None:
    assert found(paper(seed=seed)) is None


@pytest.mark.parametrize(
    "lines",
    [
        [line(0.0), line(90.0)],
        [line(90.0, 8.0 * n) for n in range(-6, 7)],
        [line(20.0, 40.0)],
    ],
    ids=["folded twice", "ruled", "far from the film"],
)
def test_lines_that_may_be_something_else_are_no_fold(lines: list[tuple[float, float]]) -> None:
    assert found(paper(*lines)) is None


def test_two_wings_meet_in_a_waist() -> None:
    """Two discs side by side are their own mirror image about two lines; the wings meet on one."""
    lobes = np.hypot(np.abs(X - 500) - 23 * PX, Y - 420) < 24 * PX
    across, along = np.array([0.0, 500.0]), np.array([np.pi / 2, 420.0])
    narrower = waists(lobes, np.stack([across, along]))
    # The chord where the discs meet, 2 sqrt(24^2 - 23^2), over their width, 2 x 24.
    assert narrower[0] == pytest.approx(1 - np.sqrt(24**2 - 23**2) / 24, abs=0.1)
    assert narrower[1] < 0.02
    grey = np.where(lobes, 0.06, 1).astype(np.float32)
    first = find_folds(markings(grey, lobes, PX), lobes, PX, None)[0]
    assert abs(np.sin(first.angle)) < np.sin(np.deg2rad(3.0))


def test_a_mix_that_looks_even_about_a_wrong_line_is_measured_about_the_crease() -> None:
    """Bands along the fold of a round film, and alike about no line that runs across it."""
    rgb = photograph(bands(0.2, 8.0), page=None, size_mm=(100.0, 100.0), noise=0.006)
    middle = rgb.shape[1] // 2
    rgb[:, middle - 1 : middle + 1] = (rgb[:, middle - 1 : middle + 1] * 0.985).astype(np.uint8)
    wings = look(rgb, SmearLimits()).wings
    assert wings is not None and wings.fold_known
    assert abs(np.sin(wings.fold.angle)) < np.sin(np.deg2rad(1.0))
    assert wings.mixing.cov == pytest.approx(0.2, rel=0.15)
