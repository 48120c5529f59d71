"""How well does a map lay a film on its own mirror image? By outline, by streaks, by all there is to see."""

from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray, Matrix

STREAKS_LEAST: Final = 0.005  # share of the film that streaks take, from which they count in full
_STREAK_WEIGHT: Final = 0.4
_SHADE_WEIGHT: Final = 0.15
_MEET_LEAST: Final = 50


class Likeness:
    """A film that maps are tried on.

    film : (H, W), where it is; shade : (H, W) its markings; streaks : (H, W) what stands out of its relief
    spots : of the film's pixels, how many are looked at
    """

    def __init__(self, film: BoolArray, shade: FloatArray, streaks: FloatArray, spots: int = 5_000) -> None:
        ys, xs = np.nonzero(film)
        self.centre = np.array([xs.mean(), ys.mean()])
        every = max(1, len(xs) // spots)
        self._area = len(xs[::every])
        self._layers = cv2.merge([film.astype(np.float32), shade, streaks])
        self._spots = np.stack([xs, ys, np.ones_like(xs)])[:, ::every].astype(np.float32)
        self._seen = [image[film][::every] for image in (streaks, shade)]

    def overlap(self, maps: Matrix) -> FloatArray:
        """(N,) share of both outlines together that both cover. maps : (N, 3, 3), pixel to pixel."""
        meet = self._met(self._turned(maps)).sum(axis=1)
        return np.asarray(meet / (2 * self._area - meet))

    def worth(self, maps: Matrix) -> FloatArray:
        """(N,), the higher the better. maps : (N, 3, 3), pixel to pixel."""
        there = self._turned(maps)
        met = self._met(there)
        meet = met.sum(axis=1)
        worth = meet / (2 * self._area - meet)
        # A few specks are alike or not by chance: streaks count by how much of the film they take.
        marked = met @ (self._seen[0] != 0).astype(np.float32) / np.maximum(meet, 1)
        weights = _STREAK_WEIGHT * np.minimum(1.0, marked / STREAKS_LEAST), _SHADE_WEIGHT
        for seen, n, weight in zip(self._seen, (2, 1), weights, strict=True):
            alike = _correlation(seen, there[..., n], met, np.maximum(meet, 1))
            worth = worth + np.where(meet < _MEET_LEAST, 0, weight * alike)
        return np.asarray(worth)

    def alike(self, maps: Matrix) -> FloatArray:
        """(N,) correlation of the shade with what lies opposite, -1 to 1. maps : (N, 3, 3)"""
        there = self._turned(maps)
        met = self._met(there)
        meet = met.sum(axis=1)
        alike = _correlation(self._seen[1], there[..., 1], met, np.maximum(meet, 1))
        return np.where(meet < _MEET_LEAST, 0, alike)

    def _turned(self, maps: Matrix) -> FloatArray:
        """(N, P, 3) film, shade and streaks opposite each spot."""
        x, y, depth = np.moveaxis(maps.astype(np.float32) @ self._spots, 1, 0)
        return np.asarray(cv2.remap(self._layers, x / depth, y / depth, cv2.INTER_LINEAR))

    @staticmethod
    def _met(there: FloatArray) -> FloatArray:
        return np.asarray(there[..., 0] > 0.5, np.float32)


def _correlation(a: FloatArray, b: FloatArray, weight: FloatArray, total: FloatArray) -> FloatArray:
    """(N,) correlation of a : (P,) with each of b : (N, P), where weight : (N, P) is one"""
    b = b * weight
    mean_a, mean_b = weight @ a / total, b.sum(axis=1) / total
    cross = b @ a / total - mean_a * mean_b
    power_a = weight @ (a * a) / total - mean_a**2
    power_b = np.einsum("np,np->n", b, b) / total - mean_b**2
    return np.asarray(cross / np.sqrt(np.maximum(power_a * power_b, 1e-16)))
