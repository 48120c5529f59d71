"""How even is the film's colour? CIEDE2000 to the film's own median, over the film and between its parts.

Lab comes from linear light: OpenCV's float conversion from sRGB is off by up to 0.65 Delta E, its conversion
from linear light by less than 0.006.
"""

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.derive.smear.arrays import BoolArray, FloatArray

_ZONES: Final = 3  # across and down
_SPOTS: Final = 4000  # a percentile needs no more of the film's pixels
_ZONE_LEAST: Final = 0.25  # of a full zone's pixels: slivers at the rim say nothing


@dataclass(frozen=True)
class Colour:
    """Colour differences to the film's median [Delta E 2000].

    median : L*, a*, b* of the film, the paper being the white
    p95, p99 : over the film's pixels
    zones : largest difference between the medians of two parts of the film
    """

    median: tuple[float, float, float]
    p95: float
    p99: float
    zones: float


def lab(linear: FloatArray) -> FloatArray:
    """(..., 3) CIE L*a*b* (D65, 2 degrees) of linear sRGB. Source: ISO/CIE 11664-4."""
    shape = linear.shape
    rows = np.ascontiguousarray(linear, np.float32).reshape(-1, 1, 3)
    return np.asarray(cv2.cvtColor(rows, cv2.COLOR_LRGB2Lab), np.float32).reshape(shape)


def delta_e_2000(first: FloatArray, second: FloatArray) -> NDArray[np.float64]:
    """CIEDE2000 colour difference, kL = kC = kH = 1.

    first, second : (..., 3) CIE L*a*b*, broadcast against each other
    Source: G. Sharma, W. Wu, E. N. Dalal, Color Res. Appl. 30(1), 2005, 21-30.
    """
    l1, a1, b1 = np.moveaxis(np.asarray(first, np.float64), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(second, np.float64), -1, 0)
    mean_c = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    # Greys are drawn apart along a*, as the eye has it.
    stretch = 1 + 0.5 * (1 - np.sqrt(mean_c**7 / (mean_c**7 + 25.0**7)))
    c1, c2 = np.hypot(stretch * a1, b1), np.hypot(stretch * a2, b2)
    h1, h2 = np.arctan2(b1, stretch * a1) % (2 * np.pi), np.arctan2(b2, stretch * a2) % (2 * np.pi)
    turn = h2 - h1
    turn = turn - 2 * np.pi * np.sign(turn) * (np.abs(turn) > np.pi)
    light, chroma, hue = l2 - l1, c2 - c1, 2 * np.sqrt(c1 * c2) * np.sin(turn / 2)
    # Where one of the two has no hue, the other's counts alone.
    h = np.where(c1 * c2 == 0, np.where(c1 == 0, h2, h1), h1 + turn / 2)
    c, off = (c1 + c2) / 2, ((l1 + l2) / 2 - 50) ** 2
    weight = (
        1
        - 0.17 * np.cos(h - np.deg2rad(30))
        + 0.24 * np.cos(2 * h)
        + 0.32 * np.cos(3 * h + np.deg2rad(6))
        - 0.20 * np.cos(4 * h - np.deg2rad(63))
    )
    bent = 60 * np.exp(-((((np.rad2deg(h) % 360) - 275) / 25) ** 2))
    rotation = -2 * np.sqrt(c**7 / (c**7 + 25.0**7)) * np.sin(np.deg2rad(bent))
    light = light / (1 + 0.015 * off / np.sqrt(20 + off))
    chroma, hue = chroma / (1 + 0.045 * c), hue / (1 + 0.015 * c * weight)
    return np.asarray(np.sqrt(np.maximum(light**2 + chroma**2 + hue**2 + rotation * chroma * hue, 0)))


def measure_colour(picture: FloatArray, film: BoolArray) -> Colour:
    """Colour evenness of a film. picture : (H, W, 3) CIE L*a*b*, smoothed; film : (H, W), not empty."""
    inside = picture[film]
    median = np.median(inside, axis=0)
    apart = delta_e_2000(inside[:: max(1, len(inside) // _SPOTS)], median)
    p95, p99 = np.percentile(apart, (95, 99))
    return Colour(
        median=(float(median[0]), float(median[1]), float(median[2])),
        p95=float(p95),
        p99=float(p99),
        zones=_between_zones(picture, film),
    )


def _between_zones(picture: FloatArray, film: BoolArray) -> float:
    height, width = film.shape
    least = _ZONE_LEAST * film.size / _ZONES**2
    medians = []
    for row in range(_ZONES):
        for column in range(_ZONES):
            part = np.s_[
                row * height // _ZONES : (row + 1) * height // _ZONES,
                column * width // _ZONES : (column + 1) * width // _ZONES,
            ]
            if film[part].sum() >= least:
                medians.append(np.median(picture[part][film[part]], axis=0))
    if len(medians) < 2:
        return 0.0
    each = np.stack(medians)
    return float(delta_e_2000(each[:, None], each[None]).max())
