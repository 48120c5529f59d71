"""Where is the fold, to a pixel? And what does each spot of one wing meet on the other?

A film's outline is its own mirror image, so the fold runs through the outline's centre; the angle is the one
at which the film, with the streaks in it, best covers itself when turned over. From there outline and streaks
are registered with their mirror image by a homography, which takes up perspective and a wing that was
dragged. Relief takes no part in it: it is each wing's own, and would pull the map out of true.
"""

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray, Matrix, PixelArray

_COARSE_PX: Final = 80  # long side of the film in the search for the angle
_DRAG_MAX_MM: Final = 25.0  # a tilted camera alone makes this much without a sheet
_CREASE_MM: Final = 1.2
_BENT_MM: Final = 8.0
_BENT_SHARE: Final = 0.25  # of the wing's reach, where that is little
_RELIEF: Final = 2.5  # robust standard deviations that relief hardly reaches
_REGISTER_PX_PER_MM: Final = 1.6
_CAPTURE_MM: Final = 1.5  # streaks that lie this far apart still find each other
_FRINGE_MM: Final = 2.0
_STREAK_WEIGHT: Final = 0.4
_SHADE_WEIGHT: Final = 0.15
_STREAKS_LEAST: Final = 0.005
_APART_DEG: Final = 25.0
_LINES_TRIED: Final = 3
_TIE: Final = 0.03
_SHIFTS: Final = (0.0, -1.8, 1.8, -3.6, 3.6, -5.4, 5.4)
_OUTLINE_MM: Final = 3.0
_FINE_MM: Final = 0.5
_WIDE_MM: Final = 16.0
_ECC_STEPS: Final = 40


@dataclass(frozen=True)
class Fold:
    """The fold and what lies opposite.

    to_mirror : (3, 3), pixel of the film's crop -> the pixel that lay on it before the sheet was opened
    likeness_of_outline : share of the outline's area that the mirrored outline covers too, 0 to 1
    angle, offset : the fold line x cos(angle) + y sin(angle) = offset [rad, px], in the crop
    """

    to_mirror: Matrix
    likeness_of_outline: float
    angle: float
    offset: float

    def moved(self, right: int, down: int) -> "Fold":
        """The same fold on a crop that begins so many pixels farther left and farther up."""
        shift = np.array([[1.0, 0, right], [0, 1.0, down], [0, 0, 1.0]])
        offset = self.offset + right * float(np.cos(self.angle)) + down * float(np.sin(self.angle))
        return replace(self, to_mirror=shift @ self.to_mirror @ np.linalg.inv(shift), offset=offset)


def find_folds(
    shade: FloatArray, mask: BoolArray, px_per_mm: float, fold_x: float | None
) -> tuple[Fold, ...]:
    """The lines that may be a film's fold, the likeliest first: more than one where the film can't tell.

    shade : (H, W), as `markings` gives it
    mask : (H, W), the film in the crop
    fold_x : [px] where the sheet's fold line is printed; None searches all angles
    """
    marked = _beyond_relief(shade, mask)
    # The pale rim tells lines apart; it is in the way of laying streak on streak.
    plain = marked.copy()
    plain[cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 3) < _FRINGE_MM * px_per_mm] = 0
    lines = _search(shade, marked, mask) if fold_x is None else [(0.0, fold_x)]
    # An even mix has no streaks to hold on to, nor has one that is striped all over.
    sparse = (np.abs(plain[mask]) > 0).mean() > _STREAKS_LEAST
    found = []
    for angle, offset in lines:
        start = _reflection(angle, offset)
        maps = [start, *_registered(plain if sparse else shade, mask, start, px_per_mm)]
        found.append(max(maps, key=lambda m: _worth(shade, plain, mask, m)))
    # The film decides only where the outlines tie: relief is alike about a wrong line too, by chance.
    likeness = [_overlap(mask, one) for one in found]
    tied = [one for one, like in zip(found, likeness, strict=True) if like > max(likeness) - _TIE]
    tied.sort(key=lambda m: -_worth(shade, marked, mask, m))
    ys, xs = np.nonzero(mask)
    centre = np.array([xs.mean(), ys.mean()])
    return tuple(Fold(one, _overlap(mask, one), *_line(one, centre)) for one in tied)


def _line(matrix: Matrix, centre: Matrix) -> tuple[float, float]:
    """Angle [rad] and offset [px] of the line that a map near a reflection leaves in place, at `centre`."""
    # What the map does to small steps there.
    x, y = centre
    steps = cv2.perspectiveTransform(np.array([[(x, y), (x + 1, y), (x, y + 1)]]), matrix)[0]
    (a, c), (b, d) = steps[1] - steps[0], steps[2] - steps[0]
    double = np.arctan2(-(b + c), d - a)
    angle = float(double / 2)
    middle = (centre + cv2.perspectiveTransform(centre[None, None], matrix)[0, 0]) / 2
    return angle, float(middle @ (np.cos(angle), np.sin(angle)))


