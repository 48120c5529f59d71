"""How would someone draw a smear photograph who knows the trade and little optics? Flat, in few lines.

A third renderer, which shares no line with the other two but the sheet that the program itself prints. Mixing
is a pattern of curing agent on one wing, mirrored onto the other with a slight shift and stretch; relief is
noise of each wing's own; light is a slope, the lens a blur, the sensor shot noise.
"""

from functools import cache
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.derive.smear.sheet import draw_sheet

Image = NDArray[np.float32]
PX_PER_MM: Final = 8.0
PAGES: Final = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}  # [mm], as the fold lies upright
FLAWS: Final = ("blur", "shake", "burnt", "dark", "glare", "shadow", "cut off", "far away")
# Kubelka-Munk K/S of the whole mix. Source: P. Kubelka, F. Munk, Z. Tech. Phys. 12 (1931) 593-601.
MATERIALS: Final = {"black": (14.0, 25.0), "dark_grey": (5.0, 9.0), "mid_grey": (1.5, 3.0)}
MIXES: Final = {"good": (0.005, 0.03), "borderline": (0.04, 0.09), "streaked": (0.11, 0.35)}


def plain_photo(seed: int) -> tuple[bytes, dict[str, Any]]:
    """A JPEG and its truth: mix, cov (of the curing agent's share), usable, why_not and what was drawn."""
    rng = np.random.default_rng(seed)
    mix = str(rng.choice(list(MIXES), p=[0.5, 0.1, 0.4]))
    material = str(rng.choice(list(MATERIALS)))
    page = str(rng.choice(["none", *PAGES]))
    flaw = str(rng.choice(FLAWS)) if rng.random() < 0.25 else ""
    radius = rng.uniform(26, 42) * PX_PER_MM

    agent, inside, pattern = _wing(rng, radius, rng.uniform(*MIXES[mix]))
    cov = float(agent[inside < 0.95].std() / agent[inside < 0.95].mean())
    film, out = _film(rng, agent, inside, rng.uniform(*MATERIALS[material]))
    # The edge as sharp as knife and lens make it, or fading into the paper.
    cover = np.clip((1 - out) / rng.choice([0.006, 0.012, 0.03]), 0, 1)[..., None]

    scene = _paper(rng, page)
    tall, wide = scene.shape[:2]
    top, left = int(tall * rng.uniform(0.46, 0.54)) - film.shape[0] // 2, wide // 2 - film.shape[1] // 2
    place = np.s_[top : top + film.shape[0], left : left + film.shape[1]]
    scene[place] = scene[place] * (1 - cover) + film[..., None] * cover
    middle = np.array([wide / 2, top + film.shape[0] / 2])
    scene = _lit(rng, scene, middle, radius, flaw)
    pixels, long_side = _seen(rng, scene, flaw, radius)
    _, jpeg = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(82, 97))])
    return jpeg.tobytes(), {
        "mix": mix, "cov": cov, "material": material, "pattern": pattern, "sheet": page != "none",
        "usable": not flaw, "why_not": [flaw] if flaw else [], "agent_rich": False, "light": "a slope",
        "ground": "bench", "tilt_deg": 0.0, "relief": 0.0, "long_side": long_side,
    }  # fmt: skip


def _noise(rng: np.random.Generator, shape: tuple[int, ...], wide: float, tall: float | None = None) -> Image:
    """Smooth noise of unit deviation, by the deviations [px] of its blur."""
    rough = cv2.GaussianBlur(rng.normal(size=shape[:2]).astype(np.float32), (0, 0), wide, sigmaY=tall or wide)
    return np.asarray(rough / rough.std(), np.float32)


def _grid(shape: tuple[int, ...]) -> tuple[Image, Image]:
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    return x, y


