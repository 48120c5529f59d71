"""How is the sheet lit, and what of it reaches the lens? Lamps, window, a hand's shadow.

Irradiance is in units of what the page's middle gets; a white dull surface then sends back 1.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.shop.noise import Field, ramp

Pixels = NDArray[np.float32]
F0: Final = 0.029


@dataclass(frozen=True)
class Lamp:
    """A source over the sheet.

    at : [mm] page coordinates and height; share : of the light on the page's middle
    kelvin : colour temperature; spread : how much its size widens a highlight, as added roughness
    """

    at: tuple[float, float, float]
    share: float
    kelvin: float
    spread: float = 0.05


@dataclass(frozen=True)
class Light:
    """Everything that lights the sheet.

    ambient : light from all around, as a share of that on the page's middle
    unevenness : brightest over darkest spot of the page; the lamps' own if None
    hand : (x, y, angle, depth) of a shadow's edge: point [mm], direction [rad], share of lamp light it takes
    """

    lamps: tuple[Lamp, ...]
    ambient: float = 0.4
    ambient_kelvin: float = 5000.0
    unevenness: float | None = None
    hand: tuple[float, float, float, float] | None = None
    shadow_soft: float = 12.0


def lamp_colour(kelvin: float) -> NDArray[np.float32]:
    """Linear sRGB of a black body, brightness 1. Source: Planck's locus as fitted by Kim et al. 2002."""
    t = 1e3 / kelvin
    if kelvin < 4000:
        x = -0.2661239 * t**3 - 0.2343589 * t**2 + 0.8776956 * t + 0.179910
        y = (
            -1.1063814 * x**3 - 1.34811020 * x**2 + 2.18555832 * x - 0.20219683
            if kelvin < 2222
            else -0.9549476 * x**3 - 1.37418593 * x**2 + 2.09137015 * x - 0.16748867
        )
    else:
        x = -3.0258469 * t**3 + 2.1070379 * t**2 + 0.2226347 * t + 0.240390
        y = 3.0817580 * x**3 - 5.87338670 * x**2 + 3.75112997 * x - 0.37001483
    xyz = np.array([x / y, 1.0, (1 - x - y) / y])
    to_rgb = np.array(
        [
            [3.2404542, -1.5371385, -0.4985314],
            [-0.9692660, 1.8760108, 0.0415560],
            [0.0556434, -0.2040259, 1.0572252],
        ]
    )
    return np.maximum(to_rgb @ xyz, 0.02).astype(np.float32)


@dataclass(frozen=True)
class Lit:
    """Light that leaves the scene towards the lens: (H, W, 3); its mirrored part; share of lamps shadowed."""

    radiance: Pixels
    gloss: Field
    shadow: Field


def shade(
    light: Light,
    at: tuple[Field, Field],
    eye: tuple[float, float, float],
    page: tuple[float, float],
    reflectance: Pixels,
    slope: Pixels,
    rough: Field,
    glossy: Field,
) -> Lit:
    """What every pixel sends to the lens.

    at : (H, W) page coordinates x and y [mm] of what a pixel sees; eye : the lens
    page : [mm] width and height, over which the unevenness holds
    reflectance, slope : (H, W, 3), (H, W, 2) of the surface; rough : (H, W) its GGX roughness
    glossy : (H, W) share of the surface that mirrors at all
    Source of the highlight: Walter et al. 2007 (GGX), Fresnel by Schlick.
    """
    x, y = at
    normal = _unit(-slope[..., 0], -slope[..., 1], np.ones_like(x))
    to_eye = _unit(eye[0] - x, eye[1] - y, np.full_like(x, eye[2]))
    lamps, ambient = _balanced(light, page)
    shadow = _hand(light, x, y)
    dull = ambient * lamp_colour(light.ambient_kelvin) * np.float32(0.5) * (1.0 + normal[2])[..., None]
    mirrored = np.zeros_like(reflectance)
    for lamp in lamps:
        colour = lamp_colour(lamp.kelvin)
        dx, dy, dz = lamp.at[0] - x, lamp.at[1] - y, np.full_like(x, lamp.at[2])
        square = dx * dx + dy * dy + dz * dz
        level = np.float32(lamp.share) * _fall(lamp, square) * (1.0 - shadow)
        to_lamp = _unit(dx, dy, dz)
        facing = np.maximum(_dot(normal, to_lamp), 0.0)
        dull = dull + (level * facing)[..., None] * colour
        half = _unit(*(a + b for a, b in zip(to_lamp, to_eye, strict=True)))
        alpha = np.clip(rough + lamp.spread, 0.04, 0.9) ** 2
        cos_half = np.clip(_dot(normal, half), 0.0, 1.0)
        spread = alpha / (cos_half * cos_half * (alpha - 1.0) + 1.0) ** 2
        fresnel = F0 + (1 - F0) * (1.0 - np.clip(_dot(half, to_eye), 0.0, 1.0)) ** 5
        # pi D F G / 4 nv; masking and nv nearly cancel at these angles.
        mirrored += (level * glossy * fresnel * spread * 0.25 * (facing > 0))[..., None] * colour
    # The room itself, mirrored: brighter towards the lamps, dark where the phone stands in its own light.
    back = [2 * _dot(normal, to_eye) * n - v for n, v in zip(normal, to_eye, strict=True)]
    toward = _towards(lamps)
    room = (0.35 + 1.8 * ramp(_dot(back, toward), 0.55, 1.0)) * (
        1.0 - 0.75 * ramp(_dot(back, to_eye), 0.93, 0.995)
    )
    grazing = F0 + (1 - F0) * (1.0 - np.clip(_dot(normal, to_eye), 0.0, 1.0)) ** 5
    mirrored += (glossy * room * grazing * max(ambient, 0.15))[..., None] * lamp_colour(light.ambient_kelvin)
    return Lit(reflectance * dull + mirrored, mirrored.mean(axis=2), shadow)


