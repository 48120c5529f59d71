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

from pipeline.derive.smear.arrays import BoolArray, FloatArray, Matrix
from pipeline.derive.smear.foldline import likely_lines, reflections, waists
from pipeline.derive.smear.likeness import STREAKS_LEAST, Likeness
from pipeline.derive.smear.register import Picture, aligned

_DRAG_MAX_MM: Final = 25.0  # a tilted camera alone makes this much without a sheet
_CREASE_MM: Final = 1.2
_RELIEF: Final = 2.5  # robust standard deviations that relief hardly reaches
_REGISTER_PX_PER_MM: Final = 1.6
_CAPTURE_MM: Final = 1.5  # streaks that lie this far apart still find each other
_FRINGE_MM: Final = 2.0
_TIE: Final = 0.03
_BY_STREAKS: Final = 0.02  # of likeness that laying streak on streak may cost or gain
_WAIST: Final = 0.15  # of likeness, where the wings hardly meet
_BY_MARKINGS: Final = 0.5  # of likeness, where all that is seen in a film is alike
_OUTLINE_MM: Final = 3.0
_FINE_MM: Final = 0.5
_WIDE_MM: Final = 16.0


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

    def beyond(self, shape: tuple[int, ...]) -> FloatArray:
        """(H, W) [px] how far each pixel of a crop lies from the fold, negative on one side."""
        y, x = np.mgrid[: shape[0], : shape[1]]
        return np.asarray(x * np.cos(self.angle) + y * np.sin(self.angle) - self.offset)

    def moved(self, right: int, down: int) -> "Fold":
        """The same fold on a crop that begins so many pixels farther left and farther up."""
        shift = np.array([[1.0, 0, right], [0, 1.0, down], [0, 0, 1.0]])
        offset = self.offset + right * float(np.cos(self.angle)) + down * float(np.sin(self.angle))
        return replace(self, to_mirror=shift @ self.to_mirror @ np.linalg.inv(shift), offset=offset)


def find_folds(
    shade: FloatArray, mask: BoolArray, px_per_mm: float, known: Matrix | None
) -> tuple[Fold, ...]:
    """The lines that may be a film's fold, the likeliest first: more than one where the film can't tell.

    shade : (H, W), as `markings` gives it
    mask : (H, W), the film in the crop
    known : (2,) angle [rad] and offset [px] of the fold line, printed or creased; None searches all angles
    """
    marked = _beyond_relief(shade, mask)
    # The pale rim tells lines apart; it is in the way of laying streak on streak.
    plain = marked.copy()
    plain[cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 3) < _FRINGE_MM * px_per_mm] = 0
    lines = likely_lines(shade, marked, mask) if known is None else known[None]
    wings = _Wings(shade, plain, mask, px_per_mm)
    waisted = _WAIST * waists(mask, lines)
    found, kept = wings.registered(reflections(lines), waisted)
    # The film decides only where the outlines tie: relief is alike about a wrong line too, by chance.
    likeness = np.array([_overlap(mask, one) for one in found])
    shape = likeness + waisted[kept]
    tied = np.flatnonzero(shape > shape.max() - _TIE).tolist()
    if len(tied) > 1:
        worths = _Markings(shade, mask, px_per_mm).worth(np.stack(found)) + waisted[kept]
        tied.sort(key=lambda n: -worths[n])
    ys, xs = np.nonzero(mask)
    centre = np.array([xs.mean(), ys.mean()])
    return tuple(Fold(found[n], float(likeness[n]), *_line(found[n], centre)) for n in tied)


class _Markings:
    """A film that maps are judged on: by its outline, and by what is seen inside it.

    Without the rim, which is alike about any line, and without the shade beside a rim that fades into the
    paper. The relief of one wing is not that of the other, so an even film is judged by its outline alone.
    """

    def __init__(self, shade: FloatArray, mask: BoolArray, px_per_mm: float) -> None:
        """shade : (H, W), as `markings` gives it; mask : (H, W), the film"""
        depth = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 3)
        inner = depth >= min(_FRINGE_MM * px_per_mm, float(depth.max()) / 2)
        weight = inner.astype(np.float32)
        side = 2 * round(_WIDE_MM * px_per_mm / 2) + 1
        around = cv2.blur(shade * weight, (side, side)) / np.maximum(cv2.blur(weight, (side, side)), 0.02)
        marks = np.where(inner, shade - around, 0).astype(np.float32)
        self._film, self._inner = Likeness(mask, shade, shade), Likeness(inner, marks, marks)

    def overlap(self, maps: Matrix) -> FloatArray:
        """(N,) share of both outlines together that both cover. maps : (N, 3, 3), pixel to pixel."""
        return self._film.overlap(maps)

    def worth(self, maps: Matrix) -> FloatArray:
        """(N,), the higher the better. maps : (N, 3, 3), pixel to pixel."""
        return self.overlap(maps) + _BY_MARKINGS * self._inner.alike(maps)


