"""Where is the sheet, or failing that the paper? From a photograph to a picture in millimetres.

With the printed sheet, the markers give a homography, and the page is rectified to WORK_PX_PER_MM whatever
way it lay. Without one, the largest bright, even, colourless patch is taken for the paper; the picture then
keeps the camera's geometry, and its scale is not known.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.derive.smear.arrays import BoolArray, FloatArray, Matrix, PixelArray, eight_bit
from pipeline.derive.smear.markers import MARKERS_LEAST, find_markers
from pipeline.derive.smear.sheet import (
    MARKER_MM,
    STRIP_MM,
    SheetGeometry,
    page_of_marker,
    sheet_geometry,
)

# Blur of the limit, 0.4 mm, spreads over two and a half such pixels, so no more of them would tell more.
WORK_PX_PER_MM: Final = 3.2
# Without a sheet the picture is brought to this long side.
_PLAIN_LONG_PX: Final = 1200
_PLAIN_PX_PER_MM: Final = 4.0  # where the picture is as long as A4
_MARKER_OFF_MM: Final = 2.0  # a folded sheet never lies quite flat; a stranger's marker lies centimetres off
_MARKER_RMS_MAX: Final = 1.0  # [mm]
# On the small picture in which the paper is looked for.
_CREASE_PX: Final = 8
_CREASE_LONG_PX: Final = 30
_CREASE_APART: Final = 0.2  # of log level: halves catch more or less light; a table differs more
_COMMON_PAPER_MM: Final = 288.0  # between A4 and Letter
_COMMON_FILM_MM: Final = 100.0


@dataclass(frozen=True)
class Sheet:
    """The printed sheet in a photograph.

    to_photo : (3, 3), page [mm] to photograph [px]
    seen : numbers of the markers used
    px_per_mm : at the page's centre, in the photograph as decoded
    """

    geometry: SheetGeometry
    to_photo: Matrix
    seen: tuple[int, ...]
    px_per_mm: float


@dataclass(frozen=True)
class Canvas:
    """The picture that is measured.

    rgb : (H, W, 3), sRGB as photographed, uint8 or uint16
    inside : (H, W), on the sheet or the paper, and in the photograph
    px_per_mm : of this canvas; without a sheet a first guess
    fold_x : [px] where the fold should lie; None where not known
    to_photo : (3, 3), canvas [px] to photograph [px]
    """

    rgb: PixelArray
    inside: BoolArray
    px_per_mm: float
    fold_x: float | None
    to_photo: Matrix
    sheet: Sheet | None


def find_sheet(rgb: PixelArray) -> Sheet | None:
    """The printed sheet, found by three or more of its markers; None if there are fewer.

    rgb : (H, W, 3), any rotation, up to about 30 degrees of tilt, mirrored or not
    """
    grey = cv2.cvtColor(eight_bit(rgb), cv2.COLOR_RGB2GRAY)
    found = find_markers(grey)
    for page in ("a4", "letter"):
        geometry = sheet_geometry(page)
        seen = sorted(n for n in found if page_of_marker(n) == page)
        if len(seen) >= MARKERS_LEAST:
            return _fit(geometry, {n: found[n] for n in seen})
    return None


def _fit(geometry: SheetGeometry, found: dict[int, Matrix]) -> Sheet | None:
    page = np.concatenate([geometry.marker_corners(n) for n in found])
    photo = np.concatenate(list(found.values()))
    to_page, used = cv2.findHomography(photo, page, cv2.RANSAC, _MARKER_OFF_MM)
    if to_page is None or used.sum() < 12:
        return None
    apart = cv2.perspectiveTransform(photo[None], to_page)[0] - page
    good = used.ravel() > 0
    if np.sqrt((apart[good] ** 2).sum(axis=1).mean()) > _MARKER_RMS_MAX:
        return None
    to_photo = np.linalg.inv(to_page)
    whole = [bool(np.all(four)) for four in np.reshape(good, (-1, 4))]
    seen = tuple(n for n, ok in zip(found, whole, strict=True) if ok)
    scale = _scale_at(to_photo, geometry.fold_x, geometry.height / 2)
    return Sheet(geometry=geometry, to_photo=to_photo, seen=seen, px_per_mm=scale)


def _scale_at(to_photo: Matrix, x: float, y: float) -> float:
    """[px/mm] of the photograph at a place on the page: root of the area's magnification."""
    here = np.array([[(x, y), (x + 1, y), (x, y + 1)]], np.float64)
    o, a, b = cv2.perspectiveTransform(here, to_photo)[0]
    return float(np.sqrt(abs(np.cross(np.append(a - o, 0), np.append(b - o, 0))[2])))


def rectify(rgb: PixelArray, sheet: Sheet) -> Canvas:
    """The page seen straight from above, WORK_PX_PER_MM pixels a millimetre."""
    scale = WORK_PX_PER_MM
    size = (round(sheet.geometry.width * scale), round(sheet.geometry.height * scale))
    # Pixel centres: canvas pixel i covers page millimetres i/scale to (i+1)/scale.
    to_page = np.array([[1 / scale, 0, 0.5 / scale], [0, 1 / scale, 0.5 / scale], [0, 0, 1.0]])
    to_photo = sheet.to_photo @ to_page
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    page = np.asarray(cv2.warpPerspective(rgb, to_photo, size, flags=flags))
    inside = np.full(size[::-1], 255, np.uint8)
    corners = np.array([[(x, y) for x in (0, size[0] - 1) for y in (0, size[1] - 1)]], np.float64)
    there = cv2.perspectiveTransform(corners, to_photo)[0]
    # A page whose corners are all in the photograph is in it altogether.
    if (there < 0).any() or (there > (rgb.shape[1] - 1, rgb.shape[0] - 1)).any():
        inside = cv2.warpPerspective(
            np.full(rgb.shape[:2], 255, np.uint8),
            to_photo,
            size,
            flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
        )
    return Canvas(
        rgb=page,
        inside=inside > 0,
        px_per_mm=scale,
        fold_x=sheet.geometry.fold_x * scale - 0.5,
        to_photo=to_photo,
        sheet=sheet,
    )


