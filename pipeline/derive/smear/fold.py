"""Where is the fold, to a pixel? And what does each spot of one wing meet on the other?

A film's outline is its own mirror image, so the fold runs through the outline's centre; the angle is the one
at which the film best covers itself when turned over. From there the picture itself is registered with its
mirror image by an affine map, which takes up a sheet that lies a little skewed or a wing that was dragged.
"""

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray, Matrix

_COARSE_PX: Final = 110  # long side of the film in the search for the angle
_DRAG_MAX_MM: Final = 4.0
_CREASE_MM: Final = 1.2
_FINE_MM: Final = 0.5
_WIDE_MM: Final = 16.0
_ECC_STEPS: Final = 40


@dataclass(frozen=True)
class Fold:
    """The fold and what lies opposite.

    to_mirror : (2, 3), pixel of the film's crop -> the pixel that lay on it before the sheet was opened
    likeness_of_outline : share of the outline's area that the mirrored outline covers too, 0 to 1
    angle, offset : the fold line x cos(angle) + y sin(angle) = offset [rad, px], in the crop
    """

    to_mirror: Matrix
    likeness_of_outline: float
    angle: float
    offset: float


def find_fold(shade: FloatArray, mask: BoolArray, px_per_mm: float, fold_x: float | None) -> Fold:
    """The fold of a film.

    shade : (H, W), as `markings` gives it
    mask : (H, W), the film in the crop
    fold_x : [px] where the sheet's fold line is printed; None searches all angles
    """
    if fold_x is None:
        angle, offset = _search(shade, mask)
    else:
        angle, offset = 0.0, fold_x
    start = _reflection(angle, offset)
    refined = _register(shade, mask, start, px_per_mm)
    best = max((start, refined), key=lambda m: _overlap(mask, m) + _likeness(shade, mask, m))
    return Fold(best, _overlap(mask, best), angle, offset)


def markings(grey: FloatArray, mask: BoolArray, px_per_mm: float) -> FloatArray:
    """(H, W) log reflectance of the film less its surroundings' mean, 0 outside: streaks, but no lamp.

    grey : (H, W), linear; mask : (H, W), the film
    """
    log = np.where(mask, np.log(np.maximum(grey, 0.01)), 0).astype(np.float32)
    fine = cv2.GaussianBlur(log, (0, 0), max(0.3, _FINE_MM * px_per_mm))
    side = 2 * round(_WIDE_MM * px_per_mm / 2) + 1
    around = cv2.blur(log, (side, side)) / np.maximum(cv2.blur(mask.astype(np.float32), (side, side)), 0.05)
    return np.where(mask, fine - around, 0).astype(np.float32)


