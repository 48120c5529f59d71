"""Which colours do a picture file's numbers mean? From the file's own colour space to sRGB.

A phone tags its photographs with Display P3, a camera with Adobe RGB; read as sRGB their reds are too dull
and, where the curve differs, every K/S is wrong. Embedded ICC profiles go through littleCMS; colour spaces
that are only named, by a code number or an EXIF mark, through their published primaries.
"""

import io
from functools import lru_cache
from typing import Final, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from pipeline.derive.smear.arrays import Matrix

PROFILE_BYTES_MAX: Final = 4 * 1024 * 1024
# Chromaticities of red, green, blue; all with D65 (0.3127, 0.3290) as white.
_SRGB_XY: Final = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))  # IEC 61966-2-1
_D65_XY: Final = (0.3127, 0.3290)
# ITU-T H.273, transfer characteristics: curves that players show as they show sRGB's.
_SRGB_LIKE: Final = frozenset({1, 2, 6, 13, 14, 15})
_GAMMA_22: Final = 4


# The 8-bit level of linear light in 65,535 steps, the finest that still tells the darkest levels apart.
_LIGHT: Final = np.arange(65_536) / 65_535
_SRGB_LEVEL: Final = np.rint(
    255 * np.where(_LIGHT <= 0.0031308, 12.92 * _LIGHT, 1.055 * _LIGHT ** (1 / 2.4) - 0.055)
).astype(np.uint8)


class ColourSpace(NamedTuple):
    """Primaries' chromaticities, and the curve's power; None for sRGB's own curve."""

    primaries: tuple[tuple[float, float], ...]
    power: float | None = None


SRGB: Final = ColourSpace(_SRGB_XY)
DISPLAY_P3: Final = ColourSpace(((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)))  # SMPTE EG 432-1 primaries
ADOBE_RGB: Final = ColourSpace(((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)), 563 / 256)  # Adobe RGB (1998)
BT2020: Final = ColourSpace(((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)))  # ITU-R BT.2020
# ITU-T H.273, colour primaries; 2 is "unspecified", which everybody reads as sRGB.
_BY_NUMBER: Final = {1: SRGB, 2: SRGB, 9: BT2020, 12: DISPLAY_P3}


class ColourError(ValueError):
    """Colours that can't be told; says what is wrong."""


def by_numbers(primaries: int, transfer: int) -> ColourSpace:
    """The colour space of a pair of code numbers of ITU-T H.273 (HEIC, AVIF, PNG).

    Raises ColourError for high dynamic range and for what is not known.
    """
    space = _BY_NUMBER.get(primaries)
    if transfer in (16, 18):
        raise ColourError("a high-dynamic-range picture (PQ or HLG)")
    if space is None or transfer not in (*_SRGB_LIKE, _GAMMA_22):
        raise ColourError(f"colours by unknown code numbers ({primaries}, {transfer})")
    return space._replace(power=2.2) if transfer == _GAMMA_22 else space


def by_profile(image: Image.Image, profile: bytes) -> Image.Image:
    """A grey or RGB picture in sRGB, 8 bits, by its ICC profile: relative colorimetric, so that paper stays
    the white it is.

    Raises ColourError for a profile that is damaged or not for such a picture.
    """
    if len(profile) > PROFILE_BYTES_MAX:
        raise ColourError(f"a colour profile of {len(profile)} bytes")
    if image.mode == "L" and profile[16:20] == b"RGB ":
        # Grey pixels under an RGB profile, as editors save them: its curve holds for each channel.
        image = image.convert("RGB")
    transform = _transform(profile, image.mode)
    if transform is None:
        return image
    return ImageCms.applyTransform(image, transform) or image


@lru_cache(maxsize=8)
def _transform(profile: bytes, mode: str) -> ImageCms.ImageCmsTransform | None:
    """The way to sRGB; None where it changes nothing that 8 bits can show."""
    try:
        transform = ImageCms.buildTransform(
            ImageCms.ImageCmsProfile(io.BytesIO(profile)),
            ImageCms.createProfile("sRGB"),
            mode,
            "RGB",
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        )
        if mode != "RGB":
            return transform
        steps = np.arange(0, 256, 15, dtype=np.uint8)
        cube = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(1, -1, 3)
        shown = np.asarray(ImageCms.applyTransform(Image.fromarray(cube), transform))
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        raise ColourError("a damaged colour profile") from None
    return transform if np.abs(shown.astype(np.int16) - cube).max() > 1 else None


def by_name(rgb: NDArray[np.uint8], space: ColourSpace) -> NDArray[np.uint8]:
    """(H, W, 3) sRGB of a picture in a colour space that is only named; what lies outside sRGB is clipped."""
    if space == SRGB:
        return rgb
    level = np.arange(256) / 255
    linear = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    if space.power is not None:
        linear = level**space.power
    light = cv2.transform(cv2.LUT(rgb, linear.astype(np.float32)), to_linear_srgb(space).astype(np.float32))
    return np.asarray(_SRGB_LEVEL[np.clip(np.rint(light * 65_535), 0, 65_535).astype(np.uint16)])


def to_linear_srgb(space: ColourSpace) -> Matrix:
    """(3, 3) from linear light in a colour space to linear sRGB, both with D65 as white."""
    matrix: Matrix = np.linalg.solve(_to_xyz(SRGB), _to_xyz(space))
    return matrix


def _to_xyz(space: ColourSpace) -> Matrix:
    """(3, 3) linear RGB to CIE XYZ. Source: SMPTE RP 177-1993, from primaries and white."""
    columns = np.array([(x / y, 1.0, (1 - x - y) / y) for x, y in space.primaries]).T
    x, y = _D65_XY
    white = np.array((x / y, 1.0, (1 - x - y) / y))
    matrix: Matrix = columns * np.linalg.solve(columns, white)
    return matrix
