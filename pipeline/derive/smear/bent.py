"""How far from the fold did the film bend instead of splitting, and what plainly unmixed material lies there?

Near the fold the sheet opens by bending: the film's relief is mirrored there as the mix is, so the covariance
of the wings can't tell them apart. Base or curing agent that lies there unmixed still can be told: it is
farther off the film's shade than relief reaches.
"""

from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray
from pipeline.derive.smear.fold import Fold

_PX_PER_MM: Final = 2.0  # a patch is wide: half the pixels each way tell, for a quarter of the work
_RELIEF_MM: Final = 3.0  # relief is finer than that
_CELL_MM2: Final = 2.0  # over which ridges a millimetre or two apart are one
_SURE: Final = 2.0  # standard errors
_MARGIN: Final = 1.5  # likeness fades with distance: what is left of it beyond the last strip that shows it
_REACH_MAX: Final = 0.25  # of the wing
_LEAST_MM: Final = 5.0  # a film half a millimetre thick bends over ten times its thickness; no source
_SPOT_MM: Final = 0.75
_BEYOND: Final = 3.0  # robust standard deviations that relief hardly reaches
_OFF_LEAST: Final = 0.25  # of the curing agent's fraction
_PATCH: Final = 0.5  # of it, from which a spot counts as patch: half way to pure base


def split_part(
    wing: FloatArray, mirror: FloatArray, both: BoolArray, fold: Fold, px_per_mm: float
) -> BoolArray:
    """(H, W) the part of one wing in which the film split in itself.

    wing, mirror : (H, W) relative fraction; both : (H, W), one wing where both are seen
    What is fine in one wing is as fine in the other where the film bent, and is its own where it split: the
    part left out ends where fine detail is no more alike than it is farther out, after some millimetres at
    the least, for grazing light may hide how alike it is.
    """
    y, x = np.nonzero(both)
    split = np.zeros_like(both)
    if len(x) == 0:
        return split
    beyond = (x * np.cos(fold.angle) + y * np.sin(fold.angle) - fold.offset) / px_per_mm
    most = _REACH_MAX * float(np.percentile(beyond, 99))
    last = int(most)
    strip = np.clip(beyond.astype(np.int64), 0, last + 1)
    # Mirrored ridges shade alike where light comes along the fold, and the other way round where it comes
    # across: waves of the two directions are told apart, so that neither hides the other.
    alike, square = np.zeros(last + 2), np.zeros(last + 2)
    for a, b in zip(
        _slopes(wing, both, fold, px_per_mm), _slopes(mirror, both, fold, px_per_mm), strict=True
    ):
        alike += np.abs(np.bincount(strip, a * b, minlength=last + 2))
        square += np.bincount(strip, (a**2 + b**2) / 2, minlength=last + 2)
    alike /= np.maximum(square, 1e-12)
    count = np.bincount(strip, minlength=last + 2)
    error = np.sqrt(_CELL_MM2 * px_per_mm**2 / np.maximum(count, 1))
    bent = np.flatnonzero(alike[:-1] > alike[-1] + _SURE * error[:-1])
    ends = max(_LEAST_MM, _MARGIN * float(bent[-1] + 1) if len(bent) else 0.0)
    split[y, x] = beyond > min(most, ends)
    return split


def plainly_off(
    wing: FloatArray, mirror: FloatArray, both: BoolArray, split: BoolArray, px_per_mm: float
) -> tuple[float, float]:
    """(variance, area [mm2]) of what is plainly unmixed where the film bent.

    wing, mirror : (H, W) relative fraction; both, split : (H, W), one wing, and the part of it that split
    The variance is this material's own share in that of the whole wing; the area is what lies half way or
    farther to pure base, or as far to the other side.
    """
    bent = both & ~split
    if not bent.any() or not split.any():
        return 0.0, 0.0
    shrink = min(1.0, _PX_PER_MM / px_per_mm)
    scale = shrink * px_per_mm
    weight, inside, *wings = (
        cv2.resize(
            np.where(both, one, 0).astype(np.float32),
            None,
            fx=shrink,
            fy=shrink,
            interpolation=cv2.INTER_AREA,
        )
        for one in (both, bent, wing, mirror)
    )
    share = np.maximum(_spread(weight, _SPOT_MM * scale), 1e-3)
    away = (weight > 0.5) & (inside < 0.5)
    if not away.any():
        return 0.0, 0.0
    sharp, off, reach = [], [], _OFF_LEAST
    for one in wings:
        smooth = _spread(one, _SPOT_MM * scale) / share
        ground = float(np.median(smooth[away]))
        sharp.append(one - ground)
        off.append(smooth - ground)
        reach = max(reach, _BEYOND * 1.4826 * float(np.median(np.abs(smooth[away] - ground))))
    lesser = np.minimum(np.abs(off[0]), np.abs(off[1]))
    there = (off[0] * off[1] > 0) & (inside > 0.5) & (lesser > reach)
    # The smoothed shade finds a patch, but smears its rim: its variance is taken where it was found.
    variance = float((sharp[0] * sharp[1])[there].sum() / weight.sum())
    return max(0.0, variance), float((there & (lesser > _PATCH)).sum()) / scale**2


def _slopes(
    image: FloatArray, where: BoolArray, fold: Fold, px_per_mm: float
) -> tuple[FloatArray, FloatArray]:
    """(N,), (N,) how fine detail changes across the fold and along it, at the pixels of `where`."""
    weight = where.astype(np.float32)
    inside = np.where(where, image, 0).astype(np.float32)
    near, wide = (
        _spread(inside, mm * px_per_mm) / np.maximum(_spread(weight, mm * px_per_mm), 1e-3)
        for mm in (_SPOT_MM / 2, _RELIEF_MM / 2)
    )
    fine = near - wide
    across, along = (cv2.Sobel(fine, cv2.CV_32F, *order) for order in ((1, 0), (0, 1)))
    c, s = np.cos(fold.angle), np.sin(fold.angle)
    x, y = across[where], along[where]
    return c * x + s * y, c * y - s * x


def _spread(image: FloatArray, sigma: float) -> FloatArray:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), np.float32)
