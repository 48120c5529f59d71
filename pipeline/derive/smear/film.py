"""Where is the film? Its outline with what lies inside, and the part of it that can be measured.

The film is what differs from bare paper. Whatever it encloses is film too: a white streak of unmixed base
looks like paper, and taking it for a hole would pass the worst of mixes. The rim is left out, since the film
thins there and the paper shines through.
"""

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.derive.smear.arrays import BoolArray, FloatArray
from pipeline.derive.smear.light import Light

_SMOOTH_MM: Final = 0.5
_BRIDGE_MM: Final = 3.0  # a white streak this wide that runs out at the rim is still film
_RIM_MIN_MM: Final = 1.5
_RIM_MAX_MM: Final = 6.0
_FAINTEST: Final = 0.045  # darker than the paper by this share: the lightest film that can be told from paper
_HOLE_MM2: Final = 14.0
_BUBBLE_MM2: Final = 30.0  # a round spot up to 6 mm across may still be air
_BUBBLE_SHARE: Final = 0.0045  # and one of so much of the film: without a sheet a millimetre is a guess
_BUBBLES_MAX: Final = 6  # air leaves few spots, base that was not mixed in many
_SPOT_MM2: Final = 1.5  # a pinhole is smaller
_HOLE_LONG: Final = 2.2
_HOLE_EDGE_MM: Final = 1.0
_HOLE_FULL: Final = 0.6  # of the rectangle around it; a disc fills 0.79, a crescent of base less than half
# More, were it base, would be a coefficient of variation of 0.1 and over, its root; still more is no air.
_HOLES_SHARE: Final = (0.01, 0.03)
_PALE: Final = 0.88
_PALE_MM: Final = 5.0  # farther out it is a shadow
_ISLAND_MM: Final = 2.5
_ISLAND_GAP_MM: Final = 10.0
_AROUND_MM: Final = 16.0  # farther than any closing or gap below reaches
_BARE: Final = 0.95  # of the paper's light; base is a little darker
_TEAR_MM: Final = 2.0
_TEAR_OFF_MM: Final = 3.0
_TEAR_SHARED: Final = 0.15
_BESIDE_FOLD_MM: Final = 8.0
_WING_SHARED: Final = 0.15
_PIECE: Final = 0.12  # a piece smaller than this share of the largest is a splash, not a wing


@dataclass(frozen=True)
class Film:
    """The film on the canvas.

    mask : (H, W), the film with all it encloses
    core : (H, W), without its thin rim and its holes
    solid : (H, W), its plainly dark part alone
    holes : (H, W), small round spots of bare paper: air, left out with their edge
    level : median luminance relative to the paper
    enclosed : share of the mask that looks like paper: streaks of base, or bare holes
    spots : (H, W), those of the holes that are so large that they may be unmixed base instead
    box : (left, top, right, bottom) [px] around the mask
    """

    mask: BoolArray
    core: BoolArray
    solid: BoolArray
    holes: BoolArray
    level: float
    enclosed: float
    rim_px: float
    spots: BoolArray
    box: tuple[int, int, int, int]


def find_film(light: Light, where: BoolArray, px_per_mm: float, fold_x: float | None = None) -> Film | None:
    """The film; None where nothing of a film's size differs from the paper.

    where : (H, W), the part of the canvas in which a film may lie
    px_per_mm : of the canvas, or the best guess; fold_x : [px] the column of a sheet's fold
    """
    smooth = cv2.GaussianBlur(light.grey, (0, 0), _SMOOTH_MM * px_per_mm)
    faintest = max(_FAINTEST, 4.0 * light.paper_spread)
    # Shrink first: a fold line or a scribble is dark too, but thin.
    dark = _opened(where & (smooth < 1 - faintest), 0.8 * px_per_mm)
    if fold_x is not None:
        aside = _aside(dark, fold_x, px_per_mm)
        dark, where = dark & ~aside, where & ~aside
    left, top, right, bottom = _box(dark)
    if right == left:
        return None
    # All that follows stays within reach of what is dark, so the rest of the page is left out of the work.
    room = round(_AROUND_MM * px_per_mm)
    left, top = max(0, left - room), max(0, top - room)
    part = np.s_[top : bottom + room, left : right + room]
    found = _film_in(smooth[part], light.grey[part], where[part], dark[part], faintest, px_per_mm)
    if found is None:
        return None
    x0, y0, x1, y1 = found.box
    return replace(
        found,
        mask=_placed(found.mask, part, where),
        core=_placed(found.core, part, where),
        solid=_placed(found.solid, part, where),
        holes=_placed(found.holes, part, where),
        spots=_placed(found.spots, part, where),
        box=(x0 + left, y0 + top, x1 + left, y1 + top),
    )


