"""Is a picture laid on its own mirror image to a part of a pixel?"""

import cv2
import numpy as np
import pytest

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
