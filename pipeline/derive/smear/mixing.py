"""How evenly is the curing agent spread? Fraction from reflectance, and the variance that both wings share.

The two wings were one film until the sheet was opened, so what is mixing lies in both, mirrored; relief,
gloss, shadow and noise do not. The covariance of one wing with the other's mirror image is therefore the
variance of the mix alone, with nothing to subtract and no threshold.
"""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.derive.smear.arrays import BoolArray, FloatArray
from pipeline.derive.smear.striation import segregation_scale

PAPER_REFLECTANCE: Final = 0.86  # office paper, common practice: 0.82 to 0.90
# Kubelka-Munk K/S of the white base, R 0.90 (common practice): where no curing agent is.
KS_BASE: Final = 0.0055556
# Of a smooth film of refractive index 1.41, 0.029 of the light comes back from the surface straight on; what
# the camera sees of it depends on the room: half is taken. Inside, 0.4 to 0.6 is usual.
_FRESNEL: Final = 0.029
SURFACE: Final = _FRESNEL / 2
INNER: Final = 0.5
_SMOOTH_ORDER: Final = 3
_FIT_SPOTS: Final = 20_000  # ten terms need no more
_LIGHT_DOUBT: Final = 2.0
# A lamp that shines over the fold makes both wings alike, but hardly so many times more alike than different.
_LAMP_ALIKE: Final = 8.0
_LAMP_ACROSS: Final = 4.0  # and less still in what changes from the fold outwards
_LAMP_LEAST: Final = 0.03  # [1] what grain and the fit leave
# Covariance over the variance of half the difference, 2 r / (1 - r), where a share r of relief is mirrored.
_MIRRORED: Final = 0.22  # a tenth, in whichever direction
_RIBS: Final = 2.0  # a half, of ribs that run one way
_SHADED: Final = 0.1  # what slopes of 0.2, as a split film has, shade at most by a light from one side
_DOUBT_SHARE: Final = 0.02
_DOUBT_GLOSS: Final = 0.008  # of a perfect white
_DARKEST: Final = 0.006  # K/S runs away below, where a camera sees only its own black
_TRUSTED: Final = (
    _FRESNEL + _DARKEST
)  # a darker film sends back less than its own surface and the camera's black
_BRIGHTEST: Final = 0.97


class Shared(NamedTuple):
    """Variances over the mean squared [1].

    mix : that both wings share, as far as it stands out of what relief makes by chance
    unclear : a drift over the whole wing that both share, mixing or light
    feigned : of mix, what relief may have made that both wings have in common
    own : of a wing as photographed; scatter : standard error of mix
    """

    mix: float
    unclear: float
    feigned: float
    own: float
    scatter: float


@dataclass(frozen=True)
class Mixing:
    """The spread of the curing agent's fraction, relative to its mean.

    cov : coefficient of variation [1] of what both wings share
    cov_unclear : as much of `cov` as is smooth over a whole wing: a drifting ratio, or gloss [1]
    cov_hidden : how large a variation relief and gloss could hide, one standard error [1]
    cov_feigned : as much of `cov` as relief may have made that is mirrored, where strings broke midway [1]
    cov_seen : of one wing as photographed, relief, gloss and noise included [1]
    likeness : share of the variance seen that both wings share, 0 to 1
    segregation : Danckwerts' intensity, 0 even, 1 unmixed
    scale_px, striation_px : linear scale of segregation, width of a striation; None where nothing stands out
    """

    cov: float
    cov_unclear: float
    cov_hidden: float
    cov_seen: float
    likeness: float
    segregation: float
    scale_px: float | None
    striation_px: float | None
    cov_feigned: float = 0.0

    @property
    def cov_sure(self) -> float:
        """The part of `cov` that neither light nor mirrored relief can feign [1]."""
        return float(np.sqrt(max(self.cov**2 - self.cov_unclear**2 - self.cov_feigned**2, 0.0)))


NOTHING: Final = Mixing(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, None, None)


