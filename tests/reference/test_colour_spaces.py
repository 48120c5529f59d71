"""Are a file's colours read as its profile says? Against colour-science's own spaces and conversions."""

import io

import colour
import numpy as np
import pytest
from PIL import Image

from edge.errors import InputError
from pipeline import colourspace
from pipeline.imagefile import decode_photo
from tests.shop.profiles import matrix_profile, power_curve, srgb_curve

SPACES = {
    "Display P3": colourspace.DISPLAY_P3,
    "Adobe RGB (1998)": colourspace.ADOBE_RGB,
    "ITU-R BT.2020": colourspace.BT2020,
}
# Colorants adapted to D50 as the profiles in use carry them, from memory; held against colour-science below.
P3_COLORANTS = ((0.51512, 0.24120, -0.00105), (0.29198, 0.69225, 0.04189), (0.15710, 0.06657, 0.78407))
ADOBE_COLORANTS = ((0.60974, 0.31111, 0.01947), (0.20528, 0.62567, 0.06087), (0.14919, 0.06322, 0.74457))


def patches(space):
    """(96, 128, 3) uint8: colours inside sRGB, coded in `space`, and what they are in sRGB, 0 to 255."""
    rng = np.random.default_rng(4)
    srgb = rng.uniform(0.08, 0.92, (6, 8, 3))
    there = colour.RGB_COLOURSPACES[space]
    linear = colour.RGB_to_RGB(
        srgb,
        colour.RGB_COLOURSPACES["sRGB"],
        there,
        chromatic_adaptation_transform=None,
        apply_cctf_decoding=True,
    )
    # BT.2020 code numbers with sRGB's curve is what phones write.
    curve = colour.models.eotf_inverse_sRGB if space != "Adobe RGB (1998)" else there.cctf_encoding
    coded = np.asarray(curve(np.clip(linear, 0, 1)))
    levels = (255 * coded).round().astype(np.uint8)
    decode = colour.models.eotf_sRGB if space != "Adobe RGB (1998)" else there.cctf_decoding
    back = colour.RGB_to_RGB(
        np.asarray(decode(levels / 255)),
        there,
        colour.RGB_COLOURSPACES["sRGB"],
        chromatic_adaptation_transform=None,
        apply_cctf_encoding=True,
    )
    return np.kron(levels, np.ones((16, 16, 1), np.uint8)), np.kron(255 * back, np.ones((16, 16, 1)))


@pytest.mark.parametrize("space", SPACES)
def test_primaries_give_the_published_matrix(space):
    """colour-science rounds its matrices to the standards' four to six decimals."""
    there, srgb = colour.RGB_COLOURSPACES[space], colour.RGB_COLOURSPACES["sRGB"]
    expected = colour.matrix_RGB_to_RGB(there, srgb, chromatic_adaptation_transform=None)
    assert colourspace.to_linear_srgb(SPACES[space]) == pytest.approx(expected, abs=2e-3)


@pytest.mark.parametrize("space", SPACES)
def test_a_named_space_is_converted(space):
    levels, expected = patches(space)
    assert np.abs(colourspace.by_name(levels, SPACES[space]) - expected).max() < 1.0


@pytest.mark.parametrize(
    ("space", "colorants", "curve"),
    [
        ("Display P3", P3_COLORANTS, srgb_curve()),
        ("Adobe RGB (1998)", ADOBE_COLORANTS, power_curve(563 / 256)),
    ],
)
@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_an_embedded_profile_is_honoured(space, colorants, curve, kind):
    levels, expected = patches(space)
    data = io.BytesIO()
    Image.fromarray(levels).save(data, kind, icc_profile=matrix_profile(colorants, curve))
    assert np.abs(decode_photo(data.getvalue()).rgb - expected).max() < 1.6  # littleCMS: two more roundings


