"""How evenly is the curing agent spread? Fraction from reflectance, and the variance that both wings share.

The two wings were one film until the sheet was opened, so what is mixing lies in both, mirrored; relief,
gloss, shadow and noise do not. The covariance of one wing with the other's mirror image is therefore the
variance of the mix alone, with nothing to subtract and no threshold.
"""

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray

PAPER_REFLECTANCE: Final = 0.86  # office paper, common practice: 0.82 to 0.90
# Kubelka-Munk K/S of the white base, R 0.90 (common practice): where no curing agent is.
KS_BASE: Final = 0.0055556
_DARKEST: Final = 0.006  # K/S runs away below, where a camera sees only its own black
_BRIGHTEST: Final = 0.97


@dataclass(frozen=True)
class Mixing:
    """The spread of the curing agent's fraction, relative to its mean.

    cov : coefficient of variation [1] of what both wings share
    cov_seen : of one wing as photographed, relief, gloss and noise included [1]
    likeness : correlation of one wing with the other's mirror image, -1 to 1
    segregation : Danckwerts' intensity, 0 even, 1 unmixed
    scale_px, striation_px : linear scale of segregation, width of a striation; None where nothing stands out
    """

    cov: float
    cov_seen: float
    likeness: float
    segregation: float
    scale_px: float | None
    striation_px: float | None


def kubelka_munk(reflectance: FloatArray) -> FloatArray:
    """K/S of an opaque layer, (1 - R)^2 / 2R. Source: Kubelka, Munk, Z. tech. Phys. 12 (1931) 593-601.

    reflectance : any shape, absolute, 0 to 1; held within what a camera can tell from black and from white
    """
    held = np.clip(reflectance, _DARKEST, _BRIGHTEST)
    return np.asarray((1 - held) ** 2 / (2 * held), np.float32)


def relative_fraction(luminance: FloatArray, film: BoolArray) -> FloatArray:
    """Fraction of curing agent over its mean on the film, less 1.

    luminance : (H, W), relative to the paper
    film : (H, W), where the mean is taken
    One constant for all wavelengths and the tint in the curing agent alone, so that K/S less the base's is
    in proportion to the fraction. Source: single-constant Kubelka-Munk mixing; base as KS_BASE.
    """
    tint = kubelka_munk(luminance * PAPER_REFLECTANCE) - KS_BASE
    return np.asarray(tint / tint[film].mean() - 1, np.float32)


def coefficient_of_variation(fraction: FloatArray, noise_var: float = 0.0) -> float:
    """Standard deviation over mean [1]; noise_var is taken off the variance first. fraction : any shape."""
    variance = float(np.var(fraction, dtype=np.float64)) - noise_var
    return float(np.sqrt(max(variance, 0.0)) / np.mean(fraction, dtype=np.float64))


def intensity_of_segregation(cov: float, share: float) -> float:
    """Danckwerts' intensity of segregation, 0 even, 1 unmixed, from the coefficient of variation.

    share : of curing agent by volume [1]
    Source: P. V. Danckwerts, Appl. Sci. Res. A 3 (1952) 279-296: variance over share (1 - share).
    """
    return cov**2 * share / (1 - share)


def shared_variance(wing: FloatArray, mirror: FloatArray, both: BoolArray) -> tuple[float, float, float]:
    """(covariance, variance of the wing, variance of the mirror image) where both are seen.

    wing, mirror : (H, W), relative fraction; both : (H, W)
    """
    a, b = wing[both].astype(np.float64), mirror[both].astype(np.float64)
    a, b = a - a.mean(), b - b.mean()
    return float((a * b).mean()), float((a * a).mean()), float((b * b).mean())


def measure_mixing(wing: FloatArray, mirror: FloatArray, both: BoolArray, share: float) -> Mixing:
    """All of it for a pair of wings. share : of curing agent by volume, for the intensity of segregation."""
    shared, var_a, var_b = shared_variance(wing, mirror, both)
    own = float(np.sqrt(max(var_a * var_b, 1e-16)))
    cov = float(np.sqrt(max(shared, 0.0)))
    scale, striation = (None, None)
    if shared > 0:
        scale, striation = segregation_scale(wing, mirror, both)
    return Mixing(
        cov=cov,
        cov_seen=float(np.sqrt(own)),
        likeness=shared / own,
        segregation=intensity_of_segregation(cov, share),
        scale_px=scale,
        striation_px=striation,
    )


def segregation_scale(
    wing: FloatArray, mirror: FloatArray, both: BoolArray, lag_max_px: int = 160
) -> tuple[float | None, float | None]:
    """(linear scale of segregation, width of a striation) [px], across the striations.

    The scale is the integral of the correlation over distance up to its first zero, in the direction in
    which it falls soonest; a striation is as wide as twice the distance to that zero (exact for stripes and
    for a sine).     Correlating one wing with the other's mirror leaves noise and relief out of it.
    Source: P. V. Danckwerts, Appl. Sci. Res. A 3 (1952) 279-296.
    """
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
