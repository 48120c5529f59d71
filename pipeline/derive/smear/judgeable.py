"""Can this photograph be judged at all? One check a flaw, each with what the operator should do about it.

Each check gives the value measured, the limit and, where it is not kept, a sentence. Nothing here looks at
the mix: a photograph is not sent back for what the film shows.
"""

from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray
from pipeline.derive.smear.find import WORK_PX_PER_MM, Canvas, marker_boxes
from pipeline.derive.smear.light import Light, linear_light, luminance
from pipeline.derive.smear.results import Check, SmearLimits

_EDGE_REACH_MM: Final = 1.6
_SHADE_STEP: Final = 5.0  # [L*] between a spot and its opposite that is no longer relief
_CUT_SHARE: Final = 0.03
_PAPER_LIKE: Final = 0.87


def at_least(name: str, value: float, limit: float, says: str) -> Check:
    """A check that holds where value >= limit. says : what to do where it does not."""
    ok = bool(value >= limit)
    return Check(name=name, value=float(value), limit=float(limit), ok=ok, says="" if ok else says)


def at_most(name: str, value: float, limit: float, says: str) -> Check:
    """A check that holds where value <= limit. says : what to do where it does not."""
    ok = bool(value <= limit)
    return Check(name=name, value=float(value), limit=float(limit), ok=ok, says="" if ok else says)


def check_sharpness(canvas: Canvas, grey: FloatArray, film: BoolArray, px_per_mm: float) -> float:
    """Standard deviation of the blur [mm], in the direction in which it is worst.

    grey : (H, W) luminance in linear light. With the sheet, from the markers' edges, sharp in print; without,
    from the sharpest edges there are, which the film's own outline may leave a little soft.
    """
    if canvas.sheet is not None:
        return _marker_blur(canvas, grey)
    return _edge_blur(grey, canvas.inside, film) / px_per_mm


def _marker_blur(canvas: Canvas, grey: FloatArray) -> float:
    assert canvas.sheet is not None
    reach = round(_EDGE_REACH_MM * WORK_PX_PER_MM)
    across: tuple[list[float], list[float]] = ([], [])
    for left, top, right, bottom in marker_boxes(canvas.sheet):
        inset = (right - left) // 8
        for axis, edge, low, high in (
            (0, left, top, bottom),
            (0, right, top, bottom),
            (1, top, left, right),
            (1, bottom, left, right),
        ):
            along = slice(low + inset, high - inset)
            span = slice(edge - reach, edge + reach)
            patch = grey[along, span] if axis == 0 else grey[span, along].T
            if patch.shape[1] == 2 * reach:
                across[axis].append(_step_blur(patch.mean(axis=0)))
    worst = max(float(np.median(one)) if one else np.inf for one in across)
    return worst / WORK_PX_PER_MM


def _step_blur(profile: FloatArray) -> float:
    """[px] of a blurred step: a Gaussian's steepest slope is its height over sigma sqrt(2 pi)."""
    slope = float(np.abs(np.gradient(profile)).max())
    return float(np.ptp(profile) / max(slope, 1e-6) / np.sqrt(2 * np.pi))


def _edge_blur(grey: FloatArray, inside: BoolArray, film: BoolArray) -> float:
    """[px] from the sharpest edges in each of four directions around the film."""
    near = cv2.dilate(film.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    level = np.log(np.maximum(grey, 1e-3)).astype(np.float32)
    gx, gy = cv2.Sobel(level, -1, 1, 0, scale=1 / 8), cv2.Sobel(level, -1, 0, 1, scale=1 / 8)
    steep = np.hypot(gx, gy)
    box = np.ones((11, 11), np.uint8)
    height = cv2.dilate(level, box) - cv2.erode(level, box)
    strong = near & inside & (height > 0.25)
    if strong.sum() < 100:
        return float("inf")
    sigma = height[strong] / np.maximum(steep[strong], 1e-6) / np.sqrt(2 * np.pi)
    turn = (np.arctan2(gy[strong], gx[strong]) % np.pi) / np.pi * 4
    worst = 0.0
    for n in range(4):
        here = sigma[np.minimum(np.round(turn) % 4, 3) == n]
        if len(here) > 50:
            worst = max(worst, float(np.percentile(here, 4)))
    return worst


def check_light(canvas: Canvas, light: Light, core: BoolArray, limits: SmearLimits) -> list[Check]:
    """Exposure, clipping and evenness of the light."""
    on_paper = light.paper & canvas.inside
    raw = luminance(linear_light(canvas.rgb[::4, ::4]))
    sample = on_paper[::4, ::4]
    paper_level = float(np.median(raw[sample])) if sample.any() else 0.0
    return [
        at_least(
            "paper_level",
            paper_level,
            limits.paper_level_min,
            "The photograph is too dark: take it again in better light.",
        ),
        at_most(
            "paper_clipped",
            float(canvas.clipped[on_paper].mean()) if on_paper.any() else 1.0,
            limits.paper_clipped_max,
            "The photograph is overexposed, the paper is burnt out: take it again with less exposure.",
        ),
        at_most(
            "film_clipped",
            float(canvas.clipped[core].mean()),
            limits.clipped_max,
            "Glare on the film: tilt the sheet or move the lamp, and switch the flash off.",
        ),
        at_most(
            "unevenness",
            light.unevenness,
            limits.unevenness_max,
            "The light falls too unevenly: take the photograph away from the single lamp or window.",
        ),
        at_least(
            "paper_share",
            light.paper_share,
            limits.paper_share_min,
            "Too little bare white paper around the film: show the whole sheet.",
        ),
    ]


def check_shadow(
    light: Light, film: BoolArray, where: BoolArray, px_per_mm: float, limits: SmearLimits
) -> Check:
    """Dark patches on the paper that are neither film nor print: a shadow, a hand, a tool."""
    around = cv2.dilate(film.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=round(2 * px_per_mm)) > 0
    free = where & ~around
    smooth = cv2.blur(light.luminance, (round(2 * px_per_mm),) * 2)
    dark = free & (smooth < _PAPER_LIKE)
    return at_most(
        "shadow",
        float(dark.sum() / max(1, free.sum())),
        limits.shadow_share_max,
        "A shadow or an object lies on the paper: clear the sheet and keep hand and phone out of the light.",
    )


def check_cut_off(canvas: Canvas, film: BoolArray) -> Check:
    """Share of the film's outline that runs along the edge of the sheet or of the picture."""
    grown = cv2.dilate(film.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    outline = grown & ~film
    edge = cv2.erode(
        canvas.inside.astype(np.uint8),
        np.ones((3, 3), np.uint8),
        iterations=4,
        borderType=cv2.BORDER_CONSTANT,
        borderValue=0,
    )
    # A film that ends at the picture's border has no outline there at all.
    frame = np.concatenate([film[0], film[-1], film[:, 0], film[:, -1]]).sum()
    touching = float((outline & (edge == 0)).sum() + frame)
    return at_most(
        "cut_off",
        touching / max(1.0, float(outline.sum() + frame)),
        _CUT_SHARE,
        "The film is cut off: get all of it into the picture, with white paper all around.",
    )


def one_wing_only(lightness: FloatArray, opposite: FloatArray, both: BoolArray) -> float:
    """Share of the film where one wing is lighter than the other by more than relief explains.

    lightness, opposite : (H, W) [L*], smoothed over some millimetres; both : (H, W). Mixing lies in both
    wings; what lies in one alone is glare or a shadow.
    """
    apart = (lightness - opposite)[both]
    return float((np.abs(apart - np.median(apart)) > _SHADE_STEP).mean())
