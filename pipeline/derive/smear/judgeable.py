"""Can this photograph be judged at all? One check a flaw, each with what the operator should do about it.

Each check gives the value measured, the limit and, where it is not kept, a sentence. Nothing here looks at
the mix: a photograph is not sent back for what the film shows.
"""

from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray
from pipeline.derive.smear.film import Film
from pipeline.derive.smear.find import Canvas
from pipeline.derive.smear.fold import Fold, mirrored
from pipeline.derive.smear.light import GRID_PX, Light, linear_light, luminance
from pipeline.derive.smear.mixing import smooth_part
from pipeline.derive.smear.results import Check, SmearLimits

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
