"""What does a phone make of a sheet on a table? Light, gloss, perspective, lens, sensor, tone, JPEG.

Sheets and films come in as linear reflectance with a height; a photograph in 8-bit sRGB goes out. The sheet
lies in the plane z = 0, x right and y down in millimetres from its middle.

Sources: IEC 61966-2-1 (sRGB); Planck's law for the lamps; Blinn-Phong for the gloss (1977, from memory).
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Light:
    """A lamp over the table and what the room sends back. Place in mm from the sheet's middle, z up."""

    lamp_mm: tuple[float, float, float] = (-500.0, -700.0, 1100.0)
    kelvin: float = 4500.0
    room: float = 0.35  # share of light from everywhere
    gloss: float = 0.05  # strength of the lamp's mirror image in the film
    sharpness: float = 30.0  # of that image
    shadow: tuple[float, float, float, float] | None = (
        None  # x, y, radius [mm], depth 0..1: a hand in the light
    )


@dataclass(frozen=True)
class Camera:
    """How the phone was held, and the phone."""

    tilt_deg: float = 6.0
    tilt_to_deg: float = 40.0  # which way it leans
    turn_deg: float = 0.0
    fill: float = 0.92  # of the picture's width by the sheet's
    shift: tuple[float, float] = (0.0, 0.0)  # of the sheet's middle, share of the picture
    size: tuple[int, int] = (1600, 1200)
    blur_px: float = 0.7
    motion_px: float = 0.0
    motion_deg: float = 0.0
    noise: float = 0.006  # deviation at white, linear
    exposure: float = 0.72  # of the brightest paper, linear
    balanced: float = 0.8  # how much of the lamp's colour the phone takes off by itself
    white_error: tuple[float, float] = (1.0, 1.0)  # red and blue gains left over by the phone
    contrast: float = 0.15  # of the phone's tone curve, 0 plain sRGB
    sharpen: float = 0.3
    vignette: float = 0.12
    quality: int = 88


def lamp_rgb(kelvin: float) -> Array:
    """Linear R, G, B of a black body over that of 6500 K, green 1."""
    nm = np.array([610.0, 545.0, 455.0]) * 1e-9

    def planck(t: float) -> Array:
        return 1 / (np.expm1(0.014388 / (nm * t)) * nm**5)

    rgb = planck(kelvin) / planck(6500.0)
    return rgb / rgb[1]


def shade(
    albedo: Array,
    normal: Array,
    gloss: Array,
    light: Light,
    px_per_mm: float,
    eye_mm: tuple[float, float, float],
) -> Array:
    """(H, W, 3) light leaving a surface towards the camera.

    albedo : (H, W, 3); normal : (H, W, 3) of unit length; gloss : (H, W), 0 for paper
    """
    height, width = gloss.shape
    y, x = np.mgrid[:height, :width] / px_per_mm
    place = np.stack([x - width / px_per_mm / 2, y - height / px_per_mm / 2, np.zeros_like(x)], axis=-1)
    to_lamp = np.array(light.lamp_mm) - place
    distance = np.linalg.norm(to_lamp, axis=-1, keepdims=True)
    to_lamp /= distance
    to_eye = np.array(eye_mm) - place
    to_eye /= np.linalg.norm(to_eye, axis=-1, keepdims=True)
    middle = to_lamp + to_eye
    middle /= np.linalg.norm(middle, axis=-1, keepdims=True)
    far = np.linalg.norm(light.lamp_mm)
    direct = np.clip((normal * to_lamp).sum(axis=-1), 0, 1) * (far / distance[..., 0]) ** 2
    if light.shadow is not None:
        sx, sy, radius, depth = light.shadow
        away = np.hypot(place[..., 0] - sx, (place[..., 1] - sy) * 0.7) - radius
        direct = direct * (1 - depth / (1 + np.exp(np.clip(away / 3.0, -50, 50))))
    bounced = light.room + (1 - light.room) * direct
    image = light.gloss * gloss * np.clip((normal * middle).sum(axis=-1), 0, 1) ** light.sharpness * direct
    return (albedo * bounced[..., None] + image[..., None] * light.sharpness / 8) * lamp_rgb(light.kelvin)


