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

_PX_PER_MM: Final = (
    2.0  # a patch or a strip is wide: half the pixels each way tell, for a quarter of the work
)
_RELIEF_MM: Final = 3.0  # relief is finer than that
_CELL_MM2: Final = 2.0  # over which ridges a millimetre or two apart are one
_SURE: Final = 2.0  # standard errors
_MARGIN: Final = 1.5  # likeness fades with distance: what is left of it beyond the last strip that shows it
_REACH_MAX: Final = 0.25  # of the wing
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
    part left out ends where fine detail is no more alike than it is farther out. There the mix alone is
    shared, so a film whose streaks are shared everywhere loses nothing.
    """
    y, x = np.nonzero(both)
    split = np.zeros_like(both)
    if len(x) == 0:
        return split
    beyond = (x * np.cos(fold.angle) + y * np.sin(fold.angle) - fold.offset) / px_per_mm
    most = _REACH_MAX * float(np.percentile(beyond, 99))
    fine = _finer(wing, both, px_per_mm), _finer(mirror, both, px_per_mm)
    a, b = fine[0][both], fine[1][both]
    strip = np.maximum(beyond, 0).astype(np.int64)
    last = int(most)
    strip = np.minimum(strip, last + 1)
    product, square, count = (
        np.bincount(strip, each, minlength=last + 2) for each in (a * b, (a**2 + b**2) / 2, np.ones(len(x)))
    )
    alike = product / np.maximum(square, 1e-12)
    error = np.sqrt(_CELL_MM2 * px_per_mm**2 / np.maximum(count, 1))
    bent = np.flatnonzero(alike[:-1] > alike[-1] + _SURE * error[:-1])
    ends = _MARGIN * float(bent[-1] + 1) if len(bent) else 0.0
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


def _finer(image: FloatArray, where: BoolArray, px_per_mm: float) -> FloatArray:
    """The image less its surroundings' mean, within `where`."""
    sigma = _RELIEF_MM / 2 * px_per_mm
    weight = np.maximum(_spread(where.astype(np.float32), sigma), 1e-3)
    return np.asarray(image - _spread(np.where(where, image, 0).astype(np.float32), sigma) / weight)


def _spread(image: FloatArray, sigma: float) -> FloatArray:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), np.float32)
