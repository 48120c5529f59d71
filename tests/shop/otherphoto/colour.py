"""What colour is the film? Two-constant Kubelka-Munk for a layer of its own thickness over paper.

K and S [1/mm] of base and curing agent add by volume fraction (Duncan 1940); the layer's reflectance over a
ground is Kubelka 1948, equation 19: R = (1 - Rg (a - b coth bSX)) / (a - Rg + b coth bSX). Light turned back
inside the surface is Saunderson 1942 with k2 alone: what the surface itself mirrors is the lamps' business.
"""

from dataclasses import dataclass

import numpy as np

from tests.shop.otherphoto import FloatArray

INNER = 0.45  # share of diffuse light turned back inside the surface, Saunderson's k2: usually 0.4 to 0.6


@dataclass(frozen=True)
class Material:
    """A two-part sealant.

    k_*, s_* : (3,) absorption and scattering of each part [1/mm]; share : curing agent, 1.
    """

    k_base: FloatArray
    s_base: FloatArray
    k_agent: FloatArray
    s_agent: FloatArray
    share: float


def material(rng: np.random.Generator, shade: str) -> Material:
    """A white chalky base, and a curing agent that brings the right mix to the shade.

    shade : "black" (seen reflectance 0.03 to 0.055), "dark grey" (0.08 to 0.15), "mid grey" (0.19 to 0.30)
    """
    low, high = {"black": (0.03, 0.055), "dark grey": (0.08, 0.15), "mid grey": (0.19, 0.30)}[shade]
    share = 1 / (1 + float(rng.choice([9, 10, 11, 13])))
    s_base = (rng.uniform(18, 40) * np.array([0.96, 1.0, 1.05])).astype(np.float32)
    k_base = (rng.uniform(0.05, 0.15) * np.array([0.8, 1.0, 1.9])).astype(np.float32)
    s_agent = (s_base * rng.uniform(0.1, 0.6)).astype(np.float32)
    seen = rng.uniform(low, high) * (1 + rng.normal(0, 0.03, 3)) * np.array([0.98, 1.0, 1.02])
    bulk = seen / (1 - INNER + INNER * seen)
    wanted = (1 - bulk) ** 2 / (2 * bulk)
    s_mix = s_base * (1 - share) + s_agent * share
    k_agent = ((wanted * s_mix - k_base * (1 - share)) / share).astype(np.float32)
    return Material(k_base, s_base, k_agent, s_agent, share)


def film_reflectance(of: Material, fraction: FloatArray, thickness: FloatArray, ground: float) -> FloatArray:
    """(N, 3) seen reflectance.

    fraction : (N,) 0 to 1, curing agent by volume; thickness : (N,) [mm]; ground : paper.
    """
    f = fraction[:, None]
    k = of.k_base * (1 - f) + of.k_agent * f
    s = of.s_base * (1 - f) + of.s_agent * f
    a = 1 + k / s
    b = np.sqrt(a * a - 1)
    power = b * s * thickness[:, None]
    b_coth = b / np.tanh(np.clip(power, 1e-5, 40))
    under = ground / (1 - INNER + INNER * ground)  # the paper as seen from inside the layer
    bulk = (1 - under * (a - b_coth)) / (a - under + b_coth)
    return np.asarray((1 - INNER) * bulk / (1 - INNER * bulk), np.float32)