def _pattern(rng: np.random.Generator, shape: tuple[int, int]) -> tuple[Image, str]:
    """How the curing agent's share deviates over a wing, mean 0 and deviation 1, and its name."""
    x, y = _grid(shape)
    kind = str(rng.choice(["stripes", "swirl", "blotch", "specks"], p=[0.4, 0.3, 0.2, 0.1]))
    if kind == "stripes":
        run, step = rng.uniform(0, np.pi), rng.uniform(2, 8) * PX_PER_MM
        bent = _noise(rng, shape, 6 * PX_PER_MM) * rng.uniform(0.5, 2) * PX_PER_MM
        field = np.sin(2 * np.pi * (x * np.cos(run) + y * np.sin(run) + bent) / step)
        field = field * (1 + 0.5 * _noise(rng, shape, 5 * PX_PER_MM))
    elif kind == "swirl":
        thin, long = 0.7 * PX_PER_MM, 6 * PX_PER_MM
        threads = _noise(rng, shape, *((thin, long) if rng.random() < 0.5 else (long, thin)))
        aside, down = (_noise(rng, shape, 8 * PX_PER_MM) * 3 * PX_PER_MM for _ in range(2))
        field = cv2.remap(threads, x + aside, y + down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    elif kind == "blotch":
        field = _noise(rng, shape, rng.uniform(1.5, 4) * PX_PER_MM)
    else:
        field = np.zeros(shape, np.float32)
        for _ in range(rng.integers(15, 60)):
            spot = (int(rng.integers(shape[1])), int(rng.integers(shape[0])))
            cv2.circle(field, spot, int(rng.uniform(0.5, 1.5) * PX_PER_MM), -1.0, -1)
        field = cv2.GaussianBlur(field, (0, 0), 0.2 * PX_PER_MM)
    return np.asarray((field - field.mean()) / field.std(), np.float32), kind


def _wing(rng: np.random.Generator, radius: float, cov: float) -> tuple[Image, Image, str]:
    """The curing agent's share on one wing, how far out each spot lies (the rim at 1), the pattern's name."""
    shape = (int(2.6 * radius), int(1.5 * radius))
    x, y = _grid(shape)
    tall, turn = rng.uniform(0.8, 1.3), rng.uniform(0, 2 * np.pi, 2)
    down = (y - shape[0] / 2) / tall
    angle = np.arctan2(down, x + 1)
    lumps = 1 + 0.06 * np.sin(2 * angle + turn[0]) + 0.04 * np.sin(5 * angle + turn[1])
    deviation, kind = _pattern(rng, shape)
    out = np.hypot(down, x) / (radius * lumps)
    return np.clip(1 + cov * deviation, 0.02, 4), np.asarray(out, np.float32), kind


def _film(rng: np.random.Generator, agent: Image, out: Image, absorbs: float) -> tuple[Image, Image]:
    """Both wings opened: reflectance with relief and gloss, and how far out each spot lies."""
    x, y = _grid(agent.shape)
    slid = rng.uniform(-0.5, 0.5) * PX_PER_MM
    stretched = _noise(rng, agent.shape, 15 * PX_PER_MM) * rng.uniform(0.1, 0.4) * PX_PER_MM
    there = (x + stretched, y + slid + stretched)
    other = cv2.remap(agent, *there, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    ratio = np.concatenate([other[:, ::-1], agent], axis=1) * absorbs + 0.02
    reflected = 1 + ratio - np.sqrt(ratio**2 + 2 * ratio)
    depth = rng.uniform(0.01, 0.04)
    wide, tall = rng.uniform(0.25, 0.6) * PX_PER_MM, rng.uniform(0.3, 1.2) * PX_PER_MM
    relief = _noise(rng, reflected.shape, wide, tall)
    gloss = 0.012 * (1 + 10 * depth * np.maximum(relief, 0) ** 2 * rng.uniform(0.2, 1))
    film = reflected * (1 + depth * relief) + gloss
    rim = np.concatenate([out[:, ::-1] * (1 + 0.02 * rng.normal()), out], axis=1)
    return np.asarray(film, np.float32), np.asarray(rim, np.float32)


@cache
def _printed(page: str) -> Image:
    wide, tall = (round(side * PX_PER_MM) for side in PAGES[page])
    grey = draw_sheet("a4" if page == "a4" else "letter", 25.4 * PX_PER_MM, "0007", "hall-9", "pump-a")
    ink = cv2.resize(grey, (wide, tall), interpolation=cv2.INTER_AREA) / 255.0
    return np.asarray(0.04 + 0.82 * ink**2.2, np.float32)


def _paper(rng: np.random.Generator, page: str) -> Image:
    """(H, W, 3) reflectance of the opened sheet, with its crease and a tint."""
    wide, tall = (round(side * PX_PER_MM) for side in PAGES["a4" if page == "none" else page])
    grey = np.full((tall, wide), 0.86, np.float32) if page == "none" else _printed(page)
    grey = grey * (1 + 0.004 * _noise(rng, grey.shape, 1.2))
    grey[:, wide // 2 - 1 : wide // 2 + 1] *= 0.97
    return np.asarray(grey[..., None] * (1 + 0.02 * rng.normal(size=3)), np.float32)


def _lit(rng: np.random.Generator, scene: Image, middle: NDArray[Any], radius: float, flaw: str) -> Image:
    """The sheet under a lamp that falls off to one side."""
    x, y = _grid(scene.shape)
    if flaw == "glare":
        at = middle + rng.uniform(-0.5, 0.5, 2) * radius
        reach = rng.uniform(0.3, 0.5) * radius
        shine = np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * reach**2))
        # Paper is matt: the lamp is seen in the film alone.
        scene = scene + (0.9 * shine * np.where(scene[..., 0] < 0.5, 1.0, 0.15))[..., None]
    if flaw == "shadow":
        run = rng.uniform(0, 2 * np.pi)
        aside = x - middle[0] - rng.uniform(-0.4, 0.4) * radius
        across = aside * np.cos(run) + (y - middle[1]) * np.sin(run)
        scene = scene * (1 - 0.6 / (1 + np.exp(-np.clip(across / (0.3 * PX_PER_MM), -50, 50))))[..., None]
    run, slope = rng.uniform(0, 2 * np.pi), rng.uniform(0, 0.5)
    falls = (x / scene.shape[1] - 0.5) * np.cos(run) + (y / scene.shape[0] - 0.5) * np.sin(run)
    lamp = np.array([(0.85, 1, 1.12), (1, 1, 1), (1.1, 1, 0.9)][rng.integers(3)])
    return np.asarray(scene * (1 + slope * falls)[..., None] * lamp, np.float32)


def _seen(rng: np.random.Generator, sheet: Image, flaw: str, radius: float) -> tuple[NDArray[np.uint8], int]:
    """The photograph, sRGB, and its long side [px]."""
    long_side = 500 if flaw == "far away" else int(rng.choice([1600, 2400, 3200, 4000]))
    size = np.array([long_side, long_side * 3 // 4])
    extent = np.array([sheet.shape[1], sheet.shape[0]])
    scale = float((size * (1 - 2 * rng.uniform(0.02, 0.12)) / extent).min())
    corners = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * extent
    turn = np.deg2rad(rng.uniform(-6, 6))
    level = (
        (corners - extent / 2)
        * scale
        @ np.array([(np.cos(turn), np.sin(turn)), (-np.sin(turn), np.cos(turn))])
    )
    aside = np.array([size[0] / 2 - rng.uniform(-0.2, 0.2) * radius * scale, 0]) if flaw == "cut off" else 0
    held = level * (1 + rng.uniform(0, 0.06) * rng.uniform(-1, 1, (4, 1))) + size / 2 + aside
    view = cv2.getPerspectiveTransform(corners.astype(np.float32), held.astype(np.float32))
    shape = (int(size[0]), int(size[1]))
    paper = cv2.warpPerspective(np.ones(sheet.shape[:2], np.float32), view, shape)[..., None]
    bench = rng.choice([0.1, 0.25, 0.4]) * (1 + 0.05 * _noise(rng, (shape[1], shape[0]), 3))
    light = bench[..., None] * np.array([0.8, 0.95, 1.1]) * (1 - paper)
    light += cv2.warpPerspective(sheet, view, shape, flags=cv2.INTER_AREA) * paper
    per_mm = PX_PER_MM * scale
    blur = rng.uniform(0.8, 1.3) * per_mm if flaw == "blur" else rng.uniform(0.6, 1.1)
    light = cv2.GaussianBlur(light, (0, 0), blur)
    if flaw == "shake":
        light = _shaken(rng, light, int(rng.uniform(3, 6) * per_mm) | 1)
    lightest = {"burnt": (2.5, 4.0), "dark": (0.005, 0.02)}.get(flaw, (0.6, 0.9))
    exposed = rng.uniform(*lightest)
    light = light / np.percentile(light, 99.5) * exposed
    light += rng.normal(size=light.shape) * np.sqrt(np.maximum(light, 0) * 2e-4 + 2e-6)
    light = np.clip(light, 0, 1)
    # IEC 61966-2-1, the sRGB curve.
    curve = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.rot90((curve * 255 + 0.5).astype(np.uint8), int(rng.integers(4))).copy(), long_side


def _shaken(rng: np.random.Generator, light: Image, length: int) -> Image:
    trail = np.zeros((length, length), np.float32)
    trail[length // 2] = 1
    turned = cv2.getRotationMatrix2D((length // 2, length // 2), rng.uniform(0, 180), 1)
    way = cv2.warpAffine(trail, turned, (length, length))
    return np.asarray(cv2.filter2D(light, -1, way / way.sum()), np.float32)
