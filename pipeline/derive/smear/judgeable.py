"""Can this photograph be judged at all? One check a flaw, each with what the operator should do about it.

Each check gives the value measured, the limit and, where it is not kept, a sentence. Nothing here looks at
the mix: a photograph is not sent back for what the film shows.
"""

from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray, PixelArray
from pipeline.derive.smear.film import Film
from pipeline.derive.smear.find import WORK_PX_PER_MM, Canvas, Sheet, marker_boxes
from pipeline.derive.smear.fold import Fold, mirrored
from pipeline.derive.smear.light import GRID_PX, Light, linear_light, luminance
from pipeline.derive.smear.mixing import smooth_part
from pipeline.derive.smear.results import Check, SmearLimits

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
_SHADE_STEP: Final = 5.0  # [L*] between a spot and its opposite that is no longer relief
_SHINE_STEP: Final = 15.0  # [L*] no bend of the sheet makes one wing so much lighter
_CUT_SHARE: Final = 0.03
_DARK_PAPER: Final = 0.87
_SHADED_PAPER: Final = 0.93
_NEAR_MM: Final = (2.5, 12.0)
_MIRRORED_WEIGHT: Final = 0.35
_RING_MM: Final = (1.0, 15.0)
_CREASED_MM: Final = 6.0
_SHINE: Final = 1.15
_SHINE_LEAST: Final = 0.01  # of the sheet: sparkles smaller than that hide nothing


def at_least(name: str, value: float, limit: float, says: str) -> Check:
    """A check that holds where value >= limit. says : what to do where it does not."""
    ok = bool(value >= limit)
    return Check(name=name, value=float(value), limit=float(limit), ok=ok, says="" if ok else says)


def at_most(name: str, value: float, limit: float, says: str) -> Check:
    """A check that holds where value <= limit. says : what to do where it does not."""
    ok = bool(value <= limit)
    return Check(name=name, value=float(value), limit=float(limit), ok=ok, says="" if ok else says)


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
            light.grey_clipped,
            limits.paper_clipped_max,
            "The photograph is overexposed, the paper is burnt out: take it again with less exposure.",
        ),
        at_most(
            "film_clipped",
            float(light.burnt[core].mean()),
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
    light: Light, film: Film, fold: Fold, where: BoolArray, px_per_mm: float, limits: SmearLimits
) -> list[Check]:
    """Dark patches on the paper that are neither film nor print: a shadow, a hand, a tool.

    Beside the film a faint one is enough, since it will not end at the film's edge. But base that ran out
    to the rim, white as paper, leaves specks of film beside it: on both wings, where a shadow lies on one.
    """
    smooth = cv2.blur(light.grey, (max(1, round(px_per_mm)),) * 2)
    # How far it is to the film matters near it alone.
    left, top, right, bottom = film.box
    room = round(_NEAR_MM[1] * px_per_mm) + 2
    left, top = max(0, left - room), max(0, top - room)
    part = np.s_[top : bottom + room, left : right + room]
    away = cv2.distanceTransform((~film.mask[part]).astype(np.uint8), cv2.DIST_L2, 3) / px_per_mm
    free = where.copy()
    free[part] &= away > _NEAR_MM[0]
    near = free[part] & (away < _NEAR_MM[1])
    shaded = near & (smooth[part] < _SHADED_PAPER)
    there = fold.moved(film.box[0] - left, film.box[1] - top)
    slack = np.ones((2 * round(_NEAR_MM[0] * px_per_mm) + 1,) * 2, np.uint8)
    opposite = mirrored(cv2.dilate(shaded.astype(np.float32), slack), there) > 0.5
    one_sided = _share(shaded & ~opposite, near) + _MIRRORED_WEIGHT * _share(shaded & opposite, near)
    says = "A shadow or an object lies on the sheet: clear it, and keep hand and phone out of the light."
    return [
        at_most("shadow", _share(smooth < _DARK_PAPER, free), limits.shadow_share_max, says),
        at_most("shadow_near", one_sided, limits.shadow_near_max, says),
        at_most(
            "shadow_edge",
            _steepest_light(light, film, fold, px_per_mm),
            limits.shadow_edge_max,
            "The edge of a shadow falls across the film: keep hand and phone out of the light.",
        ),
    ]


def _steepest_light(light: Light, film: Film, fold: Fold, px_per_mm: float) -> float:
    """[1/mm] how steeply the light changes beside the film, by its 90th percentile, the crease left out.

    Under the film the light is carried on from its rim. A buckle or a soft shadow goes on as it was; of a
    shadow with an edge nobody knows where it runs.
    """
    size = light.local.shape[::-1]
    mask, paper = (
        cv2.resize(part.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
        for part in (film.mask, light.paper)
    )
    spots_per_mm = px_per_mm / GRID_PX
    away = cv2.distanceTransform(1 - mask, cv2.DIST_L2, 3) / spots_per_mm
    y, x = (at * GRID_PX + GRID_PX / 2 for at in np.mgrid[: size[1], : size[0]])
    left, top, _, _ = film.box
    off = ((x - left) * np.cos(fold.angle) + (y - top) * np.sin(fold.angle) - fold.offset) / px_per_mm
    ring = (paper > 0) & (away > _RING_MM[0]) & (away < _RING_MM[1]) & (np.abs(off) > _CREASED_MM)
    if not ring.any():
        return 0.0
    steep = np.hypot(*(cv2.Sobel(light.local, -1, *to, scale=1 / 8) for to in ((1, 0), (0, 1))))
    return float(np.percentile(steep[ring], 90)) * spots_per_mm


def check_glare(light: Light, film: BoolArray | None, where: BoolArray, limits: SmearLimits) -> Check:
    """What shines brighter than paper, against the area of film and shine together."""
    shine = where & (cv2.blur(light.grey, (5, 5)) > _SHINE)
    both = shine if film is None else shine | film
    least = max(1.0, float(both.sum()), _SHINE_LEAST * where.sum())
    return at_most(
        "glare",
        float(shine.sum()) / least,
        limits.glare_share_max,
        "Glare on the film: tilt the sheet or move the lamp, and switch the flash off.",
    )


def _share(of: BoolArray, among: BoolArray) -> float:
    return float((of & among).sum() / max(1, among.sum()))


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


def one_wing_only(lightness: FloatArray, opposite: FloatArray, both: BoolArray, px_per_mm: float) -> float:
    """Share of the film where one wing is lighter than the other by more than relief explains.

    lightness, opposite : (H, W) [L*], smoothed over some millimetres; both : (H, W). Mixing lies in both
    wings; what lies in one alone and has an edge is glare or a shadow. What has none is the sheet's bend, but
    that makes no film shine.
    Beside a streak's edge a wing that was dragged a little differs too, by a part of the edge's height.
    """
    apart = lightness[both] - opposite[both]
    shared = (lightness + opposite) / 2
    box = np.ones((2 * round(2.5 * px_per_mm) + 1,) * 2, np.uint8)
    edge = (cv2.dilate(shared, box) - cv2.erode(shared, box))[both]
    rest = np.abs(apart - smooth_part(apart, both)) > _SHADE_STEP + 0.6 * edge
    return float((rest | (np.abs(apart) > _SHINE_STEP + edge)).mean())
