"""How must a picture be bent to lie on its own mirror image? The homography near a first guess.

Inverse-compositional steps: what a step needs of the picture that stays is worked out once, and only where
that picture has a slope, for an even spot says nothing of where it belongs. Steps are damped, and one that
makes the pictures less alike is taken back, so it settles where plain Gauss-Newton swings to and fro.
Source: S. Baker, I. Matthews, IJCV 56(3), 2004, 221-255;
D. Marquardt, J. SIAM 11 (1963) 431-441 (damping).
"""

from typing import Final, NamedTuple

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray, Matrix

_STEPS: Final = 30
_SETTLED_PX: Final = 0.05
_EVEN: Final = 0.01  # of the steepest slope: below, a spot says nothing
_SPOTS: Final = 6_000  # at most; no more are needed for eight terms
_SPOTS_LEAST: Final = 60
_DAMPING: Final = (1e-6, 1e-3, 1e4)  # least, at first, and where there is no way up any more


class _Fit(NamedTuple):
    """How alike under one map, and where the next step goes. square : (8, 8); target : (8,)"""

    like: float
    square: Matrix
    target: Matrix


class Picture:
    """A picture that shall lie on itself when turned over.

    image : (H, W) float32; where : (H, W), the part of it that says anything
    scale : of the coordinates in which steps are taken, from -1 to 1, so that all eight terms weigh alike
    """

    def __init__(self, image: FloatArray, where: BoolArray) -> None:
        self._image = cv2.GaussianBlur(image, (3, 3), 0)
        self._where = where.astype(np.float32)
        gx, gy = (cv2.Sobel(self._image, cv2.CV_32F, *d, scale=1 / 8) for d in ((1, 0), (0, 1)))
        slope = np.abs(gx) + np.abs(gy)
        at = np.flatnonzero(slope > _EVEN * float(slope.max()))
        at = at[:: 1 + len(at) // _SPOTS]
        height, width = image.shape
        self.scale = 2 / max(height, width)
        self._middle = np.array([[1, 0, width / 2], [0, 1, height / 2], [0, 0, 1.0]]) @ np.diag(
            [1 / self.scale, 1 / self.scale, 1.0]
        )
        x = ((at % width) * self.scale - self.scale * width / 2).astype(np.float32)
        y = ((at // width) * self.scale - self.scale * height / 2).astype(np.float32)
        gx, gy = gx.ravel()[at] / self.scale, gy.ravel()[at] / self.scale
        self._wanted = self._image.ravel()[at]
        self._spots = np.stack([x, y, np.ones_like(x)])
        bend = gx * x + gy * y
        self._terms = np.stack([gx * x, gx * y, gx, gy * x, gy * y, gy, -bend * x, -bend * y])

    def to_unit(self, matrix: Matrix) -> Matrix:
        return np.asarray(np.linalg.inv(self._middle) @ matrix @ self._middle)

    def from_unit(self, matrix: Matrix) -> Matrix:
        return np.asarray(self._middle @ matrix @ np.linalg.inv(self._middle))

    def fit(self, matrix: Matrix) -> _Fit | None:
        """matrix : (3, 3), in unit coordinates; None where too little falls on the picture."""
        x, y, depth = (self._middle @ matrix).astype(np.float32) @ self._spots
        if len(depth) < _SPOTS_LEAST or (depth <= 0).any():
            return None
        x, y = x / depth, y / depth
        counts = cv2.remap(self._where, x, y, cv2.INTER_NEAREST).ravel()
        total = float(counts.sum())
        if total < _SPOTS_LEAST:
            return None
        here = cv2.remap(self._image, x, y, cv2.INTER_LINEAR).ravel()
        a, b = ((one - float(one @ counts) / total) * counts for one in (self._wanted, here))
        aa, bb, ab = float(a @ a), float(b @ b), float(a @ b)
        if ab <= 0:
            return None
        terms = self._terms * counts
        # Over the picture's own power, so that pictures of different units may be added.
        return _Fit(ab / np.sqrt(aa * bb), terms @ terms.T / aa, terms @ (b * (aa / ab) - a) / aa)


def aligned(pictures: list[Picture], start: Matrix) -> Matrix | None:
    """(3, 3), pixel to pixel, under which the pictures together are most like themselves; None if none is.

    pictures : of one size; start : (3, 3), the first guess
    Alike is the correlation coefficient over spots that have a slope.
    """
    first = pictures[0]
    matrix = first.to_unit(start)

    def fit(at: Matrix) -> _Fit | None:
        fits = [one for picture in pictures if (one := picture.fit(at)) is not None]
        if len(fits) < len(pictures):
            return None
        return _Fit(*(sum(parts) for parts in zip(*fits, strict=True)))

    now = fit(matrix)
    if now is None:
        return None
    least, damping, last = _DAMPING
    for _ in range(_STEPS):
        diagonal = np.diag(np.diag(now.square) + 1e-9)
        step = np.linalg.solve(now.square + damping * diagonal, now.target)
        tried = matrix @ np.linalg.inv(np.append(step, 0.0).reshape(3, 3) + np.eye(3))
        new = fit(tried)
        better = new is not None and new.like >= now.like
        if new is not None and better:
            matrix, now = tried, new
        damping = max(damping / 10, least) if better else 10 * damping
        if damping > last or np.abs(step).max() < _SETTLED_PX * first.scale:
            break
    return first.from_unit(matrix)
