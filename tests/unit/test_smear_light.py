"""Is the light found from the paper alone, however it falls and however the paper lies?"""

import cv2
import numpy as np
import pytest

from pipeline.derive.smear.find import Canvas, find_paper
from pipeline.derive.smear.light import level_light

SIZE = (420, 594)


def srgb(linear):
    linear = np.clip(linear, 0, 1)
    level = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.repeat((255 * level + 0.5).astype(np.uint8)[..., None], 3, axis=2)


def canvas(light, film=None, fold_x=None):
    scene = light * np.where(film, 0.05, 1.0) if film is not None else light
    inside = np.ones(SIZE, bool)
    return Canvas(
        rgb=srgb(scene), inside=inside, px_per_mm=2.0, fold_x=fold_x, to_photo=np.eye(3), sheet=None
    )


def film():
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    return np.hypot((x - 300) / 100, (y - 200) / 80) < 1


def reflectance_of(light, fold_x=None):
    found = level_light(canvas(light, film(), fold_x), np.zeros(SIZE, bool))
    return found.grey[~film()], found.grey[film()]


def test_light_that_falls_eight_to_one_is_taken_off():
    x = np.linspace(0, 1, SIZE[1])[None, :] * np.ones((SIZE[0], 1))
    paper, below = reflectance_of(0.85 * np.exp(-np.log(8.0) * x))
    assert np.abs(paper - 1).max() < 0.05
    assert np.median(below) == pytest.approx(0.05, rel=0.1)


@pytest.mark.parametrize("step", [0.85, 1.18])
def test_the_two_halves_of_a_folded_sheet_may_face_the_lamp_differently(step):
    x = np.arange(SIZE[1])[None, :] * np.ones((SIZE[0], 1))
    paper, _ = reflectance_of(np.where(x < 297, 0.7, 0.7 * step), fold_x=296.5)
    beside = np.abs(np.broadcast_to(x, SIZE)[~film()] - 297) > 12
    assert np.abs(paper[beside] - 1).max() < 0.01


def test_burnt_out_paper_is_believed_as_far_as_the_rest_of_it_tells():
    x = np.linspace(0, 1, SIZE[1])[None, :] * np.ones((SIZE[0], 1))
    light = 1.5 * np.exp(-np.log(2.5) * x)
    _, below = reflectance_of(light)
    assert np.median(below) == pytest.approx(0.05, rel=0.1)
    found = level_light(canvas(light, film()), np.zeros(SIZE, bool))
    assert found.grey[~film()].min() > 0.95


@pytest.mark.parametrize("level", [0.9, 1.0, 1.1])
def test_a_crease_does_not_part_the_paper(level):
    rgb = np.full((480, 640, 3), 70, np.uint8)
    rgb[60:420, 80:320] = 200
    rgb[60:420, 320:560] = round(200 * level)
    rgb[:, 319:321] = 150
    inside = find_paper(rgb)
    assert inside[240, 120] and inside[240, 520]
    assert not inside[20, 320]


def test_a_bright_table_is_no_half_of_the_paper():
    rgb = np.full((480, 640, 3), 140, np.uint8)
    rgb[60:420, 80:400] = 220
    inside = find_paper(rgb)
    assert inside[240, 120] and not inside[240, 520]


def band_of_shadow(penumbra_mm, depth=0.35):
    """A shadow's band across page and film; one end of it fades over penumbra_mm, the page ends in it."""
    x = np.arange(SIZE[1])[None, :] / 2.0 * np.ones((SIZE[0], 1))
    return 0.8 * (1 - depth * np.clip((x - 170) / penumbra_mm + 0.5, 0, 1))


def test_light_in_a_soft_shadow_is_carried_on_under_the_film():
    light = band_of_shadow(90.0)
    found = level_light(canvas(light, film()), np.zeros(SIZE, bool))
    inner = cv2.erode(film().astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    assert np.abs(found.grey[inner] / 0.05 - 1).max() < 0.12  # of a light that falls by 35 % there
    assert np.abs(found.grey[~film()] - 1).max() < 0.04


def test_a_film_no_darker_than_a_shadow_stays_a_film():
    """Pale, but it ends within a millimetre, where a shadow's edge takes centimetres."""
    scene = np.where(film(), 0.8, 1.0) * band_of_shadow(90.0)
    found = level_light(canvas(scene), np.zeros(SIZE, bool))
    assert np.median(found.grey[film()]) == pytest.approx(0.8, abs=0.04)
