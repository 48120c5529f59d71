"""What does a pressed film of two-part sealant look like? Lamellae, squeeze, relief, Kubelka-Munk colour.

A bead of mixed sealant lies in the fold of a white sheet and is pressed into two wings that were one film.
What the mixer left unmixed is stretched lamellae, the same in both wings and mirrored; what opening the sheet
leaves, ridges and gloss, differs between them. All lengths in millimetres, all reflectances linear.

Sources: Kubelka, Munk 1931, finite layer over a ground; Saunderson 1942 (from memory, k1 0.04, k2 0.6);
baker's map as the ideal split, stretch and stack of a static mixer (Ottino 1989, from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

PX_PER_MM = 8.0  # raster of the film
WING_MM = (62.0, 96.0)  # reach from the fold, along the fold
PHI = 1 / 11  # curing agent by volume, as set at the pump
LEAN = 0.16  # share of the badly mixed material that is base which met no curing agent
COV_GOOD, COV_BAD = 0.05, 0.30  # common practice: 5 % is well mixed; above 30 % anyone sees it
RESOLUTION_MM = 0.25  # at which the true CoV is told

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Material:
    """K/S of both parts by channel (R, G, B) and how much the film scatters, a millimetre."""

    name: str
    base_ks: tuple[float, float, float]
    agent_ks: tuple[float, float, float]
    scatter_per_mm: float


MATERIALS = {
    "black": Material("black", (0.006, 0.006, 0.008), (95.0, 98.0, 100.0), 14.0),
    "dark_grey": Material("dark_grey", (0.006, 0.006, 0.008), (34.0, 33.0, 31.0), 16.0),
    "mid_grey": Material("mid_grey", (0.006, 0.006, 0.008), (7.5, 7.2, 6.8), 18.0),
    "white": Material("white", (0.006, 0.006, 0.008), (0.30, 0.28, 0.22), 22.0),
}


@dataclass(frozen=True)
class Film:
    """Two wings. fraction : (H, W), of the right wing, u from the fold to the right; left is its mirror.

    thick_mm, relief_mm : (2, H, W), left wing first, both with u from the fold
    """

    fraction: Array
    thick_mm: Array
    relief_mm: Array
    cov: float
    striation_mm: float


def noise_field(
    shape: tuple[int, int], scale_mm: float, rng: np.random.Generator, along: float = 1.0
) -> Array:
    """Smooth noise of unit deviation. along : how much longer across the fold than along it."""
    sigma = scale_mm * PX_PER_MM
    field = gaussian_filter(rng.normal(size=shape), (sigma, sigma * along), mode="wrap")
    return field / field.std()


def _smooth(shape: tuple[int, int], scale_mm: float, rng: np.random.Generator) -> Array:
    """Smooth noise of a long scale, from a coarse grid."""
    rows, cols = (max(4, int(n / PX_PER_MM / scale_mm) + 3) for n in shape)
    coarse = rng.normal(size=(rows, cols))
    y, x = np.mgrid[: shape[0], : shape[1]] / PX_PER_MM / scale_mm
    return map_coordinates(coarse, [y + 0.5, x + 0.5], order=3, mode="nearest")


def lamellae(x: Array, y: Array, elements: int, share: float, rng: np.random.Generator) -> Array:
    """1 where a part of that share lies after so many mixing elements, else 0.

    x, y : places in the bead's cross-section, 0..1 each way
    Each element splits the stream, stretches it and stacks the halves, in turn across and upright, with the
    slip of real blades; going backwards tells where what is here came from.
    """
    x, y = np.mod(x, 1.0), np.mod(y, 1.0)
    for element in range(elements):
        slip = 0.06 * np.sin(2 * np.pi * (y + rng.uniform()))
        x = np.mod(x + slip, 1.0)
        half = x >= 0.5
        x, y = np.mod(2 * x, 1.0), (y + half) / 2
        if element % 2:
            x, y = y, x
    return (x < share).astype(np.float64)


def make_film(target_cov: float, rng: np.random.Generator, elements: int = 5, scale: float = 1.0) -> Film:
    """A film whose curing-agent fraction has about that CoV.

    target_cov : 0 for an even mix; elements : mixing elements that the badly mixed part went through
    scale : size of the film against the usual one
    """
    height, width = int(WING_MM[1] * PX_PER_MM), int(WING_MM[0] * PX_PER_MM)
    shape = (height, width)
    v, u = np.mgrid[:height, :width] / PX_PER_MM
    v = v - WING_MM[1] / 2
    # The bead, some 12 mm across, was squeezed out from the fold; the flow is not quite even.
    x = u / (14.0 * scale) / 3.2 + 0.10 * _smooth(shape, 16.0, rng) + 0.02 * _smooth(shape, 5.0, rng)
    y = v / 34.0 + 0.12 * _smooth(shape, 20.0, rng) + 0.02 * _smooth(shape, 6.0, rng)
    blades = int(rng.integers(1 << 30))
    near = (0.0, 0.003)
    base_alone = np.mean(
        [
            lamellae(x + dx, y + dy, elements, LEAN, np.random.default_rng(blades))
            for dx in near
            for dy in near
        ],
        axis=0,
    )
    thick, relief, on = _wings(u, v, shape, scale, rng)
    inside = on & (thick.min(axis=0) > 0.08)
    # Streaks lie in some of the material only: what ran past the clogged part of the mixer.
    lean = gaussian_filter(base_alone * np.clip(0.55 + 0.8 * _smooth(shape, 14.0, rng), 0, 1), 0.8)
    grain = 1 + 0.008 * noise_field(shape, 0.25, rng)
    share = 0.0
    if target_cov > 0:
        for trial in np.linspace(0.02, 1.0, 50):
            share = float(trial)
            if _cov((1 - share * lean) * grain, inside) >= target_cov:
                break
    fraction = (1 - share * lean) * grain
    # What is missing in the streaks is in the rest: the mean is the pump's.
    fraction = np.clip(PHI * fraction / fraction[inside].mean(), 0.0, 1.0)
    striation = 14.0 * 3.2 * scale / 2 ** ((elements + 1) // 2) / 2
    return Film(fraction, thick, relief, _cov(fraction, inside), striation)


def _cov(fraction: Array, inside: NDArray[np.bool_]) -> float:
    seen = gaussian_filter(fraction, RESOLUTION_MM * PX_PER_MM / 2)[inside]
    return float(seen.std() / seen.mean())


def _wings(
    u: Array, v: Array, shape: tuple[int, int], scale: float, rng: np.random.Generator
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Thickness and relief of both wings: one outline, since they were one film; ridges of their own."""
    reach = (46.0 * scale, 36.0 * scale)
    ragged = 1 + 0.07 * _smooth(shape, 15.0, rng) + 0.025 * _smooth(shape, 4.0, rng)
    r = (np.abs(u / reach[0]) ** 2.3 + np.abs(v / reach[1]) ** 2.6) ** (1 / 2.4) / ragged
    body = 0.55 * np.clip((1 - r) / 0.16, 0, 1) ** 0.7
    thick, relief = [], []
    for _ in range(2):
        # Fingers of air run in from the edge when the sheet is opened, across the fold and branching.
        fingers = 0.6 * noise_field(shape, 0.35, rng, 6.0) + 0.4 * noise_field(shape, 0.9, rng, 3.0)
        ridge = 0.035 * fingers * np.clip(0.35 + 0.65 * r, 0, 1)
        edge = 0.04 * _smooth(shape, 2.0, rng)
        h = np.clip(body + (ridge + edge) * (body > 0.02), 0, None) * (r < 1)
        thick.append(h)
        relief.append(gaussian_filter(ridge, 0.8) + 0.12 * _smooth(shape, 9.0, rng))
    return np.array(thick), np.array(relief), r < 1


def reflectance(fraction: Array, thick_mm: Array, material: Material, ground: float) -> Array:
    """(..., 3) linear reflectance of a film over paper.

    Kubelka-Munk for a layer of finite thickness, single-constant mixing, then Saunderson's surface.
    """
    out = np.empty((*fraction.shape, 3))
    for channel in range(3):
        ks = (1 - fraction) * material.base_ks[channel] + fraction * material.agent_ks[channel]
        a = 1 + np.maximum(ks, 1e-4)
        b = np.sqrt(a * a - 1)
        coth = 1 / np.tanh(np.clip(b * material.scatter_per_mm * np.maximum(thick_mm, 1e-3), 1e-3, 30))
        bulk = (1 - ground * (a - b * coth)) / (a - ground + b * coth)
        out[..., channel] = 0.04 + 0.96 * 0.4 * bulk / (1 - 0.6 * bulk) - 0.04 * 0.6
    return np.clip(out, 0.004, 1)