def _worth(shade: FloatArray, plain: FloatArray, mask: BoolArray, matrix: Matrix) -> float:
    """How well a map lays the film on its own mirror image: outline, streaks, and all there is to see."""
    turned = _turn_over(mask.astype(np.float32), matrix, cv2.INTER_NEAREST) > 0.5
    both = mask & turned
    meet = int(both.sum())
    worth = meet / max(1, 2 * int(mask.sum()) - meet)
    if meet < 50:
        return worth
    # A few specks are alike or not by chance: streaks count by how much of the film they take.
    marked = float((plain[both] != 0).mean())
    streaks = _STREAK_WEIGHT * min(1.0, marked / _STREAKS_LEAST)
    for image, weight in ((plain, streaks), (shade, _SHADE_WEIGHT)):
        a, b = image[both], _turn_over(image, matrix, cv2.INTER_LINEAR)[both]
        a, b = a - a.mean(), b - b.mean()
        worth += weight * float(a @ b) / float(np.sqrt(max(float((a @ a) * (b @ b)), 1e-12)))
    return worth


def _beyond_relief(shade: FloatArray, mask: BoolArray) -> FloatArray:
    """(H, W) what stands out of the relief, -1 to 1: streaks are sparse and strong, relief is neither."""
    spread = 1.4826 * float(np.median(np.abs(shade[mask] - np.median(shade[mask]))))
    beyond = np.sign(shade) * np.maximum(np.abs(shade) - _RELIEF * spread, 0)
    return np.asarray(np.clip(beyond, -1, 1), np.float32)


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
    return _turn_over(image, fold.to_mirror, cv2.INTER_LINEAR, cv2.BORDER_REPLICATE)


def one_wing(mask: BoolArray, fold: Fold, px_per_mm: float) -> BoolArray:
    """(H, W) the film on one side of the fold that has film opposite, without the crease.

    Each pair of spots counts once. Beside the crease a spot and its opposite see the same blur and the same
    bend of the paper, which would pass for mixing.
    """
    opposite = _turn_over(mask.astype(np.float32), fold.to_mirror, cv2.INTER_LINEAR) > 0.99
    y, x = np.mgrid[: mask.shape[0], : mask.shape[1]]
    beyond = x * np.cos(fold.angle) + y * np.sin(fold.angle) - fold.offset
    return np.asarray(mask & opposite & (beyond > _CREASE_MM * px_per_mm))


def split_part(both: BoolArray, fold: Fold, px_per_mm: float) -> BoolArray:
    """(H, W) the part of one wing in which the film split in itself.

    Nearer to the fold it only bends when the sheet is opened, so that even its relief is mirrored there. How
    far that reaches is the film's thickness and the paper's stiffness: seen on photographs, no source.
    """
    y, x = np.nonzero(both)
    beyond = x * np.cos(fold.angle) + y * np.sin(fold.angle) - fold.offset
    split = np.zeros_like(both)
    if len(x):
        least = min(_BENT_MM * px_per_mm, _BENT_SHARE * float(np.percentile(beyond, 99)))
        split[y, x] = beyond > least
    return split


def _reflection(angle: float, offset: float) -> Matrix:
    """Reflection about the line x cos(angle) + y sin(angle) = offset."""
    c, s = np.cos(2 * angle), np.sin(2 * angle)
    return np.array([[-c, -s, 2 * offset * np.cos(angle)], [-s, c, 2 * offset * np.sin(angle)], [0, 0, 1]])


def _turn_over(image: FloatArray, matrix: Matrix, how: int, beyond: int = cv2.BORDER_CONSTANT) -> FloatArray:
    size = (image.shape[1], image.shape[0])
    flags = how | cv2.WARP_INVERSE_MAP
    if (matrix[2, :2] == 0).all():
        return np.asarray(cv2.warpAffine(image, matrix[:2], size, flags=flags, borderMode=beyond))
    return np.asarray(cv2.warpPerspective(image, matrix, size, flags=flags, borderMode=beyond))


def _overlap(mask: BoolArray, matrix: Matrix) -> float:
    turned = _turn_over(mask.astype(np.float32), matrix, cv2.INTER_NEAREST) > 0.5
    return float((mask & turned).sum() / max(1, (mask | turned).sum()))


