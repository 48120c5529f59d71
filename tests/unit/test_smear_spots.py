"""Are a few round white spots left out and doubted, and many or long ones taken for unmixed base?"""

import cv2
import numpy as np
import pytest

from pipeline.derive.smear.film import _air_holes

PX_PER_MM, LEVEL = 4.0, 0.1
MASK = cv2.ellipse(np.zeros((400, 400), np.uint8), (200, 200), (150, 150), 0, 0, 360, 1, -1) > 0


def spotted(radii_px, long=1.0):
    """A dark film on white paper, with white spots around its middle; `long` times as long as wide."""
    grey = np.where(MASK, LEVEL, 1.0).astype(np.float32)
    for n, radius in enumerate(radii_px):
        angle = 2 * np.pi * n / len(radii_px)
        centre = (int(200 + 90 * np.cos(angle)), int(200 + 90 * np.sin(angle)))
        cv2.ellipse(grey, centre, (round(radius * long), round(radius)), 0, 0, 360, 1.0, -1)
    return _air_holes(grey, MASK, LEVEL, PX_PER_MM)


def test_pinholes_are_left_out_and_nothing_is_doubted():
    holes, doubted = spotted([5, 5])
    assert holes.any() and not doubted.any()


@pytest.mark.parametrize("radii", [[7, 7, 7, 7, 7], [11, 11]], ids=["more than a hundredth", "large"])
def test_a_few_spots_of_air_or_base_are_left_out_and_doubted(radii):
    holes, doubted = spotted(radii)
    assert holes.any() and doubted.any()


@pytest.mark.parametrize(
    ("radii", "long"), [([6] * 9, 1.0), ([7] * 15, 1.0), ([5, 5], 6.0)], ids=["many", "very many", "long"]
)
def test_many_spots_and_long_ones_are_base_and_stay_in_the_film(radii, long):
    holes, doubted = spotted(radii, long)
    assert not holes.any() and not doubted.any()
