"""Does each check follow what it measures, and nothing else?"""

import cv2
import numpy as np
import pytest

from pipeline.derive.smear.blur import edge_blur
from pipeline.derive.smear.results import SmearLimits
from pipeline.derive.smear.score import look
from tests.shop.fields import flat, photograph

PX_PER_MM = 4.0


def seen(blur, *, grain=0.0, sharpen=0.0, shake=0.0, fades=0.0, bench=False):
    """A film with a ragged rim on paper, blurred [mm], then developed as a phone does.

    fades : [mm] standard deviation of the film's own edge; bench : the paper ends within the picture
    """
    y, x = np.mgrid[:600, :800].astype(np.float32)
    turn = np.arctan2(y - 300, x - 400)
    rim = 0.12 * np.sin(9 * turn) + 0.06 * np.sin(41 * turn)
    scene = np.where(np.hypot((x - 400) / 260, (y - 300) / 200) < 1 + rim, 0.1, 0.8).astype(np.float32)
    inside = np.ones(scene.shape, bool)
    if fades:
        scene = cv2.GaussianBlur(scene, (0, 0), fades * PX_PER_MM)
    if bench:
        inside = cv2.warpAffine(
            np.ones((520, 720), np.uint8), np.array([(1, 0.02, 30), (-0.02, 1, 50.0)]), (800, 600)
        )
        scene = np.where(inside > 0, scene, 0.3).astype(np.float32)
        # What is taken for the paper ends a little within it.
        inside = cv2.erode(inside, np.ones((15, 15), np.uint8)) > 0
    if blur:
        scene = cv2.GaussianBlur(scene, (0, 0), blur * PX_PER_MM)
    if shake:
        reach = round(shake * PX_PER_MM)
        scene = cv2.blur(scene, (reach, 1))
    scene += np.float32(grain) * np.random.default_rng(5).standard_normal(scene.shape, np.float32)
    scene += sharpen * (scene - cv2.GaussianBlur(scene, (0, 0), 1.1))
    level = np.clip(scene, 0, 1)
    return level, inside


def measured(*args, **options):
    return edge_blur(*seen(*args, **options)) / PX_PER_MM


@pytest.mark.parametrize("blur", [0.3, 0.5, 0.8, 1.2])
def test_blur_is_read_as_the_gaussian_it_is(blur):
    assert measured(blur) == pytest.approx(blur, rel=0.15)


@pytest.mark.parametrize("blur", [0.6, 1.0])
def test_neither_grain_nor_sharpening_hides_defocus(blur):
    assert measured(blur, grain=0.01, sharpen=0.9) > 0.45


def test_grain_and_sharpening_are_no_blur():
    assert measured(0.15, grain=0.01, sharpen=0.9) < 0.3


def test_a_shaken_hand_shows_across_its_way_alone():
    """A shake of length s spreads a point by s / sqrt(12)."""
    assert measured(0.15) < 0.3
    assert measured(0.15, shake=3.0) > 0.6


def test_a_film_that_fades_into_the_paper_is_not_blurred_where_the_papers_own_rim_is_sharp():
    assert measured(0.15, fades=0.45) > 0.4  # there is nothing sharp to go by
    assert measured(0.15, fades=0.45, bench=True) < 0.35
    assert measured(0.5, fades=0.45, bench=True) > 0.45
    assert measured(0.15, fades=0.45, bench=True, shake=3.0) > 0.6


@pytest.mark.parametrize(("penumbra_mm", "told"), [(10.0, True), (20.0, True), (120.0, False)])
def test_a_shadow_is_told_by_how_steep_its_edge_is(penumbra_mm, told):
    """The same shadow, half of the light; over 120 mm it can be taken off."""
    rgb = photograph(flat, page=None)
    x = np.linspace(-148.5, 148.5, rgb.shape[1])[None, :, None]
    dimmed = 1 - 0.4 * np.clip((x - 20) / penumbra_mm + 0.5, 0, 1)
    linear = (rgb / 255.0) ** 2.2 * dimmed
    shaded = (255 * linear ** (1 / 2.2) + 0.5).astype(np.uint8)
    failed = {check.name for check in look(shaded, SmearLimits()).checks if not check.ok}
    assert bool(failed) == told, failed


@pytest.mark.parametrize(("adds", "told"), [(0.5, True), (0.0, False)])
def test_a_lamp_that_shines_in_one_wing_is_glare_however_softly_it_fades(adds, told):
    """The film's own light is 0.05 of full, the lamp's image half of it: nowhere as bright as the paper."""
    rgb = photograph(flat)
    y, x = np.mgrid[: rgb.shape[0], : rgb.shape[1]].astype(np.float32)
    away = np.hypot(x - rgb.shape[1] / 2 - 30 * 5.0, y - rgb.shape[0] / 2)
    linear = (rgb / 255.0) ** 2.2 + (adds * np.exp(-((away / (12 * 5.0)) ** 2) / 2))[..., None]
    lit = (255 * np.clip(linear, 0, 1) ** (1 / 2.2) + 0.5).astype(np.uint8)
    failed = {check.name for check in look(lit, SmearLimits()).checks if not check.ok}
    assert ("one_wing" in failed) == told, failed