def _film_in(
    smooth: FloatArray,
    grey: FloatArray,
    where: BoolArray,
    dark: BoolArray,
    faintest: float,
    px_per_mm: float,
) -> Film | None:
    """The film in a part of the canvas. dark : (H, W), what is darker than paper by more than `faintest`."""
    largest = _largest_pieces(dark)
    if largest is None:
        return None
    level = float(np.median(smooth[largest]))
    # Halfway between film and paper, as the eye has it (on a logarithmic scale), is the film's edge.
    edge = min(np.sqrt(max(level, 0.01)), 1 - faintest)
    pieces = _largest_pieces(_opened(where & (smooth < edge), 0.8 * px_per_mm))
    if pieces is None:
        return None
    solid = pieces
    # What pales towards paper but is joined to the film is film: a streak of base is seldom white throughout.
    near = cv2.distanceTransform((~pieces).astype(np.uint8), cv2.DIST_L2, 3) < _PALE_MM * px_per_mm
    pieces = _joined(pieces, where & near & (smooth < min(1 - faintest, _PALE)))
    pieces = _with_islands(pieces, _opened(where & (smooth < edge), 0.5 * px_per_mm), px_per_mm)
    mask = _filled(_closed(pieces, _BRIDGE_MM / 2 * px_per_mm)) & where
    depth = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)
    rim = _rim(smooth, depth, px_per_mm)
    holes, spots = _air_holes(grey, mask, level, px_per_mm)
    core = np.asarray(depth > rim) & ~holes
    if not core.any():
        return None
    return Film(
        mask=mask,
        core=core,
        solid=solid,
        holes=holes,
        level=float(np.median(smooth[core])),
        enclosed=float((smooth[core] > edge).mean()),
        rim_px=rim,
        spots=spots,
        box=_box(mask),
    )


def _aside(dark: BoolArray, fold_x: float, px_per_mm: float) -> BoolArray:
    """(H, W) the shadows and things that lie on one half of a sheet alone, where there is a film as well.

    A film reaches the fold, or has its other wing opposite.
    """
    count, labels = cv2.connectedComponents(dark.astype(np.uint8))
    if count <= 2:
        return np.zeros_like(dark)
    areas = np.bincount(labels.ravel(), minlength=count)
    height, width = dark.shape
    over = np.array([[-1, 0, 2 * fold_x], [0, 1, 0]], np.float32)
    opposite = cv2.warpAffine(dark.astype(np.uint8), over, (width, height), flags=cv2.INTER_NEAREST) > 0
    shared = np.bincount(labels[opposite], minlength=count) >= _WING_SHARED * areas
    near = round(_BESIDE_FOLD_MM * px_per_mm)
    shared[labels[:, max(0, round(fold_x) - near) : round(fold_x) + near]] = True
    areas[0], large = 0, _PIECE * areas.max()
    if not (shared & (areas >= large)).any():
        return np.zeros_like(dark)
    return np.asarray((~shared & (areas >= large))[labels])


def _box(mask: BoolArray) -> tuple[int, int, int, int]:
    """(left, top, right, bottom) [px] around what is True; nought by nought where nothing is."""
    left, top, width, height = cv2.boundingRect(mask.astype(np.uint8))
    return left, top, left + width, top + height


def _placed(part: BoolArray, where: tuple[slice, slice], like: BoolArray) -> BoolArray:
    whole = np.zeros_like(like)
    whole[where] = part
    return whole


def _rim(smooth: FloatArray, depth: FloatArray, px_per_mm: float) -> float:
    """[px] how far from its edge the film is still paling, from the median of each depth."""
    steps = np.arange(0.0, _RIM_MAX_MM + 4.0, 0.5) * px_per_mm
    inside = depth[::2] > 0  # every other row: a median needs no more
    at = np.digitize(depth[::2][inside], steps) - 1
    order = np.argsort(at.astype(np.uint8), kind="stable")
    shade, ends = smooth[::2][inside][order], np.searchsorted(at[order], np.arange(len(steps) + 1))
    levels = [float(np.median(shade[a:b])) if b > a else np.nan for a, b in pairwise(ends)]
    # What lies deepest is the film as it is; a small film has no great depth.
    settled = [level for level in levels if np.isfinite(level)][-4:]
    deep = float(np.median(settled)) if settled else 0.0
    for n, level in enumerate(levels):
        mm = steps[n] / px_per_mm
        if mm >= _RIM_MIN_MM and (mm >= _RIM_MAX_MM or not level > deep * 1.06 + 0.004):
            return float(steps[n])
    return _RIM_MAX_MM * px_per_mm


def _largest_pieces(mask: BoolArray) -> BoolArray | None:
    """The largest connected piece and those not much smaller: two wings need not touch."""
    count, labels = cv2.connectedComponents(mask.astype(np.uint8))
    if count < 2:
        return None
    # Counted here: OpenCV's own statistics cost ten times what finding the pieces does.
    areas = np.bincount(labels.ravel(), minlength=count)
    areas[0] = 0
    keep = areas >= _PIECE * areas.max()
    return np.asarray(keep[labels])


