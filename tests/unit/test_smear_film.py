"""Is what lies beside a film, or scratches in a table, taken for film?"""

from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from pipeline.derive.smear.film import find_film
from pipeline.derive.smear.pale import rough_film

PX = 4.0
ALL = np.ones((400, 600), bool)
Y, X = np.mgrid[:400, :600]
FOLD_X = 300.0


def light(grey):
    grey = grey.astype(np.float32)
    return SimpleNamespace(grey=grey, paper=grey > 0.8, paper_spread=0.005)


def film_of(*shapes):
    """What is found of a film over the fold and a corner in shadow; shapes : (H, W) of films."""
    dark = np.any(shapes, axis=0)
    corner = np.clip((X - Y - 400) / 60, 0, 1)
    return dark, find_film(light((1 - 0.4 * corner) * np.where(dark, 0.1, 1.0)), ALL, PX, FOLD_X)


@pytest.mark.parametrize("off_px", [0, 90], ids=["over the fold", "two wings beside it"])
def test_a_shadow_on_one_half_of_the_sheet_is_no_film(off_px):
    wings = [np.hypot((X - FOLD_X - off) / 70, (Y - 250) / 100) < 1 for off in (-off_px, off_px)]
    dark, found = film_of(*wings)
    assert found is not None
    assert (found.mask ^ dark).mean() < 0.01


def test_what_lies_alone_on_a_half_of_the_sheet_may_be_a_film():
    wing = np.hypot((X - 150) / 70, (Y - 250) / 100) < 1
    _, found = film_of(wing, np.zeros_like(wing))
    assert found is not None
    assert found.mask[wing].mean() > 0.95


@pytest.mark.parametrize(("long", "wide", "told"), [(90, 70, True), (190, 32, False)])
def test_a_rough_patch_is_a_white_film_unless_it_straggles(long, wide, told):
    rng = np.random.default_rng(1)
    ridges = cv2.GaussianBlur(rng.standard_normal(X.shape), (0, 0), 0.4 * PX)
    patch = np.hypot((X - 300) / long, (Y - 200) / wide) < 1
    grey = 1 + 0.03 * ridges / ridges.std() * patch + 0.001 * rng.standard_normal(X.shape)
    assert (rough_film(light(grey), ALL, 0.8, PX) is not None) == told
