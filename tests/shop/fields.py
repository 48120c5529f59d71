"""What does a smear look like whose mixing is known in closed form? Plain fields on a sheet, no renderer.

Independent of the physical renderer beside it: no relief, no gloss, no translucency. A fraction of curing
agent with a known coefficient of variation, single-constant Kubelka-Munk, an even lamp, a flat camera.
"""

from collections.abc import Callable

import cv2
import numpy as np

from pipeline.derive.smear.sheet import Page, draw_sheet, sheet_geometry

FRACTION = 1 / 11
PAPER = 0.86
KS_BASE = 0.00555556  # R 0.90


def flat(x, y):
    """An even mix."""
    return np.ones_like(x)


def sine(a: float, wavelength: float) -> Callable:
    """1 + a sin along the fold: CoV a/sqrt(2). wavelength [mm]."""
    return lambda _, y: 1 + a * np.sin(2 * np.pi * y / wavelength)


def bands(a: float, width: float) -> Callable:
    """Two equal-area levels 1 +- a along the fold: CoV a. width of a band [mm]."""
    return lambda _, y: np.where(np.floor(y / width) % 2 == 0, 1 + a, 1 - a)


def streak(width: float, angle_deg: float = 80.0) -> Callable:
    """A white streak of pure base across an even mix, mirrored as everything is."""

    def field(x, y):
        t = np.deg2rad(angle_deg)
        off = np.abs((x - 25) * np.sin(t) - y * np.cos(t))
        return np.where((off < width / 2) & (np.abs(y) < 30), 0.0, 1.0)

    return field


def photograph(
    pattern: Callable = flat,
    *,
    page: Page | None = "a4",
    agent_r: float = 0.05,
    size_mm: tuple[float, float] = (120.0, 90.0),
    px_per_mm: float = 5.0,
    turn_deg: float = 0.0,
    gradient: float = 0.25,
    noise: float = 0.004,
    blur_px: float = 0.6,
    wings: bool = True,
    seed: int = 1,
):
    """(H, W, 3) uint8 sRGB. pattern : relative fraction at (|x| from the fold, y) [mm]; None: no print."""
    rng = np.random.default_rng(seed)
    geometry = sheet_geometry(page or "a4")
    dpi = px_per_mm * 25.4
    paper = draw_sheet(page, dpi, "000001", "hall-9", "pump-a") if page else None
    height, width = (round(side * px_per_mm) for side in (geometry.height, geometry.width))
    grey = paper if paper is not None else np.full((height, width), 255, np.uint8)
    level = grey.astype(np.float64) / 255
    reflectance = PAPER * np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    y, x = (axis / px_per_mm for axis in np.mgrid[: grey.shape[0], : grey.shape[1]].astype(np.float32))
    x, y = x - geometry.fold_x, y - geometry.height / 2
    if wings:
        fraction = FRACTION * pattern(np.abs(x), y)
        agent = (1 - agent_r) ** 2 / (2 * agent_r)
        ks = (1 - fraction) * KS_BASE + fraction * agent
        film = 1 + ks - np.sqrt(ks**2 + 2 * ks)
        on = (np.abs(2 * x / size_mm[0]) ** 2.5 + np.abs(2 * y / size_mm[1]) ** 2.5) < 1
        reflectance = np.where(on, film, reflectance)
    margin = round(12 * px_per_mm)
    table = np.full((reflectance.shape[0] + 2 * margin, reflectance.shape[1] + 2 * margin), 0.12)
    table[margin:-margin, margin:-margin] = reflectance
    light = 1 + gradient * np.linspace(-1, 1, table.shape[1])[None, :] * np.ones((table.shape[0], 1))
    linear = (0.75 * table * light).astype(np.float32)
    if turn_deg:
        centre = (table.shape[1] / 2, table.shape[0] / 2)
        m = cv2.getRotationMatrix2D(centre, turn_deg, 0.8)
        linear = cv2.warpAffine(linear, m, table.shape[::-1], borderValue=0.09)
    linear = cv2.GaussianBlur(linear, (0, 0), blur_px)
    rgb = linear[..., None] * np.array([1.0, 0.95, 0.86], np.float32)
    rgb = rgb + noise * np.sqrt(np.maximum(rgb, 1e-3)) * rng.standard_normal(rgb.shape, np.float32)
    rgb = np.clip(rgb, 0, 1)
    srgb = np.where(rgb <= 0.0031308, 12.92 * rgb, 1.055 * rgb ** (1 / 2.4) - 0.055)
    return (255 * srgb).round().astype(np.uint8)
