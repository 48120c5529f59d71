"""Does the second renderer tell the truth? Closed forms, mirrored wings, one seed one file."""

import cv2
import numpy as np
import pytest

from tests.shop.otherphoto import PX_PER_MM
from tests.shop.otherphoto.colour import film_reflectance, material
from tests.shop.otherphoto.light import Lamp, irradiance
from tests.shop.otherphoto.photo import photograph
from tests.shop.otherphoto.plan import Plan, planned
from tests.shop.otherphoto.smear import smeared
from tests.shop.otherphoto.truth import THIN, mixing, verdict_of


def stripes(width_mm: float, swing: float) -> np.ndarray:
    """Even stripes m (1 +- swing) on a 64 mm square, m = 0.1."""
    x = np.arange(int(64 * PX_PER_MM)) / PX_PER_MM
    return np.tile(0.1 * (1 + swing * np.where((x // width_mm) % 2, 1, -1)), (len(x), 1)).astype(np.float32)


def test_truth_of_stripes_is_the_closed_form() -> None:
    fraction = stripes(4.0, 0.2)
    found = mixing(fraction, np.ones_like(fraction))
    assert found["cov"] == pytest.approx(0.2, rel=1e-3)  # two equal-area levels m(1 +- a): CoV = a
    assert found["segregation"] == pytest.approx(0.02**2 / (0.1 * 0.9), rel=1e-3)  # Danckwerts 1952
    assert found["striation_mm"] == pytest.approx(4.0, abs=0.5)


def test_truth_leaves_out_what_no_phone_tells_apart() -> None:
    found = mixing(stripes(1 / PX_PER_MM, 0.5), np.ones((512, 512), np.float32))
    assert found["cov"] == pytest.approx(0.0, abs=1e-6)  # stripes half a truth pixel wide average away


def test_truth_counts_the_film_alone() -> None:
    fraction = stripes(4.0, 0.2)
    thickness = np.where(fraction > 0.1, 0.3, THIN / 2).astype(np.float32)
    assert mixing(fraction, thickness)["cov"] == pytest.approx(0.0, abs=1e-6)
    assert mixing(np.zeros_like(fraction), np.ones_like(fraction))["cov"] is None
    assert [verdict_of(cov) for cov in (0.02, 0.05, 0.08, None)] == ["good", "borderline", "bad", "bad"]


def test_thick_film_has_the_shade_of_its_material_and_thin_film_that_of_the_paper() -> None:
    of = material(np.random.default_rng(5), "dark grey")
    right = np.full(2, of.share, np.float32)
    thick, thin = film_reflectance(of, right, np.array([5.0, 1e-5], np.float32), 0.85)
    assert np.all((thick > 0.07) & (thick < 0.17))
    assert thin == pytest.approx(0.85, abs=0.02)
    lean = film_reflectance(of, right * 0.8, np.array([5.0, 5.0], np.float32), 0.85)[0]
    assert np.all(lean > thick)


def test_a_near_lamp_falls_off_by_the_inverse_square_and_the_cosine() -> None:
    lamp = Lamp(np.array([0, 0, 300], np.float32), np.ones(3, np.float32), 10.0)
    points = np.array([[0, 0, 0], [300, 0, 0]], np.float32)
    lit = irradiance(points, np.tile(np.array([0, 0, 1], np.float32), (2, 1)), lamp)
    assert lit == pytest.approx([1.0, 1 / 2 / np.sqrt(2)], rel=1e-5)  # twice the distance², cos 45 degrees


@pytest.mark.parametrize("kind", ["core", "specks", "lamellae"])
def test_the_wings_mirror_each_other_and_their_relief_mostly_does_not(kind: str) -> None:
    smear = smeared(np.random.default_rng(11), (210.0, 148.0), kind, 0.3, 0.09)
    middle = smear.fraction.shape[1] // 2
    left, right = smear.fraction[:, :middle][:, ::-1], smear.fraction[:, middle:]
    thick = [smear.thickness[:, :middle][:, ::-1], smear.thickness[:, middle:]]
    both = (thick[0] > 2 * THIN) & (thick[1] > 2 * THIN)
    assert both.mean() > 0.05
    assert np.corrcoef(left[both], right[both])[0, 1] > 0.6  # strings pull each wing about by 0.25 mm
    relief = [t - cv2.GaussianBlur(t, (0, 0), 3 * PX_PER_MM) for t in thick]
    inner = cv2.erode(both.astype(np.uint8), np.ones((65, 65))) > 0
    assert np.corrcoef(relief[0][inner], relief[1][inner])[0, 1] < 0.6


def test_one_seed_makes_one_photograph() -> None:
    plan = Plan(4, "good", "lamellae", 0.01, "black", None, (210.0, 148.0), (480, 360), None)
    first, truth = photograph(plan, {})
    again, same = photograph(plan, {})
    assert first == again and truth == same
    assert truth["verdict"] == "good" and truth["film_in_frame"] == 1.0
    assert first != photograph(Plan(5, *list(vars(plan).values())[1:]), {})[0]


def test_plans_hold_every_kind_and_flaw() -> None:
    plans = [planned(seed, "mixed") for seed in range(600)]
    assert {p.kind for p in plans} == {
        "lamellae",
        "bands",
        "drift",
        "core",
        "strands",
        "specks",
        "white",
        "none",
    }
    assert len({p.flaw for p in plans}) == 11
    assert {p.page for p in plans} == {None, "a4", "letter"}
