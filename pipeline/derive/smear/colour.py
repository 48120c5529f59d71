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
    Source: G. Sharma, W. Wu, E. N. Dalal, Color Res. Appl. 30(1), 2005, 21-30, equations 2 to 22.
    """
    l1, a1, b1 = np.moveaxis(np.asarray(first, np.float64), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(second, np.float64), -1, 0)
    mean_c7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    stretch = 1.5 - 0.5 * np.sqrt(mean_c7 / (mean_c7 + 25.0**7))
    c1, c2 = np.hypot(a1 * stretch, b1), np.hypot(a2 * stretch, b2)
    h1 = np.degrees(np.arctan2(b1, a1 * stretch)) % 360
    h2 = np.degrees(np.arctan2(b2, a2 * stretch)) % 360
    grey = c1 * c2 == 0
    dh = np.where(grey, 0.0, (h2 - h1 + 180) % 360 - 180)
    # Hues exactly opposite: the formula keeps the sign of the plain difference.
    dh = np.where(~grey & (np.abs(h2 - h1) == 180), h2 - h1, dh)
    d_hue = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(dh / 2))
    mean_h = np.where(
        grey,
        h1 + h2,
        np.where(np.abs(h1 - h2) <= 180, (h1 + h2) / 2, (h1 + h2 + np.where(h1 + h2 < 360, 360, -360)) / 2),
    )
    mean_l, mean_c = (l1 + l2) / 2, (c1 + c2) / 2
    t = (
        1
        - 0.17 * np.cos(np.radians(mean_h - 30))
        + 0.24 * np.cos(np.radians(2 * mean_h))
        + 0.32 * np.cos(np.radians(3 * mean_h + 6))
        - 0.20 * np.cos(np.radians(4 * mean_h - 63))
    )
    s_l = 1 + 0.015 * (mean_l - 50) ** 2 / np.sqrt(20 + (mean_l - 50) ** 2)
    s_c, s_h = 1 + 0.045 * mean_c, 1 + 0.015 * mean_c * t
    turn = 30 * np.exp(-(((mean_h - 275) / 25) ** 2))
    r_t = -np.sin(np.radians(2 * turn)) * 2 * np.sqrt(mean_c**7 / (mean_c**7 + 25.0**7))
    light, chroma, hue = (l2 - l1) / s_l, (c2 - c1) / s_c, d_hue / s_h
    return np.asarray(np.sqrt(light**2 + chroma**2 + hue**2 + r_t * chroma * hue), np.float64)


def measure_colour(picture: FloatArray, film: BoolArray) -> Colour:
    """Colour evenness of a film. picture : (H, W, 3) CIE L*a*b*, smoothed; film : (H, W), not empty."""
    inside = picture[film]
    median = np.median(inside, axis=0)
    apart = delta_e_2000(inside[:: max(1, len(inside) // 20_000)], median)
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
