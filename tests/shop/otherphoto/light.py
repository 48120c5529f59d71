"""What light leaves the sheet towards the phone? Near lamps, the room, shadows, and the film's own gloss.

Radiances are times pi, so that a white matte surface under unit irradiance has 1. The gloss is the
microfacet model of Walter et al. 2007 (GGX), its width raised by the lamp's angular size; Fresnel by Schlick
1994.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from tests.shop.otherphoto import FloatArray

F0 = 0.03  # silicone, n = 1.41


@dataclass(frozen=True)
class Lamp:
    """place : (3,) [mm]; colour : (3,) its light at the sheet's centre; half_size : [mm]."""

    place: FloatArray
    colour: FloatArray
    half_size: float


@dataclass(frozen=True)
class Shade:
    """Something held into the first lamp's light.

    rect : ((x, y), (width, height), degrees) [mm] on the sheet
    penumbra : [mm] how far its edge is drawn out; depth : share of the lamp's light taken
    """

    rect: tuple[tuple[float, float], tuple[float, float], float]
    penumbra: float
    depth: float


def kelvin(temperature: float) -> FloatArray:
    """(3,) linear sRGB of a black body, green 1: Planck's law at 610, 545 and 465 nm, equal at 6500 K.

    Three wavelengths stand for three channels: near enough for a lamp's cast.
    """
    wave = np.array([610e-9, 545e-9, 465e-9])

    def planck(t: float) -> np.ndarray:
        return wave**-5 / (np.exp(1.4388e-2 / (wave * t)) - 1)

    cast = planck(temperature) / planck(6500.0)
    return np.asarray(cast / cast[1], np.float32)


def normals(height: FloatArray, px_per_mm: float) -> FloatArray:
    """(H, W, 3) unit normals of a height map [mm]."""
    dy = cv2.Sobel(height, cv2.CV_32F, 0, 1, ksize=3) / 8 * px_per_mm
    dx = cv2.Sobel(height, cv2.CV_32F, 1, 0, ksize=3) / 8 * px_per_mm
    out = np.dstack([-dx, -dy, np.ones_like(height)])
    return np.asarray(out / np.sqrt(dx * dx + dy * dy + 1)[..., None], np.float32)


def shadowed(x: FloatArray, y: FloatArray, shade: Shade | None) -> FloatArray:
    """(H, W) share of the first lamp's light that gets by."""
    if shade is None:
        return np.ones_like(x)
    (cx, cy), (width, height), degrees = shade.rect
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    a, b = np.abs((x - cx) * c + (y - cy) * s) - width / 2, np.abs((y - cy) * c - (x - cx) * s) - height / 2
    outside = np.hypot(np.maximum(a, 0), np.maximum(b, 0)) + np.minimum(np.maximum(a, b), 0)
    return np.asarray(
        1 - shade.depth / (1 + np.exp(np.clip(4 * outside / shade.penumbra, -30, 30))), np.float32
    )


def irradiance(point: FloatArray, normal: FloatArray, lamp: Lamp) -> FloatArray:
    """(..., ) irradiance of a small lamp, 1 at the sheet's centre if that faces up.

    point, normal : (..., 3).
    """
    to = lamp.place - point
    far2 = np.einsum("...i,...i->...", to, to)
    facing = np.clip(np.einsum("...i,...i->...", to, normal), 0, None) / np.sqrt(far2)
    reference = lamp.place[2] / np.linalg.norm(lamp.place) / float(lamp.place @ lamp.place)
    return np.asarray(facing / far2 / reference, np.float32)


def mirrored(point: FloatArray, normal: FloatArray, eye: FloatArray, lamp: Lamp, rough: float) -> FloatArray:
    """(..., ) what the glossy film sends of the lamp to the eye, for unit irradiance at the centre."""
    to_lamp, to_eye = lamp.place - point, eye - point
    far_lamp = np.sqrt(np.einsum("...i,...i->...", to_lamp, to_lamp))
    to_lamp = to_lamp / far_lamp[..., None]
    to_eye = to_eye / np.sqrt(np.einsum("...i,...i->...", to_eye, to_eye))[..., None]
    half = to_lamp + to_eye
    half = half / np.sqrt(np.einsum("...i,...i->...", half, half))[..., None]
    n_l = np.clip(np.einsum("...i,...i->...", normal, to_lamp), 1e-3, None)
    n_v = np.clip(np.einsum("...i,...i->...", normal, to_eye), 0.05, None)
    n_h2 = np.clip(np.einsum("...i,...i->...", normal, half), 0, 1) ** 2
    v_h = np.clip(np.einsum("...i,...i->...", to_eye, half), 0, 1)
    wide = rough**2 + (0.5 * lamp.half_size / far_lamp) ** 2
    lobe = wide / (n_h2 * (wide - 1) + 1) ** 2  # GGX times pi
    fresnel = F0 + (1 - F0) * (1 - v_h) ** 5
    masking = 4 / ((1 + np.sqrt(1 + wide * (1 / n_l**2 - 1))) * (1 + np.sqrt(1 + wide * (1 / n_v**2 - 1))))
    reference = lamp.place[2] / np.linalg.norm(lamp.place) / float(lamp.place @ lamp.place)
    return np.asarray(lobe * fresnel * masking / (4 * n_v) / far_lamp**2 / reference, np.float32)


def room_mirrored(point: FloatArray, normal: FloatArray, eye: FloatArray, heading: float) -> FloatArray:
    """(..., ) the room seen in the film, for a room of irradiance 1: lighter overhead and to one side."""
    to_eye = eye - point
    to_eye = to_eye / np.sqrt(np.einsum("...i,...i->...", to_eye, to_eye))[..., None]
    n_v = np.einsum("...i,...i->...", normal, to_eye)
    seen = 2 * n_v[..., None] * normal - to_eye
    sky = 0.7 + 0.5 * seen[..., 2] + 0.5 * (seen[..., 0] * np.cos(heading) + seen[..., 1] * np.sin(heading))
    return np.asarray((F0 + (1 - F0) * (1 - np.clip(n_v, 0, 1)) ** 5) * np.clip(sky, 0, None), np.float32)
