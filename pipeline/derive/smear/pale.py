"""Does a film lie there that is as white as the paper? Told by its relief, since its shade hardly tells.

Base without curing agent is white. What it leaves on white paper differs from it by a few percent at most,
as a shadow or a dent in the paper does; but a film that split in itself is rough, and paper is smooth.
"""

from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray
from pipeline.derive.smear.light import Light

# Relief of a split film: ridges some tenths of a millimetre to some millimetres apart. Seen on photographs.
_RIDGE_MM: Final = (0.3, 2.0)
_AROUND_MM: Final = 2.0
_ROUGHER: Final = 2.0  # than the paper
_ROUGH_LEAST: Final = 0.004  # of the light: less is the camera's own noise
_JOIN_MM: Final = 4.0
_BOUNDED: Final = 0.15  # of its rim
_STRAGGLES: Final = 4.0  # times its largest circle: no film, but scratches in a table
_THIN_MM: Final = 6.0  # a fold line or a line of print is thinner, smoothed as it is


def rough_film(light: Light, where: BoolArray, level_min: float, px_per_mm: float) -> BoolArray | None:
    """(H, W) the largest patch that is rough, filled; None if there is none or if it straggles.

    where : (H, W), the part of the canvas in which a film may lie
    level_min : what is darker than this, relative to the paper, is no white film, nor is what lies beside it
    """
    grey = light.grey
    narrow, wide = (cv2.GaussianBlur(grey, (0, 0), mm * px_per_mm) for mm in _RIDGE_MM)
    fine = cv2.subtract(narrow, wide)
    # An edge of print or of the picture would make all beside it rough.
    outside = (~where | (cv2.GaussianBlur(grey, (0, 0), 0.5 * px_per_mm) < level_min)).astype(np.uint8)
    reach = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * round(3 * _RIDGE_MM[1] * px_per_mm) + 1,) * 2)
    seen = cv2.dilate(outside, reach) == 0
    weight = cv2.GaussianBlur(seen.astype(np.float32), (0, 0), _AROUND_MM * px_per_mm)
    power = cv2.GaussianBlur(np.where(seen, fine * fine, 0), (0, 0), _AROUND_MM * px_per_mm)
    rough = np.sqrt(power / np.maximum(weight, 0.05))
    if not seen.any():
        return None
    paper = seen & light.paper
    usual = float(np.percentile(rough[paper if paper.any() else seen], 40))
    patch = (seen & (rough > max(_ROUGH_LEAST, _ROUGHER * usual))).astype(np.uint8)
    for how, size_mm in ((cv2.MORPH_CLOSE, _JOIN_MM), (cv2.MORPH_OPEN, _THIN_MM)):
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * round(size_mm * px_per_mm) + 1,) * 2)
        patch = cv2.morphologyEx(patch, how, disc)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(patch)
    if count < 2:
        return None
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    lines, _ = cv2.findContours(
        (labels == largest).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    filled = np.zeros(patch.shape, np.uint8)
    cv2.drawContours(filled, lines, -1, 1, cv2.FILLED)
    film = np.asarray(filled > 0)
    rim = (cv2.dilate(filled, np.ones((5, 5), np.uint8)) > 0) & ~film
    inner = float(cv2.distanceTransform(cv2.copyMakeBorder(filled, 1, 1, 1, 1, 0), cv2.DIST_L2, 5).max())
    if film.sum() > _STRAGGLES * np.pi * inner**2:
        return None
    # It ends in paper all round. What runs up to print or to the edge is the grain of a page that is none.
    return film if (rim & ~seen).sum() <= _BOUNDED * rim.sum() else None