def kubelka_munk(reflectance: FloatArray) -> FloatArray:
    """K/S of an opaque layer, (1 - R)^2 / 2R. Source: Kubelka, Munk, Z. tech. Phys. 12 (1931) 593-601.

    reflectance : any shape, absolute, 0 to 1; held within what a camera can tell from black and from white
    """
    held = np.clip(reflectance, _DARKEST, _BRIGHTEST)
    return np.asarray((1 - held) ** 2 / (2 * held), np.float32)


def without_surface(measured: FloatArray, k1: float = SURFACE, k2: float = INNER) -> FloatArray:
    """Reflectance of the bulk from what is measured, by taking off what the surface itself sends back.

    measured : any shape, absolute; k1, k2 : shares sent back outside and inside
    Source: J. L. Saunderson, J. Opt. Soc. Am. 32 (1942) 727-736 (inverse as in references, from memory).
    """
    return np.asarray((measured - k1) / (1 - k1 - k2 + k2 * measured), measured.dtype)


def relative_fraction(grey: FloatArray, film: BoolArray) -> FloatArray:
    """Fraction of curing agent over its mean on the film, less 1.

    grey : (H, W), relative to the paper
    film : (H, W), where the mean is taken
    One constant for all wavelengths and the tint in the curing agent alone, so that K/S less the base's is
    in proportion to the fraction. Source: single-constant Kubelka-Munk mixing, base as KS_BASE. Where a film
    is darker than the median and than _TRUSTED its logarithm is taken: K/S grows there as 1 / 2R, and would
    make more of the shade in a groove, or of the camera's black, than of a streak of base.
    """
    measured = grey * PAPER_REFLECTANCE
    # No surface sends back more than the darkest spot of the film shows; half of it leaves room for error.
    k1 = min(SURFACE, 0.5 * float(np.percentile(measured[film], 2)))
    tint = kubelka_munk(without_surface(measured, k1)) - KS_BASE
    darkest = kubelka_munk(without_surface(np.array(_TRUSTED, np.float32), k1)) - KS_BASE
    knee = max(float(darkest), float(np.median(tint[film])))
    tint = np.where(tint > knee, knee * (1 + np.log(np.maximum(tint / knee, 1))), tint)
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


def shared_variance(
    wing: FloatArray, mirror: FloatArray, both: BoolArray, doubt: float = 0.0, angle: float = 0.0
) -> Shared:
    """How much of the variance lies in both wings, and how much in one alone.

    wing, mirror : (H, W), relative fraction; both : (H, W), where both are seen
    doubt : deviation of the fraction that the light's own unevenness may feign over a whole wing [1]
    angle : of the fold's normal [rad]

    The covariance is the variance of the mean of both less that of half their difference: relief and noise
    are in either alike and cancel. Light that the paper could not tell of does not: gloss changes over a
    whole wing as a surface of low order does. What bends more often than that is mixing, however slow; the
    surface itself is unclear beyond the light's doubt, however large: a drifting ratio, or a lamp that shines
    in the film over the fold and may brighten a good mix by half. Where the wings differ by far less than
    they are alike there is no such lamp, and less is doubted; least of all in what changes across the fold,
    for there a light that falls off brightens one wing and darkens the other.
    """
    mean = (wing[both] + mirror[both]).astype(np.float64) / 2
    half = (wing[both] - mirror[both]).astype(np.float64) / 2
    mean, half = mean - mean.mean(), half - half.mean()
    own = float(np.sqrt(max(np.var(mean + half) * np.var(mean - half), 1e-16)))
    smooth = smooth_part(np.stack([mean, half], axis=1), both)
    smooth_mean, smooth_half = smooth.T
    mix, feigned, scatter = _by_octaves(mean - smooth_mean, half - smooth_half, both, angle)
    unclear = max(
        _drift(smooth, doubt, _LAMP_ALIKE), _drift(_across(smooth, both, angle), doubt, _LAMP_ACROSS)
    )
    return Shared(mix=mix, unclear=unclear, feigned=feigned, own=own, scatter=scatter)


