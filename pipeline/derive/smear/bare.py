"""Is the white strip along the fold bare paper? Where the bead lay beside the fold, no film ever was.

Unmixed base from the core of a bead that lay in the fold looks much the same. Bare paper goes on beyond the
film without a step, in light and in colour; base ends there. What can't be told is left to the verdict.
"""

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray
from pipeline.derive.smear.fold import Fold, mirrored, one_wing

_HALF_MM: Final = 4.5  # a bead that lies farther off leaves two films
_OFF_MM: Final = 1.0
_FLARES: Final = 1.4  # times as wide in its outer third as in its inner one
_LONG: Final = 0.4  # of the film's length along the fold, all strips together: less is a patch
_PALE: Final = 0.88  # of the paper's light at the least; with a little curing agent base is darker
_COLOUR: Final = 0.03  # relative, between the colours: nor is base without it any darker in one
_CREASE_MM: Final = 0.5
_BARE_SHARE: Final = 0.4
_END_MM: Final = (1.5, 7.0)
_STEP: Final = 0.02  # relative, what noise and the crease leave of two like papers
_APART_MM: Final = 3.0  # wings slide, and a hand's fold is no straight line
_SHARED: Final = 0.15
_SLIP_MM: Final = 0.5
_HALF: Final = 0.5
_WIDE_PX: Final = 5.0  # a narrower strip is no brighter than its edges let it


@dataclass(frozen=True)
class Strip:
    """mask : (H, W), a white strip along the fold, or its notches; paper : whether bare beyond doubt."""

    mask: BoolArray
    paper: bool


def fold_strip(
    colour: FloatArray, film: BoolArray, line: Fold, level: float, px_per_mm: float
) -> Strip | None:
    """The white strip along the fold, or the notches at its ends; None where there is none as white as paper.

    colour : (H, W, 3) relative to the paper, with paper around the film
    film : (H, W), with what it encloses; level : of the film, relative to the paper
    line : the fold, in pixels of `colour`
    """
    y, x = np.mgrid[: film.shape[0], : film.shape[1]]
    away = np.abs(line.beyond(film.shape)) / px_per_mm
    along = (y * np.cos(line.angle) - x * np.sin(line.angle)) / px_per_mm
    on_fold = film & (away < _OFF_MM)
    if not on_fold.any():
        return None
    first, last = float(along[on_fold].min()), float(along[on_fold].max())
    white = film & (away < _HALF_MM) & (colour.mean(axis=2) > np.sqrt(max(level, 0.01)))
    rim = film & (cv2.erode(film.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0)
    count, labels = cv2.connectedComponents(white.astype(np.uint8))
    strip, notches = np.zeros_like(film), np.zeros_like(film)
    for n in range(1, count):
        here = labels == n
        if away[here].min() >= _OFF_MM:
            continue
        if (here & rim).any() and _flares(away[here], np.abs(along[here] - (first + last) / 2)):
            notches |= here
        elif np.percentile(away[here], 85) < _HALF_MM - _OFF_MM:
            strip |= here
    if not _white_as_paper(colour, notches):
        notches = np.zeros_like(film)
    if _white_as_paper(colour, strip):
        steps = [_step(colour, film, strip, away, side * along, px_per_mm) for side in (-1, 1)]
        told = [step for step in steps if step is not None]
        paper = bool(told) and max(told) < _STEP
        reached = np.unique(np.clip(along[strip] - first, 0, last - first).astype(int))
        # A short strip that is not paper beyond doubt is a patch, and stays film.
        if paper or len(reached) >= _LONG * int(last - first + 2):
            return Strip(strip | notches, paper)
    return Strip(notches, paper=True) if notches.any() else None


def _flares(away: FloatArray, out: FloatArray) -> bool:
    """Whether a white spot widens on its way out of the film, as a notch between two lobes does.

    away, out : (N,) [mm] of its pixels, from the fold, and along it from the film's middle
    Unmixed base is drawn out into a strip, or ends rounded.
    """
    inner, outer = np.percentile(out, (33, 67))
    return bool(away[out >= outer].mean() > _FLARES * away[out <= inner].mean())


def parts_wings(film: BoolArray, line: Fold, px_per_mm: float) -> bool:
    """Whether a line is bare for most of its way through a film, as only a fold is. film : (H, W)."""
    y, x = np.nonzero(film)
    if len(y) == 0:
        return False
    away = np.abs(x * np.cos(line.angle) + y * np.sin(line.angle) - line.offset) / px_per_mm
    along = (y * np.cos(line.angle) - x * np.sin(line.angle)) / px_per_mm
    crossed = np.unique(along[away < _CREASE_MM].astype(int))
    return bool(len(crossed) < _BARE_SHARE * np.ptp(along))


def on_both_wings(spots: BoolArray, white: BoolArray, line: Fold, px_per_mm: float) -> bool:
    """Whether any of the white spots has white opposite, as base has, which split with the film.

    Paper is bare on one wing alone, where air or a tear was. spots, white : (H, W), white with the spots
    line : the fold, in pixels; a spot that lies across it has itself opposite
    """
    count, labels = cv2.connectedComponents(spots.astype(np.uint8))
    near = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * round(_APART_MM * px_per_mm) + 1,) * 2)
    for n in range(1, count):
        here = labels == n
        others = cv2.dilate(_opposite(white & ~here, line).astype(np.uint8), near) > 0
        if (here & (others | _opposite(here, line))).sum() >= _SHARED * here.sum():
            return True
    return False