class _Wings:
    """A film made small, to be laid on its own mirror image again and again."""

    def __init__(self, shade: FloatArray, plain: FloatArray, mask: BoolArray, px_per_mm: float) -> None:
        """shade, plain : (H, W) all markings, and those that stand out of the relief; mask : (H, W)"""
        shrink = min(1.0, _REGISTER_PX_PER_MM / px_per_mm)
        scale = shrink * px_per_mm
        size = (round(mask.shape[1] * shrink), round(mask.shape[0] * shrink))
        reach = _OUTLINE_MM * scale
        room = round(2 * reach)
        inner = np.pad(cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST), room)
        depth = cv2.distanceTransform(inner, cv2.DIST_L2, 5) - cv2.distanceTransform(
            1 - inner, cv2.DIST_L2, 5
        )
        small, streaks = (
            np.pad(cv2.resize(image, size, interpolation=cv2.INTER_AREA), room) for image in (shade, plain)
        )
        film = inner > 0
        # An even mix has no streaks to hold on to, nor has one that is striped all over.
        held = streaks if (np.abs(plain[mask]) > 0).mean() > STREAKS_LEAST else small
        self._outline = Picture(np.clip(depth, -reach, reach).astype(np.float32), np.ones_like(film))
        self._coarse = Picture(cv2.GaussianBlur(held, (0, 0), _CAPTURE_MM * scale), film)
        self._fine = Picture(held, film)
        self._held, self._all = Likeness(film, held, held), _Markings(small, film, scale)
        # Pixel centres: small pixel i stands for pixels around (i + 0.5) / shrink - 0.5.
        aside = 0.5 * shrink - 0.5 + room
        self._scaling = np.array([[shrink, 0, aside], [0, shrink, aside], [0, 0, 1.0]])
        left, top, wide, tall = cv2.boundingRect(inner)
        self._corners = np.array(
            [[(x, y) for x in (left, left + wide) for y in (top, top + tall)]], np.float64
        )
        self._drag = _DRAG_MAX_MM * scale

    def registered(self, lines: Matrix, favour: FloatArray) -> tuple[list[Matrix], list[int]]:
        """The homographies near reflections that lay outline and streaks on themselves best, and whose.

        lines : (N, 3, 3) reflections; those about which even the outline is far less like itself are left out
        favour : (N,), what else speaks for a line, in the outline's likeness
        """
        starts = self._scaling @ lines @ np.linalg.inv(self._scaling)
        outlines = [aligned([self._outline], start) for start in starts]
        begins = [_best(self._held, [*pair]) for pair in zip(starts, outlines, strict=True)]
        likeness = self._all.overlap(np.stack(begins)) + favour
        kept = np.flatnonzero(likeness > likeness.max() - _TIE - _BY_STREAKS).tolist()
        return [self._by_streaks(starts[n], outlines[n], begins[n]) for n in kept], kept

    def _by_streaks(self, start: Matrix, outline: Matrix | None, begin: Matrix) -> Matrix:
        near = aligned([self._outline, self._coarse], begin)
        fine = aligned([self._outline, self._fine], begin if near is None else near)
        there = cv2.perspectiveTransform(self._corners, start)
        # Beyond the reach of a drag it has hold of something else.
        held = [
            one
            for one in (outline, fine)
            if one is not None
            and np.abs(cv2.perspectiveTransform(self._corners, one) - there).max() <= self._drag
        ]
        best = np.linalg.inv(self._scaling) @ _best(self._all, [start, *held]) @ self._scaling
        return np.asarray(best / best[2, 2])


def _best(like: "Likeness | _Markings", maps: list[Matrix | None]) -> Matrix:
    some = np.stack([one for one in maps if one is not None])
    return np.asarray(some[np.argmax(like.worth(some))])


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
    return np.asarray(mask & opposite & (fold.beyond(mask.shape) > _CREASE_MM * px_per_mm))


def _turn_over(image: FloatArray, matrix: Matrix, how: int, beyond: int = cv2.BORDER_CONSTANT) -> FloatArray:
    size = (image.shape[1], image.shape[0])
    flags = how | cv2.WARP_INVERSE_MAP
    if (matrix[2, :2] == 0).all():
        return np.asarray(cv2.warpAffine(image, matrix[:2], size, flags=flags, borderMode=beyond))
    return np.asarray(cv2.warpPerspective(image, matrix, size, flags=flags, borderMode=beyond))


def _overlap(mask: BoolArray, matrix: Matrix) -> float:
    turned = _turn_over(mask.astype(np.float32), matrix, cv2.INTER_NEAREST) > 0.5
    return float((mask & turned).sum() / max(1, (mask | turned).sum()))
