"""Does the renderer keep to its physics? Colour against published values, the mix against closed forms."""

import json
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import cv2
import numpy as np
import pytest
from PIL import Image

from pipeline.derive.smear.sheet import sheet_geometry
from tests.shop.camera import Camera
from tests.shop.day import SHOP
from tests.shop.film import PX_PER_MM, Film, FilmSpec, Wing, cov_of, grade, press
from tests.shop.light import lamp_colour
from tests.shop.mixer import Mixing
from tests.shop.nuisances import Draw, mixing_of
from tests.shop.photographs import PhotoSpec, jpeg_bytes, random_spec, render, write_photo
from tests.shop.pigment import (
    MATERIALS,
    absorption_ratio,
    bulk_reflectance,
    layer_reflectance,
    opaque_reflectance,
    seen_reflectance,
)
from tests.shop.sample_photos import samples

SAMPLES = Path(__file__).parents[2] / "sample_images"
SMALL = Camera(size=(480, 360))
STREAKED = FilmSpec(Mixing(elements=5, slipped=0.08, cov=0.2))


@pytest.fixture(scope="module")
def film() -> Film:
    return press(np.random.default_rng(5), STREAKED)


# Kubelka and Munk 1931: K/S = (1 - R)^2 / 2R.
@pytest.mark.parametrize(
    ("reflectance", "ratio"),
    [
        (0.05, 9.025),
        (0.1, 4.05),
        (0.2, 1.6),
        (0.25, 1.125),
        (0.5, 0.25),
        (0.8, 0.025),
        (0.9, 0.00555556),
        (1, 0),
    ],
)
def test_absorption_follows_kubelka_and_munk(reflectance, ratio):
    assert absorption_ratio(reflectance) == pytest.approx(ratio, abs=1e-8)
    assert opaque_reflectance(ratio) == pytest.approx(reflectance, abs=1e-4)


# The single-constant line from a white base of R 0.90 to a dark part of R 0.05.
@pytest.mark.parametrize(
    ("fraction", "reflectance"),
    [
        (0.02, 0.548399),
        (0.05, 0.397531),
        (1 / 11, 0.298263),
        (0.12, 0.255055),
        (0.2, 0.183996),
        (0.5, 0.091415),
    ],
)
def test_a_little_dark_darkens_much(fraction, reflectance):
    mix = (1 - fraction) * absorption_ratio(0.90) + fraction * absorption_ratio(0.05)
    assert opaque_reflectance(mix) == pytest.approx(reflectance, abs=1e-6)


# Saunderson 1942, with k1 0.04 and k2 0.6.
@pytest.mark.parametrize(
    ("bulk", "seen"), [(0, 0.04), (0.1, 0.080851), (0.2, 0.127273), (0.5, 0.314286), (0.8, 0.630769), (1, 1)]
)
def test_the_surface_keeps_light_in_as_saunderson_has_it(bulk, seen):
    assert seen_reflectance(np.array(bulk), 0.04, 0.6) == pytest.approx(seen, abs=1e-6)
    assert bulk_reflectance(seen, 0.04, 0.6) == pytest.approx(bulk, abs=1e-5)


def test_a_thick_layer_hides_its_ground_and_a_thin_one_shows_it():
    ratio, ground = np.array(0.25), np.array(0.85)
    assert layer_reflectance(ratio, np.array(60.0), ground) == pytest.approx(0.5, abs=1e-6)
    assert layer_reflectance(ratio, np.array(1e-5), ground) == pytest.approx(0.85, abs=1e-3)


def test_a_lamp_of_daylight_is_white_and_an_old_bulb_is_orange():
    # CIE: a black body of 6504 K lies near the sRGB white point, just on its pink side.
    assert lamp_colour(6504.0) == pytest.approx([1.0, 1.0, 1.0], abs=0.06)
    red, green, blue = lamp_colour(2856.0)
    assert red > 1.3 and green < 0.95 and blue < 0.45


def _wing(share):
    full = np.ones_like(share)
    return Wing(share, full, full)


# Closed forms: m(1 + a sin) has a CoV of a / sqrt(2), two levels m(1 +- a) of equal area have a.
@pytest.mark.parametrize(("shape", "cov"), [(np.sin, 0.2 / np.sqrt(2)), (lambda t: np.sign(np.sin(t)), 0.2)])
def test_cov_of_known_patterns(shape, cov):
    x = (np.arange(800) + 0.5) * 2 * np.pi / 80
    share = np.float32(np.tile(1 + 0.2 * shape(x), (400, 1)))
    assert cov_of([_wing(share), _wing(share)], 1 / PX_PER_MM) == pytest.approx(cov, abs=1e-6)


def test_the_film_has_the_cov_that_was_asked_for(film):
    assert film.cov == pytest.approx(0.2, abs=0.003)
    assert film.cov_full >= film.cov  # coarser squares only average streaks away