def table_top(size: tuple[int, int], kind: str, rng: np.random.Generator) -> Array:
    """(H, W, 3) linear reflectance of the table: wood, steel or a dark mat."""
    width, height = size
    grain = cv2.GaussianBlur(rng.normal(size=(height, width)), (0, 0), 1.2)
    if kind == "wood":
        long = cv2.GaussianBlur(rng.normal(size=(height, width)), (0, 0), sigmaX=60, sigmaY=2.0)
        veins = long / long.std() * 0.16 + grain / grain.std() * 0.05
        return np.clip(np.array([0.36, 0.22, 0.12]) * (1 + veins[..., None]), 0.01, 1)
    if kind == "steel":
        brushed = cv2.GaussianBlur(rng.normal(size=(height, width)), (0, 0), sigmaX=40, sigmaY=0.8)
        return np.clip(0.30 * (1 + 0.10 * brushed / brushed.std())[..., None] * np.ones(3), 0.01, 1)
    return np.clip(0.05 * (1 + 0.2 * grain / grain.std())[..., None] * np.array([0.9, 1, 1.1]), 0.005, 1)


def homography(sheet_mm: tuple[float, float], px_per_mm: float, camera: Camera) -> tuple[Array, float]:
    """From the raster of the sheet to the picture, and the picture's px/mm in its middle."""
    width, height = camera.size
    lean, to, turn = np.deg2rad([camera.tilt_deg, camera.tilt_to_deg, camera.turn_deg])

    def about_z(angle: float) -> Array:
        c, s = np.cos(angle), np.sin(angle)
        return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])

    c, s = np.cos(lean), np.sin(lean)
    tilt = np.array([[1, 0, 0], [0, c, -s], [0, s, c]])
    rotation = about_z(to) @ tilt @ about_z(-to) @ about_z(turn)
    focal = 1.15 * width
    distance = focal * sheet_mm[0] / (camera.fill * width)
    corner = np.array(sheet_mm) / 2
    to_mm = np.array([[1 / px_per_mm, 0, -corner[0]], [0, 1 / px_per_mm, -corner[1]], [0, 0, 1]])
    pose = np.column_stack([rotation[:, 0], rotation[:, 1], [0, 0, distance]])
    lens = np.array(
        [[focal, 0, width * (0.5 + camera.shift[0])], [0, focal, height * (0.5 + camera.shift[1])], [0, 0, 1]]
    )
    return lens @ pose @ to_mm, focal / distance


def expose(
    linear: Array, camera: Camera, lamp: Array, paper: float, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """(H, W, 3) sRGB of a linear picture.

    lamp : (3,) its colour, which the phone balances; paper : level of the brightest, which it exposes for
    """
    height, width = linear.shape[:2]
    y, x = np.mgrid[:height, :width]
    off = ((x / width - 0.5) ** 2 + (y / height - 0.5) ** 2) / 0.5
    picture = (
        linear / lamp**camera.balanced * (camera.exposure / paper) * (1 - camera.vignette * off[..., None])
    )
    picture = cv2.GaussianBlur(picture, (0, 0), camera.blur_px)
    if camera.motion_px > 1:
        picture = cv2.filter2D(picture, -1, _smear(camera.motion_px, camera.motion_deg))
    picture = picture * np.array([camera.white_error[0], 1.0, camera.white_error[1]])
    sigma = camera.noise * np.sqrt(np.clip(picture, 0, None) + 0.02)
    # The sensor sees a third of each colour and fills in the rest: noise is a little soft.
    grain = cv2.GaussianBlur(rng.normal(size=picture.shape), (0, 0), 0.55) * 2.0
    picture = np.clip(picture + sigma * grain, 0, 1)
    tone = np.where(
        picture <= 0.0031308, 12.92 * picture, 1.055 * np.maximum(picture, 1e-9) ** (1 / 2.4) - 0.055
    )
    tone = tone + camera.contrast * (tone * tone * (3 - 2 * tone) - tone)
    tone = tone + camera.sharpen * (tone - cv2.GaussianBlur(tone, (0, 0), 1.2))
    return np.clip(np.round(tone * 255), 0, 255).astype(np.uint8)


def _smear(length: float, angle_deg: float) -> Array:
    """Kernel of a hand that moved that many pixels while the shutter was open."""
    side = int(length) | 1
    kernel = np.zeros((side + 2, side + 2))
    middle = (side + 1) / 2
    for step in np.linspace(-length / 2, length / 2, 4 * side):
        x, y = middle + step * np.cos(np.deg2rad(angle_deg)), middle + step * np.sin(np.deg2rad(angle_deg))
        kernel[round(float(y)), round(float(x))] += 1
    return kernel / kernel.sum()