def _fall(lamp: Lamp, square: Field | float) -> Field | float:
    """Light of a lamp by the square of its distance, 1 on the page's middle where it stands slanting."""
    middle = sum(a * a for a in lamp.at)
    return middle / square * (sqrt(middle) / lamp.at[2])


def _balanced(light: Light, page: tuple[float, float]) -> tuple[tuple[Lamp, ...], float]:
    """Lamps and ambient, so weighed that the page is as uneven as asked for."""
    total = sum(lamp.share for lamp in light.lamps)
    if light.unevenness is None:
        return light.lamps, light.ambient
    gx, gy = np.meshgrid(np.linspace(-0.5, 0.5, 9) * page[0], np.linspace(-0.5, 0.5, 9) * page[1])
    level = np.zeros_like(gx)
    for lamp in light.lamps:
        square = (lamp.at[0] - gx) ** 2 + (lamp.at[1] - gy) ** 2 + lamp.at[2] ** 2
        level += lamp.share / total * _fall(lamp, square) * lamp.at[2] / np.sqrt(square)
    ambient = (level.max() - light.unevenness * level.min()) / max(light.unevenness - 1.0, 1e-3)
    ambient = float(np.clip(ambient, 0.08, 30.0))
    scale = 1.0 / (1.0 + ambient)
    lamps = tuple(Lamp(lamp.at, lamp.share / total * scale, lamp.kelvin, lamp.spread) for lamp in light.lamps)
    return lamps, ambient * scale


def _hand(light: Light, x: Field, y: Field) -> Field:
    """Share of lamp light that a hand and forearm take away."""
    if light.hand is None:
        return np.zeros_like(x)
    hx, hy, angle, depth = light.hand
    along = (x - hx) * np.cos(angle) + (y - hy) * np.sin(angle)
    across = -(x - hx) * np.sin(angle) + (y - hy) * np.cos(angle)
    soft = light.shadow_soft
    arm = ramp(34.0 - np.abs(across + 4.0 * np.sin(along / 40.0)), -soft, soft) * ramp(along, -soft, soft)
    palm = ramp(52.0 - np.hypot(along - 55.0, across), -soft, soft)
    shade_ = np.maximum(arm * ramp(along, 40.0, 60.0), palm)
    for finger in (-30.0, -11.0, 9.0, 28.0):
        off = np.abs(across - finger - 0.12 * finger * (55.0 - along) / 55.0)
        shade_ = np.maximum(
            shade_,
            ramp(8.0 - off, -soft * 0.6, soft * 0.6)
            * ramp(along, -26.0 + abs(finger) * 0.6, 0.0)
            * (along < 60),
        )
    return np.float32(depth * cv2.GaussianBlur(shade_, (0, 0), 3.0))


def _towards(lamps: tuple[Lamp, ...]) -> tuple[float, float, float]:
    """Direction from which most light comes."""
    total = np.sum([np.array(lamp.at) / np.linalg.norm(lamp.at) * lamp.share for lamp in lamps], axis=0)
    unit = total / max(float(np.linalg.norm(total)), 1e-9)
    return float(unit[0]), float(unit[1]), float(unit[2])


def _unit(a: Field, b: Field, c: Field) -> tuple[Field, Field, Field]:
    length = np.sqrt(a * a + b * b + c * c)
    return a / length, b / length, c / length


def _dot(a: Sequence[Field], b: Sequence[Field | float]) -> Field:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