@pytest.mark.parametrize("mix", ["good", "borderline", "streaked", "badly_streaked"])
def test_a_mixer_of_a_grade_makes_a_film_of_that_grade(mix):
    rng = np.random.default_rng(1)
    assert grade(press(rng, FilmSpec(mixing_of(rng, mix), width=30, length=50)).cov) == mix


def test_wings_mirror_the_mix_but_not_the_relief(film):
    both = (film.left.thickness > 0.1) & (film.right.thickness > 0.1)
    both[:, : int(8 * PX_PER_MM)] = False  # at the fold the film is bent, not split
    mix = np.corrcoef(film.left.share[both], film.right.share[both])[0, 1]
    fine = [w.height - cv2.GaussianBlur(w.height, (0, 0), 15) for w in (film.left, film.right)]
    assert mix > 0.8
    assert abs(np.corrcoef(fine[0][both], fine[1][both])[0, 1]) < 0.1


def test_the_same_seed_gives_the_same_pixels():
    spec = PhotoSpec(STREAKED, camera=SMALL)
    first, truth = render(spec, 7)
    again, truth_again = render(spec, 7)
    assert np.array_equal(first, again) and truth == truth_again
    assert jpeg_bytes(first, spec) == jpeg_bytes(again, spec)


def test_the_printed_sheet_lies_where_the_truth_says():
    spec = PhotoSpec(STREAKED, page="letter", sheet=("0007", "hall-9", "pump-a"), fold=(0.0, 0.0), buckle=0.0)
    spec = replace(spec, camera=Camera(tilt=0.3, tilt_to=1.0, roll=0.2))
    image, truth = render(spec, 3)
    geometry = sheet_geometry("letter")
    page = np.float32([(0, 0), (geometry.width, 0), (geometry.width, geometry.height), (0, geometry.height)])
    to_photo = cv2.getPerspectiveTransform(page, np.float32(truth.page_px))
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_50)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, numbers, _ = cv2.aruco.ArucoDetector(dictionary, settings).detectMarkers(image)
    assert sorted(numbers.ravel()) == sorted(geometry.markers)
    for seen, number in zip(corners, numbers.ravel(), strict=True):
        expected = cv2.perspectiveTransform(np.float32([geometry.marker_corners(int(number))]), to_photo)
        assert np.abs(seen - expected).max() < 1.0  # px


def test_a_phone_stores_pixels_turned_and_says_so(tmp_path):
    taken = datetime(2026, 10, 14, 6, 13, 7, tzinfo=ZoneInfo("America/Chicago"))
    image = np.zeros((48, 64, 3), np.uint8)
    image[:24, :32] = 255
    for orientation in (1, 3, 6, 8):
        spec = PhotoSpec(STREAKED, orientation=orientation, taken_at=taken)
        write_photo(tmp_path / "photo.jpg", image, spec)
        # OpenCV turns the picture upright by its tag.
        upright = cv2.imread(str(tmp_path / "photo.jpg"))
        assert upright.shape == (48, 64, 3)
        assert upright[4, 4].min() > 200 and upright[40, 60].max() < 50
        exif = Image.open(tmp_path / "photo.jpg").getexif()
        details = exif.get_ifd(0x8769)
        assert exif[0x0112] == orientation
        assert details[0x9003] == "2026:10:14 06:13:07" and details[0x9011] == "-05:00"
        assert not {0x010F, 0x0110} & set(exif)  # no maker, no model


@pytest.mark.parametrize(
    "by", ["blurred", "shaken", "cut_off", "too_small", "glare", "shadow", "dark", "overexposed"]
)
def test_a_spoiled_photograph_is_not_usable(by):
    draw = Draw(
        spoiled=1.0, spoilers={by: 1}, lights={"room": 1}, long_side=(480,), sheet=0.0, tilt_max_deg=10
    )
    _, truth = render(random_spec(np.random.default_rng(11), draw), 11)
    reason = {"blurred": "blur", "shaken": "blur"}.get(by, by)
    assert not truth.usable and reason in truth.why_not


def test_samples_follow_the_day():
    made = samples()
    assert len(made) >= 23 and {spec.material for spec, _ in made.values()} == set(MATERIALS)
    truths = json.loads((SAMPLES / "truth.json").read_text())
    assert set(truths) == set(made) == {path.name for path in SAMPLES.glob("*.jpg")}
    assert not any(truth["mix"] == "borderline" for truth in truths.values())
    for smear in (smear for pump in SHOP.values() for smear in pump.smears):
        truth, (spec, _) = truths[smear.file], made[smear.file]
        assert (truth["mix"], truth["sheet"], truth["material"]) == (smear.mix, smear.sheet, "black")
        assert truth["why_not"] == {"good": [], "blurred": ["blur"], "glare": ["glare"]}[smear.photo]
        assert spec.taken_at.isoformat()[:16] == f"2026-10-14T{smear.at}"


def test_samples_are_small_enough_to_carry():
    sizes = [path.stat().st_size for path in SAMPLES.glob("*.jpg")]
    assert max(sizes) <= 450_000 and sum(sizes) <= 10_000_000