@pytest.mark.parametrize(
    ("space", "colorants"), [("Display P3", P3_COLORANTS), ("Adobe RGB (1998)", ADOBE_COLORANTS)]
)
def test_the_colorants_are_those_of_the_space(space, colorants):
    """Primaries of colour-science, adapted to D50 by Bradford's matrix as ICC.1 prescribes."""
    there = colour.RGB_COLOURSPACES[space]
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(there.whitepoint), (0.9642, 1.0, 0.8249), transform="Bradford"
    )
    assert pytest.approx(adapt @ there.matrix_RGB_to_XYZ, abs=8e-4) == np.array(colorants).T


def test_paper_stays_white_and_grey_stays_grey_under_a_wide_profile():
    grey = np.repeat(np.linspace(0, 255, 128).astype(np.uint8)[None, :, None], 96, axis=0).repeat(3, axis=2)
    data = io.BytesIO()
    Image.fromarray(grey).save(data, "PNG", icc_profile=matrix_profile(P3_COLORANTS, srgb_curve()))
    assert np.abs(decode_photo(data.getvalue()).rgb.astype(int) - grey).max() <= 1


def test_a_grey_profile_s_curve_is_honoured():
    """Gamma 1.8 against sRGB's curve in closed form."""
    grey = np.repeat(np.arange(128, 256, dtype=np.uint8)[None], 96, axis=0)
    data = io.BytesIO()
    Image.fromarray(grey).save(data, "PNG", icc_profile=matrix_profile((), power_curve(1.8), b"GRAY"))
    expected = 255 * colour.models.eotf_inverse_sRGB((np.arange(128, 256) / 255) ** (461 / 256))
    seen = decode_photo(data.getvalue()).rgb
    assert np.abs(seen[50, :, 1] - expected).max() < 1.1


def test_grey_pixels_under_an_rgb_profile_follow_its_curve():
    grey = np.repeat(np.arange(128, 256, dtype=np.uint8)[None], 96, axis=0)
    data = io.BytesIO()
    Image.fromarray(grey).save(
        data, "PNG", icc_profile=matrix_profile(ADOBE_COLORANTS, power_curve(563 / 256))
    )
    expected = 255 * colour.models.eotf_inverse_sRGB((np.arange(128, 256) / 255) ** (563 / 256))
    seen = decode_photo(data.getvalue()).rgb
    assert np.abs(seen[50] - expected[:, None]).max() < 1.1


def test_sixteen_bits_with_a_wide_profile_are_converted():
    levels, expected = patches("Display P3")
    deep = levels.astype(np.uint16) * 257
    data = deep_png(deep, matrix_profile(P3_COLORANTS, srgb_curve()))
    assert np.abs(decode_photo(data).rgb - expected).max() < 1.6


def test_code_numbers_of_h_273():
    assert colourspace.by_numbers(12, 13) == colourspace.DISPLAY_P3
    assert colourspace.by_numbers(1, 1) == colourspace.by_numbers(2, 2) == colourspace.SRGB
    for odd in ((9, 16), (9, 18), (1, 8), (77, 13)):
        with pytest.raises(colourspace.ColourError):
            colourspace.by_numbers(*odd)


@pytest.mark.parametrize("profile", [b"no profile", matrix_profile(P3_COLORANTS, srgb_curve())[:300]])
def test_a_damaged_profile_is_refused_not_ignored(profile):
    data = io.BytesIO()
    Image.new("RGB", (128, 96), "grey").save(data, "PNG", icc_profile=profile)
    with pytest.raises(InputError, match="colour profile"):
        decode_photo(data.getvalue())


def deep_png(deep, profile):
    """A 16-bit RGB PNG with a profile, which neither Pillow nor OpenCV writes."""
    import zlib

    import cv2

    _, plain = cv2.imencode(".png", deep[..., ::-1])
    body = b"test\0\0" + zlib.compress(profile)
    chunk = len(body).to_bytes(4, "big") + b"iCCP" + body + zlib.crc32(b"iCCP" + body).to_bytes(4, "big")
    return plain.tobytes()[:33] + chunk + plain.tobytes()[33:]