def alike(white: BoolArray, film: BoolArray, line: Fold, px_per_mm: float) -> float:
    """How far both wings are white in the same places, as a correlation: gloss and bare paper are not.

    white, film : (H, W). 1 where hardly any of the white has film opposite, for then nothing gainsays base.
    """
    both = one_wing(film, line, px_per_mm)
    near = np.ones((2 * round(_SLIP_MM * px_per_mm) + 1,) * 2, np.uint8)
    there = cv2.dilate(white.astype(np.uint8), near) > 0
    here, opposite = there[both], _opposite(there, line)[both]
    if not (here | opposite).any() or (white & film).sum() > 2 * white[both | _opposite(both, line)].sum():
        return 1.0
    if here.all() or opposite.all():
        return 1.0
    if not here.any() or not opposite.any():
        return 0.0
    return float(np.corrcoef(here, opposite)[0, 1])


def _opposite(mask: BoolArray, line: Fold) -> BoolArray:
    return mirrored(mask.astype(np.float32), line) > _HALF


def _white_as_paper(colour: FloatArray, strip: BoolArray) -> bool:
    if not strip.any():
        return False
    deep = cv2.distanceTransform(strip.astype(np.uint8), cv2.DIST_L2, 3)
    middle = np.median(colour[deep > 0.6 * deep.max()], axis=0)
    return bool(middle.mean() > _PALE and np.ptp(middle) / middle.mean() < _COLOUR)


def _step(
    colour: FloatArray,
    film: BoolArray,
    strip: BoolArray,
    away: FloatArray,
    along: FloatArray,
    px_per_mm: float,
) -> float | None:
    """Relative difference between the strip's far end, by `along` [mm], and the paper beyond: worst colour.

    None where the strip ends within the film or is too narrow there.
    """
    deep = cv2.distanceTransform(strip.astype(np.uint8), cv2.DIST_L2, 3)
    near, far = _END_MM
    end = float(along[strip].max())
    if end < float(along[film & (away < _OFF_MM)].max()) - near:
        return None
    room = cv2.distanceTransform((~film).astype(np.uint8), cv2.DIST_L2, 3) / px_per_mm
    inside = strip & (along > end - far) & (deep > _WIDE_PX / 2)
    outside = (room > 0.5 * near) & (away < near) & (along > end) & (along < end + far)
    if inside.sum() < px_per_mm**2 or outside.sum() < px_per_mm**2:
        return None
    inner, outer = np.median(colour[inside], axis=0), np.median(colour[outside], axis=0)
    return float(np.abs(inner / outer - 1).max())
