"""Do colour, mixing and light agree with published values?"""

import csv
from pathlib import Path

import cv2
import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from pipeline.derive.smear.colour import delta_e_2000, lab
from pipeline.derive.smear.light import linear_light
from pipeline.derive.smear.mixing import (
    coefficient_of_variation,
    intensity_of_segregation,
    kubelka_munk,
)
from pipeline.derive.smear.striation import segregation_scale

with (Path(__file__).parent / "ciede2000_sharma_2005.csv").open() as file:
    PAIRS = [[float(cell) for cell in row] for row in list(csv.reader(file))[1:]]


@pytest.mark.parametrize("row", PAIRS, ids=lambda row: f"pair-{row[0]:.0f}")
def test_colour_difference_matches_the_published_pairs(row):
    """Sharma, Wu, Dalal, Color Res. Appl. 30(1), 2005, Table 1, printed to four decimals."""
    first, second = np.array(row[1:4]), np.array(row[4:7])
    assert delta_e_2000(first, second) == pytest.approx(row[7], abs=1e-4)
    assert delta_e_2000(second, first) == pytest.approx(row[7], abs=1e-4)


def test_colour_difference_agrees_with_an_independent_implementation():
    rng = np.random.default_rng(5)
    first = rng.uniform((0, -60, -60), (100, 60, 60), (500, 3))
    second = first + rng.normal(0, 4, (500, 3))
    np.testing.assert_allclose(delta_e_2000(first, second), deltaE_ciede2000(first, second), atol=1e-6)


def test_neutral_pairs():
    """C1's formula on greys, recomputed with scikit-image."""
    for first, second, expected in ((50, 51, 0.9992), (50, 52, 1.9935), (50, 55, 4.9102), (90, 89, 0.6294)):
        pair = np.array([first, 0.0, 0.0]), np.array([second, 0.0, 0.0])
        assert delta_e_2000(*pair) == pytest.approx(expected, abs=1e-4)


def test_linear_light_of_srgb():
    """IEC 61966-2-1; 16-bit levels at 0.5 and at the end of the straight part, 0.04045."""
    levels = np.array([round(0.5 * 65535), round(0.04045 * 65535)], np.uint16)
    np.testing.assert_allclose(linear_light(levels), [0.214041140, 0.003130805], rtol=5e-4)
    eight = np.arange(256, dtype=np.uint8)
    deep = (eight.astype(np.uint16) * 257).astype(np.uint16)
    np.testing.assert_allclose(linear_light(eight).ravel(), linear_light(deep), rtol=1e-6)
    y = linear_light(np.array([64, 119, 128, 192], np.uint8)).ravel()
    np.testing.assert_allclose(y, [0.051269, 0.184475, 0.215861, 0.527115], atol=1e-6)


def test_lab_from_linear_light_agrees_with_scikit_image():
    """OpenCV's float conversion from sRGB is off by up to 0.65 Delta E; from linear light by 0.006."""
    rng = np.random.default_rng(0)
    srgb = rng.random((20_000, 3))
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    apart = deltaE_ciede2000(lab(linear.astype(np.float32)), rgb2lab(srgb))
    assert apart.max() < 0.01


@pytest.mark.parametrize(
    ("r", "expected"),
    [(0.05, 9.025), (0.1, 4.05), (0.2, 1.6), (0.25, 1.125), (0.5, 0.25), (0.8, 0.025), (0.9, 0.00555556)],
)
def test_kubelka_munk(r, expected):
    """Kubelka, Munk, Z. tech. Phys. 12 (1931) 593-601."""
    assert float(kubelka_munk(np.float64(r))) == pytest.approx(expected, rel=1e-5)


def test_mixing_is_linear_in_kubelka_munk_not_in_reflectance():
    """White base R 0.90 with a dark part R 0.05: the single-constant mixing line and its reflectances."""
    fractions = np.array([0.02, 0.05, 1 / 11, 0.12, 0.20, 0.50])
    reflectance = np.array([0.548399, 0.397531, 0.298263, 0.255055, 0.183996, 0.091415])
    line = 0.00555556 + fractions * (9.025 - 0.00555556)
    np.testing.assert_allclose(kubelka_munk(reflectance), line, rtol=2e-5)
    np.testing.assert_allclose(line, [0.185944, 0.456528, 0.825505, 1.087889, 1.809444, 4.515278], rtol=1e-5)


def test_coefficient_of_variation_of_the_worked_set():
    """By definition; mean 0.1, variance 1.2e-4 over N."""
    worked = np.array([0.08, 0.09, 0.10, 0.11, 0.12, 0.10, 0.09, 0.11, 0.10, 0.10])
    assert coefficient_of_variation(worked) == pytest.approx(0.109545, abs=1e-6)
    assert intensity_of_segregation(0.109545, 0.1) == pytest.approx(0.00133333, abs=1e-6)


def test_noise_comes_off_as_a_variance():
    """Independent variances add: 6 % seen, 2 % of it noise, leaves 5.65685 %."""
    seen = 1 + 0.06 * np.tile([-1.0, 1.0], 500)
    assert coefficient_of_variation(seen, noise_var=0.02**2) == pytest.approx(0.0565685, abs=1e-6)


@pytest.mark.parametrize(
    ("share", "unmixed", "at_five_percent"),
    [(1 / 2, 1, 0.0025), (0.1, 3, 2.77778e-4), (1 / 11, 3.16228, 2.5e-4), (1 / 14, 3.60555, 1.92308e-4)],
)
def test_intensity_of_segregation(share, unmixed, at_five_percent):
    """Danckwerts, Appl. Sci. Res. A 3 (1952) 279-296: I = (CoV / CoV of the unmixed)^2."""
    assert intensity_of_segregation(unmixed, share) == pytest.approx(1, abs=1e-5)
    assert intensity_of_segregation(0.05, share) == pytest.approx(at_five_percent, rel=1e-5)
    assert intensity_of_segregation(0.0, share) == 0


@pytest.mark.parametrize("angle", [0, 30, 90, 135])
def test_scale_of_segregation_of_stripes_and_of_a_sine(angle):
    """Closed form: stripes of width w give w/4, a sine of wavelength L L/2 pi; a striation is w or L/2."""
    y, x = np.mgrid[:400, :480]
    across = x * np.cos(np.deg2rad(angle)) + y * np.sin(np.deg2rad(angle))
    film = np.hypot(x - 240, y - 200) < 190
    sine = np.sin(2 * np.pi * across / 40).astype(np.float32)
    scale, striation = segregation_scale(sine, sine, film)
    assert scale == pytest.approx(40 / (2 * np.pi), rel=0.03)
    assert striation == pytest.approx(20, rel=0.03)
    stripes = cv2.GaussianBlur(np.sign(sine), (0, 0), 0.5)
    scale, striation = segregation_scale(stripes, stripes, film)
    assert scale == pytest.approx(20 / 4, rel=0.06)
    assert striation == pytest.approx(20, rel=0.03)