def mirrored(image: FloatArray, fold: Fold) -> FloatArray:
    """(H, W) the image with each pixel replaced by the one opposite, or the nearest there is."""
    size = (image.shape[1], image.shape[0])
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    turned = cv2.warpAffine(image, fold.to_mirror, size, flags=how, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(turned, np.float32)


def one_wing(mask: BoolArray, fold: Fold, px_per_mm: float) -> BoolArray:
    """(H, W) the film on one side of the fold that has film opposite, without the crease.

    Each pair of spots counts once. Beside the crease a spot and its opposite see the same blur and the same
    bend of the paper, which would pass for mixing.
    """
    opposite = _turn_over(mask.astype(np.float32), fold.to_mirror, cv2.INTER_LINEAR) > 0.99
    y, x = np.mgrid[: mask.shape[0], : mask.shape[1]]
    beyond = x * np.cos(fold.angle) + y * np.sin(fold.angle) - fold.offset
    return np.asarray(mask & opposite & (beyond > _CREASE_MM * px_per_mm))


def _reflection(angle: float, offset: float) -> Matrix:
    """Reflection about the line x cos(angle) + y sin(angle) = offset."""
    c, s = np.cos(2 * angle), np.sin(2 * angle)
    return np.array([[-c, -s, 2 * offset * np.cos(angle)], [-s, c, 2 * offset * np.sin(angle)]])


def _turn_over(image: FloatArray, matrix: Matrix, how: int) -> FloatArray:
    size = (image.shape[1], image.shape[0])
    turned = cv2.warpAffine(image, matrix, size, flags=how | cv2.WARP_INVERSE_MAP)
    return np.asarray(turned, np.float32)


def _overlap(mask: BoolArray, matrix: Matrix) -> float:
    turned = _turn_over(mask.astype(np.float32), matrix, cv2.INTER_NEAREST) > 0.5
    return float((mask & turned).sum() / max(1, (mask | turned).sum()))


def _likeness(shade: FloatArray, mask: BoolArray, matrix: Matrix) -> float:
    turned = _turn_over(shade, matrix, cv2.INTER_LINEAR)
    both = mask & (_turn_over(mask.astype(np.float32), matrix, cv2.INTER_NEAREST) > 0.5)
    if both.sum() < 50:
        return 0.0
    a, b = shade[both] - shade[both].mean(), turned[both] - turned[both].mean()
    return float((a * b).sum() / np.sqrt(max(float((a * a).sum() * (b * b).sum()), 1e-12)))


def _search(shade: FloatArray, mask: BoolArray) -> tuple[float, float]:
    """Angle [rad] and offset [px] of the fold, from outline and picture together."""
    shrink = _COARSE_PX / max(mask.shape)
    size = (round(mask.shape[1] * shrink), round(mask.shape[0] * shrink))
    small = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.5
    flat = cv2.resize(shade, size, interpolation=cv2.INTER_AREA)
    # Room around, so that a turned film is not cut off.
    pad = _COARSE_PX // 2
    small = np.pad(small, pad)
    flat = np.pad(flat, pad)
    ys, xs = np.nonzero(small)
    centre = np.array([xs.mean(), ys.mean()])

    def worth(angle: float, shift: float) -> float:
        offset = float(centre @ (np.cos(angle), np.sin(angle))) + shift
        matrix = _reflection(angle, offset)
        # The outline alone knows a fold from a film that is merely long; the picture settles a round one.
        return _overlap(small, matrix) + 0.15 * _likeness(flat, small, matrix)

    # A figure's mirror lines run through its centre: the shift only takes up what perspective did to that.
    angle, shift = max(((a, 0.0) for a in np.deg2rad(np.arange(0, 180, 4.0))), key=lambda t: worth(*t))
    for step in (2.0, 1.0, 0.5):
        near = [
            (angle + np.deg2rad(d), shift + s) for d in (-step, 0, step) for s in (-step / 2, 0, step / 2)
        ]
        angle, shift = max(near, key=lambda t: worth(*t))
    # Pixel centres: coarse pixel i stands for fine pixels around (i + 0.5) / shrink - 0.5.
    middle = (centre - pad + 0.5) / shrink - 0.5
    return float(angle), float(middle @ (np.cos(angle), np.sin(angle))) + float(shift) / shrink


def _register(shade: FloatArray, mask: BoolArray, start: Matrix, px_per_mm: float) -> Matrix:
    """The affine map near `start` that lays the film best on its own mirror image; start where none does.

    Source: G. D. Evangelidis, E. Z. Psarakis, IEEE TPAMI 30(10), 2008, 1858-1865 (enhanced correlation).
    """
    shrink = min(1.0, 2.0 / px_per_mm)
    size = (round(mask.shape[1] * shrink), round(mask.shape[0] * shrink))
    small = cv2.resize(shade, size, interpolation=cv2.INTER_AREA)
    inner = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    # Pixel centres: small pixel i stands for pixels around (i + 0.5) / shrink - 0.5.
    aside = 0.5 * shrink - 0.5
    scaling = np.array([[shrink, 0, aside], [0, shrink, aside], [0, 0, 1.0]])
    matrix = (scaling @ np.vstack([start, (0, 0, 1)]) @ np.linalg.inv(scaling))[:2].astype(np.float32)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, _ECC_STEPS, 1e-5)
    try:
        _, fitted = cv2.findTransformECC(small, small, matrix, cv2.MOTION_AFFINE, stop, inner, 3)
    except cv2.error:  # no structure to hold on to: an even film
        return start
    back = (np.linalg.inv(scaling) @ np.vstack([fitted, (0, 0, 1)]) @ scaling)[:2]
    ys, xs = np.nonzero(mask)
    corners = np.array([(x, y, 1) for x in (xs.min(), xs.max()) for y in (ys.min(), ys.max())], np.float64)
    drag = np.abs(corners @ (back - start).T).max()
    return back if drag <= _DRAG_MAX_MM * px_per_mm else start
