"""Are striations that missed each other laid on each other, and is relief left where it is?"""

import cv2
import numpy as np
import pytest

from pipeline.derive.smear.drag import drag, dragged

PX = 4.0
HALF = np.zeros((280, 200), bool)
HALF[20:260, 20:180] = True  # a wing 40 mm wide and 60 mm long, the fold at its left


def waves(seed: int, fine_mm: float) -> np.ndarray:
    """Irregular lines some millimetres apart, spread 1."""
    noise = np.random.default_rng(seed).standard_normal(HALF.shape).astype(np.float32)
    field = cv2.GaussianBlur(noise, (0, 0), fine_mm * PX)
    return (field / field.std()).astype(np.float32)


def test_stripes_shifted_by_a_sheet_that_stands_up_are_found_again():
    y, x = np.mgrid[: HALF.shape[0], : HALF.shape[1]].astype(np.float32)
    shift = 1.3 * PX * np.sin(np.pi * x / 200)  # nothing at the fold and at the rim, 1.3 mm between
    mix = 0.15 * waves(1, 0.6)
    there = cv2.remap(mix, x - shift, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    wing, mirror = mix + 0.1 * waves(2, 0.5), there + 0.1 * waves(3, 0.5)
    by = drag(wing, mirror, HALF, 0.0, PX)
    assert by is not None
    assert np.abs(by[..., 0] - shift)[HALF].mean() < 0.35 * PX
    before, after = (float((wing * m)[HALF].mean()) for m in (mirror, dragged(mirror, by)))
    assert before < 0.6 * 0.15**2
    assert after == pytest.approx(0.15**2, rel=0.3)


@pytest.mark.parametrize("seed", range(4, 9))
def test_relief_agrees_nowhere(seed: int):
    common = 0.35 * waves(seed + 20, 0.5)  # some of it in both wings: no reason to move them
    wing, mirror = common + waves(seed, 0.5), common + waves(seed + 10, 0.5)
    assert drag(0.1 * wing, 0.1 * mirror, HALF, 0.0, PX) is None


@pytest.mark.parametrize("seed", range(40, 60))
def test_what_the_search_gains_by_chance_on_a_small_film_moves_nothing(seed: int):
    small = np.zeros_like(HALF)
    small[20:200, 20:130] = True  # a wing of 1,200 mm2
    common = 0.4 * waves(seed + 100, 1.0)  # coarse relief, so that few waves agree by chance
    wing, mirror = common + waves(seed, 1.0), common + waves(seed + 50, 1.0)
    assert drag(0.1 * wing, 0.1 * mirror, small, 0.0, PX) is None


def test_a_wing_too_narrow_to_tell_stays_where_it_is():
    narrow = np.zeros_like(HALF)
    narrow[20:260, 20:50] = True
    assert drag(waves(1, 0.6), waves(2, 0.6), narrow, 0.0, PX) is None
    assert drag(waves(1, 0.6), waves(2, 0.6), np.zeros_like(HALF), 0.0, PX) is None
