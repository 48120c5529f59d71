"""How wide is a striation? The scale of segregation, from how far two wings' shades stay alike."""

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray


def segregation_scale(
    wing: FloatArray, mirror: FloatArray, both: BoolArray, lag_max_px: int = 160
) -> tuple[float | None, float | None]:
    """(linear scale of segregation, width of a striation) [px], across the striations.

    The scale is the integral of the correlation over distance up to its first zero, in the direction in
    which it falls soonest; a striation is as wide as twice the distance to that zero (exact for stripes and
    for a sine). Correlating one wing with the other's mirror leaves noise and relief out of it.
    Source: P. V. Danckwerts, Appl. Sci. Res. A 3 (1952) 279-296.
    """
    left, top, wide, tall = cv2.boundingRect(both.astype(np.uint8))
    box = np.s_[top : top + tall, left : left + wide]
    wing, mirror, both = wing[box], mirror[box], both[box]
    weight = both.astype(np.float32)
    a = np.where(both, wing - wing[both].mean(), 0).astype(np.float32)
    b = np.where(both, mirror - mirror[both].mean(), 0).astype(np.float32)
    lag = min(lag_max_px, min(both.shape) - 1)
    size = tuple(cv2.getOptimalDFTSize(side + lag) for side in both.shape)
    fa, fb, fw = (np.fft.rfft2(x, size) for x in (a, b, weight))
    products = np.fft.irfft2(fa * np.conj(fb), size)
    pairs = np.fft.irfft2(fw * np.conj(fw), size)
    if products[0, 0] <= 0:
        return None, None
    correlation = np.where(pairs > 0.2 * pairs[0, 0], products / np.maximum(pairs, 1), 0)
    correlation = np.fft.fftshift((correlation + _turned(correlation)) / 2 / correlation[0, 0])
    middle = (size[0] // 2, size[1] // 2)
    reach = np.arange(0, lag, 0.5, dtype=np.float32)
    best: tuple[float, float] | None = None
    for angle in np.deg2rad(np.arange(0, 180, 7.5)):
        xs = (middle[1] + reach * np.cos(angle)).astype(np.float32)[None]
        ys = (middle[0] + reach * np.sin(angle)).astype(np.float32)[None]
        line = cv2.remap(correlation.astype(np.float32), xs, ys, cv2.INTER_LINEAR)[0]
        below = np.flatnonzero(line <= 0)
        if len(below) == 0:
            continue
        n = int(below[0])
        # Where the line crosses zero between two samples.
        part = float(line[n - 1] / (line[n - 1] - line[n]))
        zero = float(reach[n - 1]) + 0.5 * part
        integral = float(np.trapezoid(line[:n], reach[:n])) + 0.25 * float(line[n - 1]) * part
        if best is None or zero < best[1]:
            best = (integral, zero)
    return (best[0], 2 * best[1]) if best else (None, None)


def _turned(correlation: FloatArray) -> FloatArray:
    """The correlation at the opposite lags, so that which wing came first does not matter."""
    return np.roll(correlation[::-1, ::-1], (1, 1), axis=(0, 1))
