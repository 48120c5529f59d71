"""Which streaks run through the film? Ridges that both wings show, with length, width and contrast.

A ridge is a line along which the shade bends sharply across and hardly along: the larger eigenvalue of the
second derivatives, at several widths. Only what both wings show at mirrored places, with
the same sign, counts.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray

_WIDTHS_MM: Final = (0.5, 1.0, 2.0, 4.0)
_FAINTEST: Final = 0.03  # contrast in relative fraction below which no ridge is followed
_CHANCE_PCT: Final = 99.0
_RINGING: Final = 0.6
_BESIDE_MM: Final = 3.0
_OWN_SHARE: Final = 0.4  # of its strongest part, where a streak is taken to end
_AREA_LEAST_MM2: Final = 2.0
_OFF_MM: Final = 0.8
_SLENDER: Final = 3.0  # a streak is at least this many times as long as wide


@dataclass(frozen=True)
class Streak:
    """One streak on the crop.

    length : [px]
    contrast : of the curing agent's fraction against its surroundings [1], negative: base
    part : (h, w), where it is; at : (x, y) [px] of that part's corner on `fraction`
    fraction : (H, W), relative, the mean of both wings; corner : (x, y) [px] of its own on the crop

    Of a striped film's many streaks few are measured and drawn: width and outline wait for who asks.
    """

    length: float
    contrast: float
    part: BoolArray
    at: tuple[int, int]
    fraction: FloatArray
    corner: tuple[int, int]
    px_per_mm: float

    @cached_property
    def width(self) -> float:
        """[px] at half the contrast."""
        return _half_width_area(self.part, self.fraction, self.at, self.px_per_mm) / self.length

    @cached_property
    def outline(self) -> FloatArray:
        """(N, 2) [px] on the crop, a line around it that leaves it free."""
        corner = np.array(self.at) + np.array(self.corner)
        return np.asarray(_around(self.part, self.px_per_mm) + corner, np.float32)


def find_streaks(wing: FloatArray, mirror: FloatArray, both: BoolArray, px_per_mm: float) -> list[Streak]:
    """Streaks of both wings, the plainest first. wing, mirror : (H, W) relative fraction; both : (H, W)."""
    ys, xs = np.nonzero(both)
    if len(ys) == 0:
        return []
    left, top = int(xs.min()), int(ys.min())
    part = np.s_[top : int(ys.max()) + 1, left : int(xs.max()) + 1]
    seen = both[part]
    a = np.where(seen, wing[part], 0).astype(np.float32)
    b = np.where(seen, mirror[part], 0).astype(np.float32)
    shared, chance = np.zeros(seen.shape, np.float32), np.zeros(seen.shape, np.float32)
    for width in _WIDTHS_MM:
        ra, rb = (_ridge(x, width / 2 * px_per_mm / 1.2) for x in (a, b))
        lesser = np.minimum(np.abs(ra), np.abs(rb))
        common = np.where(ra * rb > 0, np.sign(ra) * lesser, 0)
        chance = np.maximum(chance, np.where(ra * rb < 0, lesser, 0))
        shared = np.where(np.abs(common) > np.abs(shared), common, shared).astype(np.float32)
    rim = cv2.erode(seen.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=round(px_per_mm / 2))
    shared[rim == 0] = 0
    # Relief that happens to meet its opposite agrees in sign no oftener than it disagrees.
    faintest = _FAINTEST
    if rim.any():
        faintest = max(_FAINTEST, float(np.percentile(chance[rim > 0], _CHANCE_PCT)))
    streaks: list[Streak] = []
    reach = np.ones((2 * round(_BESIDE_MM * px_per_mm) + 1,) * 2, np.uint8)
    for sign in (-1, 1):
        # Beside a strong ridge the filter rings with the other sign.
        beside = cv2.dilate(np.maximum(-sign * shared, 0), reach)
        own = np.where(sign * shared > _RINGING * beside, sign * shared, 0).astype(np.float32)
        streaks += _followed(own, sign, faintest, px_per_mm, (left, top), (a + b) / 2)
    # Long and faint is what the filter rings beside a strong one: length times contrast is what the eye sees.
    return sorted(streaks, key=lambda streak: -streak.length * abs(streak.contrast))


def _ridge(image: FloatArray, sigma: float) -> FloatArray:
    """Contrast of a ridge of half-width about sigma at each pixel [as the image], positive where it is dark.

    Scaled by sigma squared so that widths compare. Source: T. Lindeberg, IJCV 30(2), 1998, 117-154.
    """
    smooth = cv2.GaussianBlur(image, (0, 0), sigma)
    xx = cv2.Sobel(smooth, cv2.CV_32F, 2, 0, scale=0.25)
    yy = cv2.Sobel(smooth, cv2.CV_32F, 0, 2, scale=0.25)
    xy = cv2.Sobel(smooth, cv2.CV_32F, 1, 1, scale=0.25)
    # A blob bends both ways: what it bends along is taken off. Of the two eigenvalues' sizes, half their sum
    # and half their difference, twice the lesser is left, with the sum's sign.
    apart = cv2.magnitude(xx - yy, 2 * xy)
    strength = np.clip(xx + yy, -apart, apart)
    # A Gaussian ridge of the kernel's own width keeps 1/sqrt(8) of its height in sigma^2 times its bend.
    return np.asarray(-strength * sigma**2 * np.sqrt(8), np.float32)


def _followed(
    shared: FloatArray,
    sign: int,
    faintest: float,
    px_per_mm: float,
    corner: tuple[int, int],
    fraction: FloatArray,
) -> list[Streak]:
    least = _AREA_LEAST_MM2 * px_per_mm**2
    count, labels, stats, _ = cv2.connectedComponentsWithStats((shared > faintest).astype(np.uint8))
    streaks = []
    for n in range(1, count):
        if stats[n, cv2.CC_STAT_AREA] < least:
            continue
        x, y, w, h = (int(v) for v in stats[n, :4])
        patch = np.where(labels[y : y + h, x : x + w] == n, shared[y : y + h, x : x + w], 0)
        strong = patch > _OWN_SHARE * np.percentile(patch[patch > 0], 97)
        points = np.argwhere(strong)[:, ::-1].astype(np.float32)
        if len(points) < least / 2:
            continue
        spread = points - points.mean(axis=0)
        along = spread @ np.linalg.eigh(spread.T @ spread)[1][:, 1]
        length = float(np.ptp(along)) + 1
        if length < _SLENDER * len(points) / length:
            continue
        streaks.append(
            Streak(
                length=length,
                contrast=sign * float(np.median(patch[strong])),
                part=strong,
                at=(x, y),
                fraction=fraction,
                corner=corner,
                px_per_mm=px_per_mm,
            )
        )
    return streaks


def _half_width_area(streak: BoolArray, fraction: FloatArray, at: tuple[int, int], px_per_mm: float) -> float:
    """[px2] of what stands out at least half as far as the streak itself. streak : (h, w), at (x, y)."""
    off = round(_BESIDE_MM * px_per_mm)
    left, top = max(0, at[0] - off), max(0, at[1] - off)
    part = fraction[top : at[1] + streak.shape[0] + off, left : at[0] + streak.shape[1] + off]
    inner = np.zeros(part.shape, np.uint8)
    inner[at[1] - top :, at[0] - left :][: streak.shape[0], : streak.shape[1]] = streak
    away = cv2.distanceTransform(1 - inner, cv2.DIST_L2, 3)
    near = away <= off
    beside = near & (away > off / 2)
    ground = float(np.median(part[beside if beside.any() else near]))
    height = float(np.median(part[inner > 0])) - ground
    return float((near & ((part - ground) * np.sign(height) > abs(height) / 2)).sum())


def _around(streak: BoolArray, px_per_mm: float) -> FloatArray:
    """(N, 2) [px] the outer line around a streak, a little way off. streak : (H, W)."""
    off = max(2, round(_OFF_MM * px_per_mm))
    room = np.pad(streak.astype(np.uint8), off + 1)
    grown = cv2.dilate(room, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * off + 1,) * 2))
    lines, _ = cv2.findContours(grown, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    longest = max(lines, key=len)[:, 0]
    return np.asarray(longest - (off + 1), np.float32)
