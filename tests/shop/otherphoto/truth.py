"""What was the mix really?

From the fraction that was drawn, averaged to TRUTH_PX_PER_MM, never from the picture.
"""

import cv2
import numpy as np

from tests.shop.otherphoto import PX_PER_MM, TRUTH_PX_PER_MM, FloatArray

GOOD_BELOW, BAD_FROM = 0.03, 0.06  # CoV; the limit by default is 0.05. Between the two nobody is blamed
THIN = 0.04  # [mm] thinner film than this is an edge, and not counted


def mixing(fraction: FloatArray, thickness: FloatArray) -> dict[str, float | None]:
    """CoV, Danckwerts' intensity and striation width [mm] over the film, both wings, by area.

    fraction : (H, W) curing agent by volume; thickness : (H, W) [mm], both at PX_PER_MM
    cov and segregation are None for a film without curing agent; striation_mm is None where nothing varies.
    """
    film = (thickness > THIN).astype(np.float32)
    step = int(PX_PER_MM / TRUTH_PX_PER_MM)
    size = (film.shape[1] // step, film.shape[0] // step)
    cover = cv2.resize(film, size, interpolation=cv2.INTER_AREA)
    mean_in_cell = cv2.resize(fraction * film, size, interpolation=cv2.INTER_AREA) / np.maximum(cover, 1e-6)
    inside = cover > 0.5
    values = mean_in_cell[inside].astype(np.float64)
    if len(values) == 0 or values.mean() < 1e-4:
        return {"cov": None, "segregation": None, "striation_mm": None, "mean_fraction": 0.0}
    mean, variance = values.mean(), values.var()
    return {
        "cov": float(np.sqrt(variance) / mean),
        "segregation": float(variance / (mean * (1 - mean))),
        "striation_mm": striation_width(np.where(inside, mean_in_cell - mean, 0.0), inside) / TRUTH_PX_PER_MM,
        "mean_fraction": float(mean),
    }


def striation_width(off_mean: FloatArray, inside: np.ndarray) -> float:
    """[px] twice the shortest lag at which the correlation falls to 0: one stripe's width, if even."""
    height, width = off_mean.shape
    shape = (cv2.getOptimalDFTSize(2 * height), cv2.getOptimalDFTSize(2 * width))
    covariance = np.fft.irfft2(np.abs(np.fft.rfft2(off_mean, shape)) ** 2, shape)
    pairs = np.fft.irfft2(np.abs(np.fft.rfft2(inside.astype(np.float64), shape)) ** 2, shape)
    lag = np.arange(0, min(height, width) // 2, 0.5)
    shortest = float(lag[-1])
    for angle in np.arange(12) * np.pi / 12:
        at = (
            np.round(lag * np.sin(angle)).astype(int) % shape[0],
            np.round(lag * np.cos(angle)).astype(int) % shape[1],
        )
        correlation = covariance[at] / np.maximum(pairs[at], 1)
        below = np.flatnonzero(correlation <= 0)
        shortest = min(shortest, float(lag[below[0]])) if len(below) else shortest
    return 2 * shortest


def verdict_of(cov: float | None) -> str:
    """good, borderline or bad. A film without curing agent (no CoV) is bad."""
    if cov is None or cov >= BAD_FROM:
        return "bad"
    return "good" if cov < GOOD_BELOW else "borderline"