def printed(shape: tuple[int, int]) -> BoolArray:
    """(H, W) on the rectified page: the two strips that carry print."""
    mask = np.zeros(shape, bool)
    strip = round((STRIP_MM + 1.0) * WORK_PX_PER_MM)
    mask[:strip] = mask[-strip:] = True
    return mask


def plain_canvas(rgb: PixelArray) -> Canvas | None:
    """The picture around a plain white paper, scale unknown; None where nothing looks like paper."""
    shrink = _PLAIN_LONG_PX / max(rgb.shape[:2])
    if shrink < 1:
        size = (round(rgb.shape[1] * shrink), round(rgb.shape[0] * shrink))
        small = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA))
    else:
        shrink, small = 1.0, rgb
    inside = find_paper(small)
    if inside is None:
        return None
    return Canvas(
        rgb=small,
        inside=inside,
        px_per_mm=_PLAIN_PX_PER_MM,
        fold_x=None,
        to_photo=np.diag([1 / shrink, 1 / shrink, 1.0]),
        sheet=None,
    )


def find_paper(rgb: PixelArray) -> BoolArray | None:
    """(H, W) the largest bright, even, colourless patch with all it encloses; None if there is none.

    Edges part the picture into even patches; the paper is the largest of the bright ones. Its convex hull
    takes in the film that lies on it.
    """
    height, width = rgb.shape[:2]
    shrink = 320 / max(height, width)
    size = (max(1, round(width * shrink)), max(1, round(height * shrink)))
    small = cv2.resize(eight_bit(rgb), size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small.astype(np.float32) / 255, (0, 0), 1.0)
    red, green, blue = cv2.split(small)
    brightest = cv2.max(cv2.max(red, green), blue)
    colour = (brightest - cv2.min(cv2.min(red, green), blue)) / np.maximum(brightest, 0.05)
    grey = (red + green + blue) / 3
    slope = np.hypot(cv2.Sobel(grey, -1, 1, 0, scale=1 / 8), cv2.Sobel(grey, -1, 0, 1, scale=1 / 8))
    # A warm lamp makes white paper as yellow as this; wood is redder, and darker.
    even = (slope < 0.012) & (colour < 0.65) & (grey > 0.55 * np.percentile(grey, 98))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(even.astype(np.uint8), connectivity=4)
    best, best_weight = 0, 0.0
    for n in range(1, count):
        if stats[n, cv2.CC_STAT_AREA] < 0.06 * even.size:
            continue
        here = labels == n
        paleness = grey[here].mean() ** 2 * (1 - colour[here].mean())
        weight = float(stats[n, cv2.CC_STAT_AREA] * paleness)
        if weight > best_weight:
            best, best_weight = n, weight
    if best == 0:
        return None
    hull = np.zeros(even.shape, np.uint8)
    cv2.fillConvexPoly(hull, _hull(_across_folds(np.asarray(labels, np.int32), best, grey)), 1)
    return np.asarray(cv2.resize(hull, (width, height), interpolation=cv2.INTER_NEAREST)) > 0


def _across_folds(labels: NDArray[np.int32], first: int, grey: FloatArray) -> BoolArray:
    """(H, W) the patch `first` with those beyond a crease, where the light is nearly the same on both sides.

    labels : (H, W), number of each even patch, 0 between; grey : (H, W)
    """
    paper: BoolArray = np.asarray(labels == first)
    reach = np.ones((2 * _CREASE_PX + 1,) * 2, np.uint8)
    while True:
        near = (cv2.dilate(paper.astype(np.uint8), reach) > 0) & ~paper
        joined = False
        for n in np.unique(labels[near & (labels > 0)]):
            other = np.asarray(labels == n)
            there = near & other
            here = (cv2.dilate(there.astype(np.uint8), reach) > 0) & paper
            apart = abs(float(np.log(grey[there].mean() / grey[here].mean())))
            if there.sum() > _CREASE_LONG_PX and apart < _CREASE_APART:
                paper, joined = paper | other, True
        if not joined:
            return paper


def guess_scale(canvas: Canvas, film_px: float) -> float:
    """[px/mm] of a canvas without a sheet, for relative work alone.

    A paper that is whole in the picture is taken for A4 or Letter; else the film for one of common size.
    film_px : longer side of the film
    """
    inside = canvas.inside
    frame = np.concatenate([inside[0], inside[-1], inside[:, 0], inside[:, -1]])
    if frame.any():
        return film_px / _COMMON_FILM_MM
    _, sides, _ = cv2.minAreaRect(_hull(inside))
    return max(sides) / _COMMON_PAPER_MM


def _hull(mask: BoolArray) -> NDArray[np.int32]:
    """(N, 1, 2) [px] the convex hull of what is True; something must be."""
    outlines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    return np.asarray(cv2.convexHull(np.concatenate(outlines)), np.int32)


def marker_boxes(sheet: Sheet) -> Iterator[tuple[int, int, int, int]]:
    """(left, top, right, bottom) [px] of each marker seen, on the rectified page."""
    for n in sheet.seen:
        left, top, _, _ = sheet.geometry.markers[n]
        x, y, side = (round(v * WORK_PX_PER_MM) for v in (left, top, MARKER_MM))
        yield x, y, x + side, y + side