def _drift(smooth: FloatArray, doubt: float, alike: float) -> float:
    """Variance of the mean's surface that light does not account for. smooth : (N, 2), mean, half difference.

    alike : how many times more alike than different a lamp makes the wings
    """
    mean, half = np.var(smooth, axis=0).tolist()
    lamp = min(doubt**2, alike**2 * half + _LAMP_LEAST**2)
    return float(max(0.0, mean - _LIGHT_DOUBT * half - lamp))


def _across(smooth: NDArray[np.float64], both: BoolArray, angle: float) -> NDArray[np.float64]:
    """What of surfaces does not change along the fold alone. smooth : (N, M), the pixels of both."""
    y, x = np.nonzero(both)
    along = np.cos(angle) * y - np.sin(angle) * x
    along = 2 * (along - along.min()) / max(1.0, float(np.ptp(along))) - 1
    terms = np.vander(along, _SMOOTH_ORDER + 1)
    every = max(1, len(x) // _FIT_SPOTS)
    fit, *_ = np.linalg.lstsq(terms[::every], smooth[::every], rcond=None)
    return np.asarray(smooth - terms @ fit)


def _by_octaves(
    mean: FloatArray, half: FloatArray, both: BoolArray, angle: float
) -> tuple[float, float, float]:
    """Variance of the mean less that of half the difference, gathered octave by octave.

    mean, half : (N,), the pixels of both, (H, W); angle : of the fold's normal [rad]
    Returns it, the part of it that relief may feign, and its standard error.

    Relief cancels only on average. In an octave with few waves to the wing it may not, so each octave is
    weighed by how far it stands out of its own scatter, variance over variance plus noise; noise in one can't
    be made up for by another, which a plain difference would let it.
    A film that splits leaves ribs towards the fold, and may leave them on both wings: what stands out in
    waves of one direction alone may be theirs, up to what half of the relief would make. And what one wing
    keeps of a film that splits the other lacks: both slope alike across the fold, so a light from there
    shades them alike, in waves that run across it (1/2 + 1/pi of the power is nearer to that direction, for a
    slope's goes with the square of its wave's cosine).
    Source of the weight: N. Wiener's filter, as in any text on optimal filtering.
    """
    y, x = np.nonzero(both)
    box = (slice(y.min(), y.max() + 1), slice(x.min(), x.max() + 1))
    power = []
    for values in (mean, half):
        field = np.zeros(both.shape, np.float32)
        field[both] = values
        power.append(np.abs(np.fft.rfft2(field[box])) ** 2)
    height, width = both[box].shape
    down, right = np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None]
    frequency = np.hypot(down, right)
    c, s = np.cos(angle), np.sin(angle)
    outwards = np.abs(c * right + s * down) > np.abs(c * down - s * right)
    octave = np.floor(np.log2(np.maximum(frequency * max(height, width), 0.5))).astype(np.int64) + 1
    # rfft2 leaves out the conjugate half of all columns but the first and, in an even width, the last.
    twice = np.full(frequency.shape, 2.0)
    twice[:, 0] = 1.0
    if width % 2 == 0:
        twice[:, -1] = 1.0
    total = height * width * len(mean)
    seen = height * width / len(mean)  # waves next to each other tell the same where the film is small
    cell = (2 * octave + outwards).ravel()
    least = 2 * (int(octave.max()) + 1)
    shared, alone, square = (
        np.bincount(cell, (part * twice).ravel(), least).reshape(-1, 2) / total
        for part in (*power, seen * power[1] ** 2 / total)
    )
    # Each wave's power is spread as its own mean, so that the variance is their sum of squares.
    noise = 4 * square.sum(axis=1)
    apart = np.maximum((shared - alone).sum(axis=1), 0)
    counted = apart**3 / np.maximum(apart**2 + noise, 1e-30)
    one_way = np.maximum(apart - 2 * np.maximum((shared - alone).min(axis=1), 0), 0)
    relief = alone.sum(axis=1)
    feigned = np.minimum(counted, np.maximum(_MIRRORED * relief, np.minimum(one_way, _RIBS * relief)))
    along, across = np.maximum((shared - alone).T, 0)
    shaded = np.clip(across - along, 0, counted)
    most = max(float(feigned.sum()), min(float(shaded.sum()), _SHADED**2))
    return float(counted.sum()), most, float(np.sqrt(noise.sum()))