def _air_holes(
    grey: FloatArray, mask: BoolArray, level: float, px_per_mm: float
) -> tuple[BoolArray, BoolArray]:
    """Spots of bare paper where air was trapped, with their edge: small, round, as white as paper.

    Returns them all, and without the edge those that may be unmixed base for their size or number.

    Unmixed base comes out of a mixer drawn into streaks, so what is long or large stays in the film.
    """
    fine = cv2.GaussianBlur(grey, (0, 0), max(0.3, 0.15 * px_per_mm))
    bright = mask & (fine > level + 0.3 * (1 - level))
    film_px = int(mask.sum())
    most_px = max(_BUBBLE_MM2 * px_per_mm**2, _BUBBLE_SHARE * film_px)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(bright.astype(np.uint8))
    holes, large = np.zeros(mask.shape, np.uint8), np.zeros(mask.shape, np.uint8)
    found = 0
    for n in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[n])
        if area > most_px:
            continue
        spot = labels[y : y + h, x : x + w] == n
        # A pinhole is blurred by the lens and does not come up to the paper's white.
        white = level + (0.85 if area > _SPOT_MM2 * px_per_mm**2 else 0.45) * (1 - level)
        _, (long, short), _ = cv2.minAreaRect(np.argwhere(spot)[:, ::-1].astype(np.float32))
        round_ = max(long, short) + 1 <= _HOLE_LONG * (min(long, short) + 1)
        round_ &= area >= _HOLE_FULL * (long + 1) * (short + 1)
        if round_ and float(fine[y : y + h, x : x + w][spot].max()) > white:
            (large if area > _HOLE_MM2 * px_per_mm**2 else holes)[y : y + h, x : x + w][spot] = 1
            found += area > _SPOT_MM2 * px_per_mm**2
    few, most = (share * film_px for share in _HOLES_SHARE)
    many = holes.sum() > few
    if many and (found > _BUBBLES_MAX or (holes | large).sum() > most):
        return np.zeros_like(mask), np.zeros_like(mask)
    reach = 2 * round(_HOLE_EDGE_MM * px_per_mm) + 1
    around = cv2.dilate(holes | large, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))) > 0
    return np.asarray(around & mask), (holes | large if many else large) > 0


def _joined(film: BoolArray, more: BoolArray) -> BoolArray:
    """The parts of `more` that touch the film, with it."""
    _, labels = cv2.connectedComponents((more | film).astype(np.uint8))
    touched = np.zeros(int(labels.max()) + 1, bool)
    touched[labels[film]] = True
    return np.asarray(touched[labels])


def _with_islands(film: BoolArray, dark: BoolArray, px_per_mm: float) -> BoolArray:
    """The film with what parts it from islands inside its hull: base run out to the rim, white as paper."""
    outline, _ = cv2.findContours(film.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    hull = np.zeros(film.shape, np.uint8)
    cv2.fillConvexPoly(hull, cv2.convexHull(np.concatenate(outline)), 1)
    islands = dark & (hull > 0) & ~film
    islands = _opened(islands, _ISLAND_MM / 2 * px_per_mm)
    if not islands.any():
        return film
    away = cv2.distanceTransform((~film).astype(np.uint8), cv2.DIST_L2, 3)
    count, labels = cv2.connectedComponents(islands.astype(np.uint8))
    gap = max(float(away[labels == n].min()) for n in range(1, count))
    reach = min(gap, _ISLAND_GAP_MM * px_per_mm) / 2 + px_per_mm
    return _closed(film | islands, reach) & (hull > 0) | film


def _filled(mask: BoolArray) -> BoolArray:
    outlines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(filled, outlines, -1, 1, cv2.FILLED)
    return filled > 0


def _disc(radius: float) -> NDArray[np.uint8]:
    side = 2 * max(1, round(radius)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)), np.uint8)


def _opened(mask: BoolArray, radius: float) -> BoolArray:
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, _disc(radius))) > 0


def _closed(mask: BoolArray, radius: float) -> BoolArray:
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, _disc(radius))) > 0


def torn_paper(
    grey: FloatArray, mask: BoolArray, opposite: FloatArray, level: float, px_per_mm: float
) -> BoolArray:
    """(H, W) bare paper where the film of one wing came off: no film there, and no streak.

    grey, opposite : (H, W) relative to the paper, of the film and of what lay on it; mask : (H, W), the film
    level : of the film. Unmixed base split as the rest did and is white on both wings; a tear leaves paper on
    one, and on the other all the more film. What both show white, even some millimetres apart, stays film.
    """
    paper = _opened(mask & (grey > max(_BARE, level + 0.75 * (1 - level))), _TEAR_MM / 2 * px_per_mm)
    if not paper.any() or level > _PALE:
        return np.zeros_like(mask)
    both = cv2.dilate(
        (opposite > np.sqrt(max(level, 0.01))).astype(np.uint8), _disc(_TEAR_OFF_MM * px_per_mm)
    )
    count, labels, stats, _ = cv2.connectedComponentsWithStats(paper.astype(np.uint8))
    torn = np.zeros_like(mask)
    for n in range(1, count):
        here = labels == n
        one_sided = (here & (both > 0)).sum() < _TEAR_SHARED * stats[n, cv2.CC_STAT_AREA]
        if one_sided and stats[n, cv2.CC_STAT_AREA] > _HOLE_MM2 * px_per_mm**2 / 2:
            torn |= here
    return torn
