"""Which pale specks lie in the film? Lumps of unmixed base that both wings show, with their size.

A speck bends the shade both ways, where a streak bends it across alone: it is a peak of the difference of two
Gaussians, as high on one wing as on the other's mirror image.
"""

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray

_SIGMAS_MM: Final = (0.4, 0.8, 1.6)
_SIGMA_PX: Final = 1.5  # a spot of this width needs every pixel
_RATIO: Final = 1.6  # of the two Gaussians. Source: D. Marr, E. Hildreth, Proc. R. Soc. B 207 (1980) 187-217
_CONTRAST: Final = 0.3  # of the curing agent's fraction, below which it is no lump of base
_CHANCE_PCT: Final = 99.8
_LONG: Final = 2.5  # longer than that many times its width it is a streak
_OFF_MM: Final = 0.8  # by which a dragged wing may miss its mirror image
_RIM_MM: Final = 1.5


@dataclass(frozen=True)
class Speck:
    """One speck on the crop.

    x, y : [px]; diameter : of a disc of its area at half its height [px]
    contrast : of the curing agent's fraction against its surroundings [1], negative: base
    """

    x: float
    y: float
    diameter: float
    contrast: float


def find_specks(wing: FloatArray, mirror: FloatArray, both: BoolArray, px_per_mm: float) -> list[Speck]:
    """Pale specks of both wings, largest first. wing, mirror : (H, W) relative fraction; both : (H, W)."""
    rim = cv2.erode(both.astype(np.uint8), np.ones((2 * round(_RIM_MM * px_per_mm) + 1,) * 2, np.uint8)) > 0
    if not rim.any():
        return []
    left, top, width, height = cv2.boundingRect(both.astype(np.uint8))
    part = np.s_[top : top + height, left : left + width]
    both, rim = both[part], rim[part]
    a, b = (np.where(both, image[part], 0).astype(np.float32) for image in (wing, mirror))
    box = np.ones((2 * round(_OFF_MM * px_per_mm) + 1,) * 2, np.uint8)
    pale = np.zeros(both.shape, np.float32)
    chance = pale.copy()
    for sigma in _SIGMAS_MM:
        one, other = (_peaks_at(image, sigma * px_per_mm) for image in (a, b))
        pale = np.maximum(pale, np.minimum(one, cv2.dilate(other, box)))
        # As much paleness against as much darkness opposite is what chance alone makes.
        chance = np.maximum(chance, np.minimum(one, cv2.dilate(-other, box)))
    least = max(_CONTRAST, float(np.percentile(chance[rim], _CHANCE_PCT)))
    count, labels, stats, _ = cv2.connectedComponentsWithStats((rim & (pale > least / 2)).astype(np.uint8))
    specks = []
    for n in range(1, count):
        x, y, w, h, _ = (int(v) for v in stats[n])
        here = labels[y : y + h, x : x + w] == n
        heights = np.where(here, pale[y : y + h, x : x + w], 0)
        rise = float(heights.max())
        spot = heights > rise / 2
        if rise < least or spot.sum() < 4:
            continue
        points = np.argwhere(spot)[:, ::-1].astype(np.float32)
        _, (long, short), _ = cv2.minAreaRect(points)
        if max(long, short) + 1 > _LONG * (min(long, short) + 1):
            continue
        cx, cy = (float(v) for v in points.mean(axis=0))
        diameter = float(2 * np.sqrt(spot.sum() / np.pi))
        specks.append(Speck(left + x + cx, top + y + cy, diameter, -rise))
    return sorted(specks, key=lambda speck: -speck.diameter)


def _peaks_at(image: FloatArray, sigma: float) -> FloatArray:
    """As `_peaks`, in no more pixels than a spot of that width needs."""
    times = int(2 ** max(0.0, np.floor(np.log2(sigma / _SIGMA_PX))))
    if times == 1:
        return _peaks(image, sigma)
    size = (max(1, image.shape[1] // times), max(1, image.shape[0] // times))
    small = _peaks(np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA)), sigma / times)
    return np.asarray(cv2.resize(small, image.shape[::-1], interpolation=cv2.INTER_LINEAR))


def _peaks(image: FloatArray, sigma: float) -> FloatArray:
    """How far a spot of about sigma's width lies below its surroundings [as the image].

    Scaled so that a Gaussian dip of that width keeps its depth.
    """
    fine = cv2.GaussianBlur(image, (0, 0), sigma)
    wide = cv2.GaussianBlur(image, (0, 0), _RATIO * sigma)
    # A dip of variance s^2 keeps 1/2 of its depth after a blur of s^2, and 1 / (1 + ratio^2) after the wider.
    kept = 1 / 2 - 1 / (1 + _RATIO**2)
    return np.asarray((wide - fine) / kept, np.float32)