def _search(shade: FloatArray, plain: FloatArray, mask: BoolArray) -> list[tuple[float, float]]:
    """Angle [rad] and offset [px] of the lines that may be the fold, from outline and streaks together.

    The best line and the best of those that run quite another way: coarse, and before the wings are
    registered, a film seen at a tilt may look more like its own mirror image about a wrong one.
    """
    shrink = _COARSE_PX / max(mask.shape)
    size = (round(mask.shape[1] * shrink), round(mask.shape[0] * shrink))
    small = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.5
    flat, streaks = (
        cv2.GaussianBlur(cv2.resize(image, size, interpolation=cv2.INTER_AREA), (0, 0), 1.5)
        for image in (shade, plain)
    )
    # Room around, so that a turned film is not cut off.
    pad = _COARSE_PX // 4
    film, flat, streaks = np.pad(small, pad), np.pad(flat, pad), np.pad(streaks, pad)
    ys, xs = np.nonzero(film)
    centre = np.array([xs.mean(), ys.mean()])

    def worth(angle: float, shift: float) -> float:
        offset = float(centre @ (np.cos(angle), np.sin(angle))) + shift
        return _worth(flat, streaks, film, _reflection(angle, offset))

    # A figure's mirror lines run through its centre, but for what perspective and a ragged rim do to it.
    worths = {(a, s): worth(a, s) for a in np.deg2rad(np.arange(0, 180, 4.0)) for s in _SHIFTS}
    candidates: list[tuple[float, float]] = []
    rest = dict(worths)
    while rest and len(candidates) < _LINES_TRIED:
        best = max(rest, key=lambda t: rest[t])
        candidates.append(best)
        rest = {t: w for t, w in rest.items() if abs(np.sin(t[0] - best[0])) > np.sin(np.deg2rad(_APART_DEG))}
    # Pixel centres: coarse pixel i stands for fine pixels around (i + 0.5) / shrink - 0.5.
    middle = (centre - pad + 0.5) / shrink - 0.5
    lines = []
    for angle, shift in candidates:
        for step in (2.0, 1.0, 0.5):
            near = [
                (angle + np.deg2rad(d), shift + s) for d in (-step, 0, step) for s in (-step / 2, 0, step / 2)
            ]
            angle, shift = max(near, key=lambda t: worth(*t))
        offset = float(middle @ (np.cos(angle), np.sin(angle))) + float(shift) / shrink
        lines.append((float(angle), offset))
    return lines


def _registered(plain: FloatArray, mask: BoolArray, start: Matrix, px_per_mm: float) -> list[Matrix]:
    """Homographies near `start` that lay outline, then streaks on their own mirror image, as far as found."""
    shrink = min(1.0, _REGISTER_PX_PER_MM / px_per_mm)
    size = (round(mask.shape[1] * shrink), round(mask.shape[0] * shrink))
    room = round(2 * _OUTLINE_MM * shrink * px_per_mm)
    inner = np.pad(cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST), room)
    depth = cv2.distanceTransform(inner, cv2.DIST_L2, 5) - cv2.distanceTransform(1 - inner, cv2.DIST_L2, 5)
    reach = _OUTLINE_MM * shrink * px_per_mm
    outline = np.clip(depth, -reach, reach).astype(np.float32)
    streaks = np.pad(cv2.resize(plain, size, interpolation=cv2.INTER_AREA), room)
    # Pixel centres: small pixel i stands for pixels around (i + 0.5) / shrink - 0.5.
    aside = 0.5 * shrink - 0.5 + room
    scaling = np.array([[shrink, 0, aside], [0, shrink, aside], [0, 0, 1.0]])
    matrix = scaling @ start @ np.linalg.inv(scaling)
    ys, xs = np.nonzero(mask)
    corners = np.array([[(x, y) for x in (xs.min(), xs.max()) for y in (ys.min(), ys.max())]], np.float64)
    coarse = cv2.GaussianBlur(streaks, (0, 0), _CAPTURE_MM * shrink * px_per_mm)
    first = _aligned(outline, matrix, np.ones_like(inner))
    film = inner > 0
    starts = [matrix] if first is None else [matrix, first]
    begin = max(starts, key=lambda m: _worth(streaks, streaks, film, m))
    near = _aligned(coarse, begin, inner)
    found = [first, _aligned(streaks, begin if near is None else near, inner)]
    maps = [np.linalg.inv(scaling) @ one @ scaling for one in found if one is not None]
    # Beyond that it has hold of something else.
    there = cv2.perspectiveTransform(corners, start)
    reach = _DRAG_MAX_MM * px_per_mm
    return [m / m[2, 2] for m in maps if np.abs(cv2.perspectiveTransform(corners, m) - there).max() <= reach]


def _aligned(picture: FloatArray, start: Matrix, where: PixelArray) -> Matrix | None:
    """The homography near `start` under which a picture is most like itself; None where nothing holds it.

    Source: G. D. Evangelidis, E. Z. Psarakis, IEEE TPAMI 30(10), 2008, 1858-1865 (enhanced correlation).
    """
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, _ECC_STEPS, 1e-5)
    try:
        _, fitted = cv2.findTransformECC(
            picture, picture, start.astype(np.float32), cv2.MOTION_HOMOGRAPHY, stop, where, 3
        )
    except cv2.error:
        return None
    return np.asarray(fitted, np.float64)
