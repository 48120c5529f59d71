"""How blurred is the photograph? The lens and the hand, read where edges are sharp by themselves."""

from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray, PixelArray
from pipeline.derive.smear.find import WORK_PX_PER_MM, Canvas, Sheet, marker_boxes
from pipeline.derive.smear.light import linear_light, luminance

_EDGE_REACH_MM: Final = 1.6
_FIRST_BLUR_PX: Final = 0.7
_MORE_BLUR_PX: Final = 1.5
_BY_PIXELS: Final = 5 / 12  # [px^2] variance of a pixel, 1/12, and of a difference of the next but one, 4/12
_BLUR_SIZES: Final = 2
# A paper's own rim is its sharpest edge, and lies a little outside of what is taken for it.
_RIM_PX: Final = 31
_EDGES_LEAST: Final = 15
_SHAKEN, _SCARCE = 0.03, 0.12  # edges of one direction over those of the commonest
_STEEP_LEAST: Final = 0.02  # of full scale a pixel, on a square-root scale


def blur_mm(canvas: Canvas, px_per_mm: float) -> float:
    """Standard deviation of the blur [mm], in the direction in which it is worst.

    With the sheet, from the markers' edges, sharp in print; without, from the sharpest edges there are, which
    the film's own outline may leave a little soft.
    """
    if canvas.sheet is not None:
        return _marker_blur(canvas.rgb, canvas.sheet)
    return edge_blur(luminance(linear_light(canvas.rgb)), canvas.inside) / px_per_mm


def _marker_blur(rgb: PixelArray, sheet: Sheet) -> float:
    """[mm] rgb : (H, W, 3) the rectified page."""
    reach = round(_EDGE_REACH_MM * WORK_PX_PER_MM)
    across: tuple[list[float], list[float]] = ([], [])
    for left, top, right, bottom in marker_boxes(sheet):
        inset = (right - left) // 8
        for axis, edge, low, high in (
            (0, left, top, bottom),
            (0, right, top, bottom),
            (1, top, left, right),
            (1, bottom, left, right),
        ):
            along = slice(low + inset, high - inset)
            span = slice(edge - reach, edge + reach)
            grey = luminance(linear_light(rgb[(along, span) if axis == 0 else (span, along)]))
            patch = grey if axis == 0 else grey.T
            if patch.shape[1] == 2 * reach:
                across[axis].append(_step_blur(patch.mean(axis=0)))
    worst = max(float(np.median(one)) if one else np.inf for one in across)
    return float(np.sqrt(max(worst**2 - _BY_PIXELS, 0.01))) / WORK_PX_PER_MM


def _step_blur(profile: FloatArray) -> float:
    """[px] of a blurred step: a Gaussian's steepest slope is its height over sigma sqrt(2 pi)."""
    slope = float(np.abs(np.gradient(profile)).max())
    return float(np.ptp(profile) / max(slope, 1e-6) / np.sqrt(2 * np.pi))


def edge_blur(grey: FloatArray, inside: BoolArray) -> float:
    """[px] from the sharpest edges in each of four directions, on the paper and along its rim.

    grey : (H, W) luminance in linear light; inside : (H, W), the paper
    Taken at three sizes, and the worst is believed: grain, and what a phone sharpens, make fine edges in a
    picture whose own are gone, and the coarser sizes do not see those.
    """
    near = cv2.dilate(inside.astype(np.uint8), np.ones((_RIM_PX, _RIM_PX), np.uint8))
    level = np.asarray(cv2.sqrt(np.maximum(grey, 0)), np.float32)
    worst = 0.0
    for size in range(_BLUR_SIZES):
        worst = max(worst, _worst_way(_blur_by_direction(level, near > 0)) * 2**size)
        half = (level.shape[1] // 2, level.shape[0] // 2)
        level = np.asarray(cv2.resize(level, half, interpolation=cv2.INTER_AREA))
        near = cv2.resize(near, half, interpolation=cv2.INTER_NEAREST)
    return worst or float("inf")


def _worst_way(found: list[float]) -> float:
    """[px] The blur in the direction in which it is worst, of what edges in up to four directions tell.

    Along any two directions at right angles the variances of a blur add up to the same, and no direction has
    more. So edges that are soft by themselves, a film's, do not count against two that are sharp.
    """
    if len(found) < 4:
        return max(found, default=0.0)
    return min(max(found), *(float(np.hypot(found[n], found[n + 2])) for n in (0, 1)))


def _blur_by_direction(level: FloatArray, near: BoolArray) -> list[float]:
    """[px] of the sharpest edges in each of four directions; none for a direction without edges.

    A blurred edge that is blurred once more loses slope by sqrt(1 + (more / blur)^2), however high it is.
    Source: S. Zhuo, T. Sim, Pattern Recognition 44(9), 2011, 1852-1858.
    """
    once = cv2.GaussianBlur(level, (0, 0), _FIRST_BLUR_PX)
    twice = cv2.GaussianBlur(level, (0, 0), float(np.hypot(_FIRST_BLUR_PX, _MORE_BLUR_PX)))
    gx, gy = cv2.Sobel(once, -1, 1, 0, scale=1 / 8), cv2.Sobel(once, -1, 0, 1, scale=1 / 8)
    steep = cv2.magnitude(gx, gy)
    crest = (steep >= cv2.dilate(steep, np.ones((3, 3), np.uint8))) & near & (steep > _STEEP_LEAST)
    loss = steep[crest] / np.maximum(_slope_at(twice, crest), 1e-6)
    total = _MORE_BLUR_PX / np.sqrt(np.maximum(loss**2 - 1, 1e-3))
    own = np.sqrt(np.maximum(total**2 - _FIRST_BLUR_PX**2 - _BY_PIXELS, 0.01))
    turn = (np.arctan2(gy[crest], gx[crest]) % np.pi) / np.pi * 4
    sector = (np.round(turn) % 4).astype(int)
    slope = steep[crest]
    # Grain and relief make weak edges that tell nothing of the lens; film and paper make strong ones.
    strong = slope > 0.4 * np.percentile(slope, 98) if slope.size else slope > 0
    counts = np.bincount(sector[strong], minlength=4)
    # A film has edges all round: where those of one direction are missing, the hand shook across them.
    if counts.min() < _SHAKEN * counts.max():
        return [float("inf")]
    found = []
    for n in range(4):
        here = strong & (sector == n)
        if counts[n] < _SCARCE * counts.max():
            # Few, since relief has more edges the other way, or weak since the hand shook: their width tells.
            here = sector == n
            here &= slope > 0.4 * np.percentile(slope[here], 98) if here.any() else False
        if here.sum() >= _EDGES_LEAST:
            found.append(float(np.percentile(own[here], 30)))
    return found


def _slope_at(image: FloatArray, spots: BoolArray) -> FloatArray:
    """(N,) slope [per pixel] where spots is True: Sobel's operator on those alone."""
    y, x = np.nonzero(spots)
    rows = [np.clip(y + d, 0, image.shape[0] - 1) for d in (-1, 0, 1)]
    columns = [np.clip(x + d, 0, image.shape[1] - 1) for d in (-1, 0, 1)]
    around = [[image[row, column] for column in columns] for row in rows]
    (a, b, c), (d, _, f), (g, h, i) = around
    return np.asarray(np.hypot(c + 2 * f + i - a - 2 * d - g, g + 2 * h + i - a - 2 * b - c) / 8)