def smooth_part(values: NDArray[np.float64], where: BoolArray) -> NDArray[np.float64]:
    """The surface of order _SMOOTH_ORDER nearest to values. values : (N,) or (N, M), the pixels of where."""
    y, x = np.nonzero(where)
    across, along = (
        2 * (np.arange(size) - at.min()) / max(1, np.ptp(at)) - 1
        for size, at in zip(where.shape[::-1], (x, y), strict=True)
    )
    every = max(1, len(x) // _FIT_SPOTS)
    # Row by row and column by column, for each term is a product of the two.
    rows, columns = (np.vander(one, _SMOOTH_ORDER + 1, increasing=True).T for one in (along, across))
    at_x, at_y = columns[:, x[::every]], rows[:, y[::every]]
    powers = [(i, j) for i in range(_SMOOTH_ORDER + 1) for j in range(_SMOOTH_ORDER + 1 - i)]
    terms = np.stack([at_x[i] * at_y[j] for i, j in powers])
    fit = np.linalg.solve(terms @ terms.T + 1e-6 * np.eye(len(terms)), terms @ values[::every])
    surfaces = []
    for column in fit.reshape(len(fit), -1).T:
        weights = np.zeros((_SMOOTH_ORDER + 1,) * 2)
        weights[tuple(np.transpose(powers)[::-1])] = column
        surfaces.append((rows.T @ weights @ columns)[where])
    return np.stack(surfaces, axis=-1).reshape(values.shape)


def light_doubt(grey: FloatArray, film: BoolArray) -> float:
    """How far light alone may feign a slow change of the fraction over a film [1].

    grey : (H, W), relative to the paper; film : (H, W)
    A share of the light, and the room's reflection in the film, which weighs the more the darker the film is.
    """
    level = float(np.median(grey[film]))
    step = 0.02
    pair = np.array([[level, level * (1 + step)]], np.float32)
    k1 = min(SURFACE, 0.5 * level * PAPER_REFLECTANCE)
    tint = kubelka_munk(without_surface(pair * PAPER_REFLECTANCE, k1)) - KS_BASE
    here, there = tint.ravel().tolist()
    gain = abs(there / here - 1) / step
    return gain * (_DOUBT_SHARE + _DOUBT_GLOSS / max(level, 0.01))


def measure_mixing(
    wing: FloatArray,
    mirror: FloatArray,
    both: BoolArray,
    share: float,
    doubt: float = 0.0,
    beside: float = 0.0,
    angle: float = 0.0,
) -> Mixing:
    """All of it for a pair of wings.

    share : of curing agent by volume, for the intensity of segregation; doubt, angle : as in shared_variance
    beside : variance that plainly unmixed material adds where the film did not split
    """
    shared = shared_variance(wing, mirror, both, doubt, angle)
    variance = shared.mix + shared.unclear + beside
    cov = float(np.sqrt(variance))
    scale, striation = segregation_scale(wing, mirror, both) if variance > 0 else (None, None)
    return Mixing(
        cov=cov,
        cov_unclear=float(np.sqrt(shared.unclear)),
        cov_hidden=float(np.sqrt(shared.scatter)),
        cov_seen=float(np.sqrt(shared.own)),
        likeness=min(1.0, variance / shared.own),
        segregation=intensity_of_segregation(cov, share),
        scale_px=scale,
        striation_px=striation,
        cov_feigned=float(np.sqrt(shared.feigned)),
    )
