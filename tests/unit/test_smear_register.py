"""Is a picture laid on its own mirror image to a part of a pixel?"""

import cv2
import numpy as np
import pytest

from pipeline.derive.smear.fold import find_folds, markings
from pipeline.derive.smear.foldline import likely_lines, reflections
from pipeline.derive.smear.register import Picture, aligned

_HEIGHT, _WIDTH = 160, 200
_CORNERS = np.array([[(50, 40), (150, 40), (50, 120), (150, 120)]], np.float64)


def mirrored_about(bend: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A picture that is its own mirror image under a map, and that map: bend, turn over, bend back."""
    y, x = np.mgrid[:_HEIGHT, :_WIDTH].astype(np.float64)
    u, v, w = np.tensordot(bend, np.stack([x, y, np.ones_like(x)]), 1)
    u, v = u / w, v / w
    across = np.abs(u - 100)
    picture = np.exp(-(((across - 40) / 6) ** 2)) * np.sin(v / 7) + 0.5 * np.exp(
        -((across - 60) ** 2 + (v - 90) ** 2) / 50
    )
    flip = reflections(np.array([(0.0, 100.0)]))[0]
    return picture.astype(np.float32), np.linalg.inv(bend) @ flip @ bend


@pytest.mark.parametrize("off_px", [0.0, 1.5, 3.0])
@pytest.mark.parametrize("tilt", [0.0, 2e-4, -3e-4])
def test_a_bent_and_shifted_mirror_image_is_found_to_a_tenth_of_a_pixel(off_px: float, tilt: float) -> None:
    bend = np.array([[1.01, 0.01, 0.5], [-0.02, 0.99, 1.0], [tilt, -tilt / 2, 1.0]])
    picture, truth = mirrored_about(bend)
    start = truth @ np.array([[1, 0, off_px], [0, 1, -off_px], [0, 0, 1.0]])
    found = aligned([Picture(picture, np.ones(picture.shape, bool))], start)
    assert found is not None
    there, expected = (cv2.perspectiveTransform(_CORNERS, m) for m in (found, truth))
    assert np.abs(there - expected).max() < 0.1


def test_an_even_picture_holds_nothing() -> None:
    flip = reflections(np.array([(0.0, 100.0)]))[0]
    even = np.ones((_HEIGHT, _WIDTH), np.float32)
    assert aligned([Picture(even, np.ones(even.shape, bool))], flip) is None


@pytest.mark.parametrize("angle_deg", [0.0, 33.0, 90.0, 141.0])
def test_the_fold_of_a_turned_film_is_among_the_lines_tried(angle_deg: float) -> None:
    y, x = np.mgrid[:400, :400].astype(np.float64) - 200.0
    angle = np.deg2rad(angle_deg)
    across, along = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
    # Longer to one side along the fold, so that it has no second line of its own.
    film = (across / 150) ** 2 + ((along + 20) / np.where(along > -20, 130, 80)) ** 2 < 1
    marks = np.where(film & (np.abs(np.abs(across) - 60) < 8) & (along > 20), 1, 0).astype(np.float32)
    found, offset = likely_lines(marks, marks, film)[0]
    assert abs(np.sin(found - angle)) < np.sin(np.deg2rad(1.0))
    wanted = 200 * (np.cos(found) + np.sin(found))
    assert offset == pytest.approx(wanted, abs=4.0)


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_a_rim_that_fades_into_the_paper_does_not_hide_the_fold(seed: int) -> None:
    """A round film of even stripes: its outline is nearly alike about many a line, its stripes about one."""
    rng = np.random.default_rng(seed)
    half, px_per_mm = 130, 3.2
    y, x = np.mgrid[-half:half, :half].astype(np.float32)
    turn = np.arctan2(y, x + 1)
    lumps = 0.06 * np.sin(2 * turn + rng.uniform(0, 6)) + 0.04 * np.sin(5 * turn + rng.uniform(0, 6))
    out = np.hypot(y, x) / (25 * px_per_mm * (1 + lumps))
    bend = cv2.GaussianBlur(rng.normal(size=x.shape).astype(np.float32), (0, 0), 6 * px_per_mm)
    bend *= 2 * px_per_mm / bend.std()
    run = rng.uniform(0, np.pi)
    stripes = np.sin(2 * np.pi * (x * np.cos(run) + y * np.sin(run) + bend) / (5 * px_per_mm))

    def both(wing: np.ndarray) -> np.ndarray:
        return np.concatenate([wing[:, ::-1], wing], axis=1)

    film = both(0.03 * (1 + 0.25 * stripes)) * (1 + 0.03 * rng.normal(size=(2 * half, 2 * half)))
    cover = both(np.clip((1 - out) / 0.03, 0, 1))
    mask = both(out) < 0.99
    grey = (0.6 * (1 - cover) + film * cover).astype(np.float32)
    fold = find_folds(markings(grey, mask, px_per_mm), mask, px_per_mm, None)[0]
    assert abs(np.sin(fold.angle)) < np.sin(np.deg2rad(3.0))
