"""What light leaves the bench?

The sheet with its smear, lit; the film's gloss as the phone sees it; the table.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from tests.shop.otherphoto import PX_PER_MM, FloatArray
from tests.shop.otherphoto.colour import Material, film_reflectance
from tests.shop.otherphoto.light import Lamp, Shade, irradiance, mirrored, normals, room_mirrored, shadowed
from tests.shop.otherphoto.smear import Smear

COARSE = 4  # light on bare paper is smooth: it is worked out every so many pixels


@dataclass(frozen=True)
class Lighting:
    """lamps; room : (3,) light all round; heading : [rad] its lighter side; rough : the film's gloss."""

    lamps: tuple[Lamp, ...]
    room: FloatArray
    heading: float
    rough: float
    shade: Shade | None


@dataclass(frozen=True)
class Lit:
    """radiance : (H, W, 3) of the sheet; gloss : (H, W) mirrored lamp over white paper; film : (H, W)."""

    radiance: FloatArray
    gloss: FloatArray
    film: np.ndarray


def sheet_radiance(
    paper: FloatArray, height: FloatArray, smear: Smear, of: Material, light: Lighting, eye: FloatArray
) -> Lit:
    """The sheet as seen from `eye`. paper : (H, W, 3) reflectance; height : (H, W) [mm] of the paper."""
    out = paper * _light_on(height, light)
    film = smear.thickness > 2e-3
    gloss = np.zeros(film.shape, np.float32)
    if not film.any():
        return Lit(out, gloss, film)
    rows, columns = np.flatnonzero(film.any(axis=1)), np.flatnonzero(film.any(axis=0))
    box = np.s_[max(rows[0] - 2, 0) : rows[-1] + 3, max(columns[0] - 2, 0) : columns[-1] + 3]
    here, thick = film[box], smear.thickness[box]
    x, y = (c[box] for c in _places(film.shape, 1))
    normal = normals(height[box] + thick, PX_PER_MM)[here]
    softer = normals(height[box] + 0.4 * thick, PX_PER_MM)[
        here
    ]  # light wanders inside: relief shades it less
    point = np.column_stack([x[here], y[here], height[box][here]]).astype(np.float32)
    open_to_lamp = shadowed(x, y, light.shade)[here]
    diffuse = np.repeat(light.room[None, :], len(point), axis=0).astype(np.float32)
    mirror = room_mirrored(point, normal, eye, light.heading)[:, None] * light.room
    lamp_mirror = np.zeros(len(point), np.float32)
    for number, lamp in enumerate(light.lamps):
        through = open_to_lamp if number == 0 else np.ones_like(open_to_lamp)
        diffuse += (irradiance(point, softer, lamp) * through)[:, None] * lamp.colour
        shine = mirrored(point, normal, eye, lamp, light.rough) * through
        mirror = mirror + shine[:, None] * lamp.colour
        lamp_mirror += shine * lamp.colour[1]
    body = film_reflectance(of, smear.fraction[box][here], thick[here], float(paper[..., 1].max()))
    wet = np.clip(thick[here] / 0.02, 0, 1)[:, None]
    seen = wet * (body * diffuse + mirror) + (1 - wet) * out[box][here]
    out[box][here] = seen
    gloss[box][here] = lamp_mirror / np.maximum(0.85 * diffuse[:, 1], 1e-6)
    return Lit(out, gloss, film)


def table_radiance(
    table: FloatArray, px_per_mm: float, page_mm: tuple[float, float], light: Lighting
) -> FloatArray:
    """(H, W, 3) of the bench round the sheet, with the sheet's own soft shadow on it."""
    shape = (table.shape[0] // 8, table.shape[1] // 8)
    x, y = (c * (8 / px_per_mm * PX_PER_MM) for c in _places(shape, 1))
    lit = _sum_of_light(x, y, np.zeros(shape, np.float32), light)
    lit = cv2.resize(lit, (table.shape[1], table.shape[0]), interpolation=cv2.INTER_LINEAR)
    half = [round(side * px_per_mm / 2) for side in page_mm]
    under = np.zeros(table.shape[:2], np.float32)
    middle = (table.shape[1] // 2, table.shape[0] // 2)
    away = -light.lamps[0].place[:2] / np.linalg.norm(light.lamps[0].place[:2] + 1e-3) * 2.0 * px_per_mm
    corner = [int(middle[i] - half[i] + away[i]) for i in (0, 1)]
    cv2.rectangle(under, corner, [corner[i] + 2 * half[i] for i in (0, 1)], 1.0, -1)
    return np.asarray(
        table * lit * (1 - 0.55 * cv2.GaussianBlur(under, (0, 0), 2.5 * px_per_mm))[..., None], np.float32
    )


def _light_on(height: FloatArray, light: Lighting) -> FloatArray:
    shape = (height.shape[0] // COARSE, height.shape[1] // COARSE)
    x, y = (c * COARSE for c in _places(shape, 1))
    small = cv2.resize(height, (shape[1], shape[0]), interpolation=cv2.INTER_AREA)
    lit = _sum_of_light(x, y, small, light)
    return np.asarray(
        cv2.resize(lit, (height.shape[1], height.shape[0]), interpolation=cv2.INTER_LINEAR), np.float32
    )


def _sum_of_light(x: FloatArray, y: FloatArray, height: FloatArray, light: Lighting) -> FloatArray:
    step = float(x[0, 1] - x[0, 0])
    normal = normals(height, 1 / step)
    point = np.dstack([x, y, height]).astype(np.float32)
    lit = np.broadcast_to(light.room, point.shape).astype(np.float32)
    for number, lamp in enumerate(light.lamps):
        through = shadowed(x, y, light.shade) if number == 0 else 1.0
        lit = lit + (irradiance(point, normal, lamp) * through)[..., None] * lamp.colour
    return np.asarray(lit, np.float32)


def _places(shape: tuple[int, ...], step: int) -> tuple[FloatArray, FloatArray]:
    """(H, W) x and y [mm] of a page's pixels, 0 in its middle."""
    x = (np.arange(shape[1], dtype=np.float32) + 0.5 - shape[1] / 2) * step / PX_PER_MM
    y = (np.arange(shape[0], dtype=np.float32) + 0.5 - shape[0] / 2) * step / PX_PER_MM
    return tuple(np.meshgrid(x, y))  # type: ignore[return-value]
