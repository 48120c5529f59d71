"""What colour is a film of so much curing agent? Kubelka-Munk, in three broad bands of light.

Reflectances are linear, in red, green and blue. The agent tints the base: K/S of a mix is that of the base
plus the share of agent times its tinting strength, as base and agent scatter alike (single-constant theory).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating]

# Share of light a smooth silicone surface (refractive index 1.41) sends back, by Fresnel; and the share that
# it sends back from inside, usually 0.4 to 0.6.
K1: Final = 0.029
K2: Final = 0.5


@dataclass(frozen=True)
class Material:
    """A base with its curing agent, mixed at `fraction` by volume.

    base : reflectance in bulk of a thick layer of base, red, green, blue
    tint : K/S that curing agent would add if it were all agent
    scatter : [1/mm] S of the base: how thin a film can be and still hide the paper
    """

    base: tuple[float, float, float]
    tint: tuple[float, float, float]
    scatter: float
    fraction: float


MATERIALS: Final[dict[str, Material]] = {
    # White base, agent full of carbon black: the mix is black, base left unmixed shows white.
    "black": Material((0.87, 0.86, 0.82), (118.0, 121.0, 124.0), 4.0, 1 / 11),
    "dark_grey": Material((0.87, 0.86, 0.82), (38.0, 37.0, 36.0), 8.0, 1 / 11),
    "mid_grey": Material((0.88, 0.87, 0.84), (11.0, 10.6, 10.0), 14.0, 1 / 11),
    # White base with a clear, yellowish agent: hardly anything to see, and that is so at the pump too.
    "white": Material((0.93, 0.92, 0.90), (0.035, 0.055, 0.12), 18.0, 1 / 11),
}


def absorption_ratio(reflectance: Array | float) -> Array:
    """K/S of an opaque layer of that reflectance in bulk. Source: Kubelka and Munk 1931."""
    reflectance = np.asarray(reflectance)
    return (1.0 - reflectance) ** 2 / (2.0 * reflectance)


def opaque_reflectance(ratio: Array | float) -> Array:
    """Reflectance in bulk of an opaque layer of that K/S."""
    ratio = np.asarray(ratio)
    return 1.0 / (1.0 + ratio + np.sqrt(ratio * ratio + 2.0 * ratio))


def layer_reflectance(ratio: Array, scatter_thickness: Array, ground: Array) -> Array:
    """Reflectance in bulk of a layer over a ground.

    ratio : K/S of the layer; scatter_thickness : S times its thickness [1]; ground : reflectance under it
    Source: Kubelka 1948, hyperbolic solution.
    """
    a = 1.0 + ratio
    b = np.sqrt(np.maximum(a * a - 1.0, 1e-9))
    depth = np.maximum(b * scatter_thickness, 1e-6)
    b_coth = b / np.tanh(np.minimum(depth, 40.0))
    return (1.0 - ground * (a - b_coth)) / (a - ground + b_coth)


def seen_reflectance(bulk: Array, k1: float = K1, k2: float = K2, gloss: bool = True) -> Array:
    """Reflectance seen through the layer's own surface; without its mirror part if `gloss` is False.

    Source: Saunderson 1942.
    """
    return (k1 if gloss else 0.0) + (1.0 - k1) * (1.0 - k2) * bulk / (1.0 - k2 * bulk)


def bulk_reflectance(seen: Array | float, k1: float = K1, k2: float = K2) -> Array:
    """Reflectance in bulk that is seen as `seen`, mirror part and all: the correction's inverse."""
    seen = np.asarray(seen)
    return (seen - k1) / (1.0 - k1 - k2 + k2 * seen)


def mix_ratio(material: Material, fraction: Array) -> Array:
    """K/S of base with `fraction` of curing agent, (..., 3)."""
    base = absorption_ratio(np.array(material.base, np.float32))
    return base + np.asarray(fraction)[..., None] * np.array(material.tint, np.float32)
