"""What lies before the camera? The opened sheet with its film on a table.

Page coordinates [mm]: origin in the page's middle, x right, y down, height up. The fold lies along x = 0.
"""

from dataclasses import dataclass
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.shop.film import PX_PER_MM, Film, Wing
from tests.shop.noise import Field, fractal, ramp, smooth
from tests.shop.pigment import Material, layer_reflectance, mix_ratio, seen_reflectance

Ground = Literal["wood", "steel", "mat"]
Pixels = NDArray[np.float32]

# Office paper, whitened: it returns a little more blue than red.
PAPER: Final = np.array([0.845, 0.86, 0.885], np.float32)


@dataclass(frozen=True)
class PaperSpec:
    """A sheet as it lies.

    size : [mm] width across the fold, length along it
    fold : [rad] by which each half rises from the table; buckle : [mm] of waves in the paper
    printed : (H, W) sRGB grey of what is printed on it, None for plain paper
    notes : (x, y, text) written by hand, [mm] from the top left corner to the line's start
    smudges : finger marks of sealant
    """

    size: tuple[float, float]
    fold: tuple[float, float] = (0.02, 0.03)
    buckle: float = 0.5
    printed: NDArray[np.uint8] | None = None
    notes: tuple[tuple[float, float, str], ...] = ()
    smudges: int = 0


@dataclass(frozen=True)
class Sheet:
    """The paper with its film, on a grid of px_per_mm over the whole page.

    reflectance : (H, W, 3) linear, without mirror part; slope : (H, W, 2) of the surface; film : (H, W) 0..1
    """

    px_per_mm: float
    size: tuple[float, float]
    reflectance: Pixels
    slope: Pixels
    film: Field


def lay_sheet(
    rng: np.random.Generator,
    paper: PaperSpec,
    film: Film,
    material: Material,
    px_per_mm: float,
    offset: float,
) -> Sheet:
    """The film on its paper.

    px_per_mm : of the result; finer than the photograph
    offset : [mm] of the film's middle along the fold, from the page's middle
    """
    width, height = (round(side * px_per_mm) for side in paper.size)
    fibres = 0.006 * fractal(rng, (height, width), 0.5 * px_per_mm, 2, 0.8) + 0.004 * smooth(
        rng, (height, width), 25.0 * px_per_mm
    )
    ground = PAPER * (1.0 + fibres)[..., None]
    if paper.printed is not None:
        ink = _linear(cv2.resize(paper.printed, (width, height), interpolation=cv2.INTER_AREA))
        # Toner has its own black and is never as even as paper.
        ground *= np.maximum(ink, 0.035)[..., None]
    _write(rng, ground, paper.notes, px_per_mm)
    _touch(rng, ground, paper.smudges, material, px_per_mm)
    slope = np.float32(0.005) * np.dstack([smooth(rng, (height, width), 0.6 * px_per_mm) for _ in range(2)])
    _crease(rng, ground, slope, px_per_mm)
    cover = np.zeros((height, width), np.float32)
    for side, wing in ((-1, film.left), (1, film.right)):
        _lay_wing(ground, slope, cover, wing, side, material, px_per_mm, offset)
    return Sheet(px_per_mm, paper.size, ground, slope, cover)


def _lay_wing(
    ground: Pixels,
    slope: Pixels,
    cover: Field,
    wing: Wing,
    side: int,
    material: Material,
    px_per_mm: float,
    offset: float,
) -> None:
    """One wing laid over the ground, in place."""
    height, width = cover.shape
    flip = -1.0 if side < 0 else 1.0
    # Only the part of the page that the wing's grid covers.
    a = PX_PER_MM / px_per_mm
    rows, columns = wing.share.shape
    across = min(int(columns / a), width // 2)
    first = max(0, int(height / 2 + offset * px_per_mm - rows / a / 2))
    last = min(height, first + int(rows / a))
    left = width // 2 if side > 0 else width // 2 - across
    part = slice(first, last), slice(left, left + across)
    # From that part's pixels to the wing's grid, pixel centres on pixel centres.
    start = (left + 0.5 - width / 2) * a * flip - 0.5
    to_wing = np.array(
        [
            [flip * a, 0.0, start],
            [0.0, a, rows / 2 + a * (first + 0.5 - height / 2 - offset * px_per_mm) - 0.5],
        ]
    )

    def laid(field: Pixels) -> Pixels:
        field = cv2.GaussianBlur(field, (0, 0), max(0.3, 0.45 * a))
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return cv2.warpAffine(
            field, to_wing, (across, last - first), flags=flags, borderMode=cv2.BORDER_REPLICATE
        )

    thickness, share = laid(wing.thickness), laid(wing.share)
    coverage = ramp(thickness, 0.004, 0.03)
    ratio = mix_ratio(material, share * material.fraction)
    body = layer_reflectance(ratio, (material.scatter * thickness)[..., None], ground[part])
    wet = seen_reflectance(body, gloss=False)
    over = coverage[..., None]
    ground[part] = ground[part] * (1.0 - over) + wet * over
    steps = np.gradient(wing.height * np.float32(PX_PER_MM))
    slopes = np.dstack([np.float32(flip) * laid(np.float32(steps[1])), laid(np.float32(steps[0]))])
    slope[part] = slope[part] * (1.0 - over) + slopes * over
    cover[part] = coverage


def _write(
    rng: np.random.Generator, ground: Pixels, notes: tuple[tuple[float, float, str], ...], px_per_mm: float
) -> None:
    """Ball-pen notes, in place."""
    pen = np.array([0.07, 0.09, 0.36], np.float32)
    for x, y, text in notes:
        ink = np.zeros(ground.shape[:2], np.uint8)
        at = (round((x + rng.uniform(0.5, 3.0)) * px_per_mm), round((y - rng.uniform(0.3, 1.0)) * px_per_mm))
        size = px_per_mm * float(rng.uniform(0.13, 0.16))
        wide = max(1, round(0.35 * px_per_mm))
        cv2.putText(ink, text, at, cv2.FONT_HERSHEY_SCRIPT_SIMPLEX, size, 255, wide, cv2.LINE_AA)
        slant = float(rng.uniform(-0.03, 0.03))
        turned = np.array([[1.0, 0.0, 0.0], [slant, 1.0, -slant * at[0]]])
        share = cv2.warpAffine(ink, turned, ink.shape[::-1]).astype(np.float32)[..., None] / 255
        ground *= 1.0 - share * (1.0 - pen)


def _touch(
    rng: np.random.Generator, ground: Pixels, count: int, material: Material, px_per_mm: float
) -> None:
    """Finger marks of sealant near the paper's short edges, where it is held, in place."""
    height, width = ground.shape[:2]
    side = int(30 * px_per_mm)
    y, x = (np.mgrid[0:side, 0:side].astype(np.float32) / np.float32(px_per_mm)) - 15.0
    for _ in range(count):
        turn, long = rng.uniform(0, np.pi), rng.uniform(5.0, 11.0)
        along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
        mark = ramp(1.0 - np.hypot(along / long, across / rng.uniform(3.0, 5.0)), 0.0, 0.7)
        lines = fractal(rng, mark.shape, (0.5 * px_per_mm, 4.0 * px_per_mm), 2, 0.7)
        thick = np.clip(0.02 * mark * (0.6 + lines), 0.0, None)
        left = int(rng.uniform(0, 20) * px_per_mm)
        left = left if rng.random() < 0.5 else width - side - left
        top = int(rng.uniform(0.25, 0.6) * height)
        under = ground[top : top + side, left : left + side]
        ratio = mix_ratio(material, np.full_like(mark, material.fraction))
        under[...] = layer_reflectance(ratio, (material.scatter * thick)[..., None], under)


def _crease(rng: np.random.Generator, ground: Pixels, slope: Pixels, px_per_mm: float) -> None:
    """The fold's own mark: fibres broken along a line, and a valley with soft shoulders."""
    height, width = ground.shape[:2]
    x = (np.arange(width, dtype=np.float32) + 0.5 - width / 2) / px_per_mm
    wander = 0.08 * smooth(rng, (height, 1), 20.0 * px_per_mm)
    across = x[None, :] - wander
    broken = np.exp(-((across / 0.16) ** 2)) * (0.7 + 0.3 * smooth(rng, (height, 1), 1.5 * px_per_mm))
    ground *= (1.0 - 0.10 * broken)[..., None]
    slope[..., 0] += 0.22 * np.sign(across) * np.exp(-np.abs(across) / 0.7)


def paper_height(rng: np.random.Generator, paper: PaperSpec, step_mm: float = 2.0) -> tuple[Field, float]:
    """Height of the paper above the table [mm] on a grid of `step_mm` over the page, and that step."""
    width, length = (int(side / step_mm) + 1 for side in paper.size)
    x = (np.arange(width, dtype=np.float32) - (width - 1) / 2) * step_mm
    rise = np.where(x < 0, -x * np.tan(paper.fold[0]), x * np.tan(paper.fold[1]))
    waves = smooth(rng, (length, width), (80.0 / step_mm, 55.0 / step_mm))
    # Pressed flat along the fold, free at the edges.
    free = ramp(np.abs(x), 5.0, 60.0)
    return np.float32(rise[None, :] + paper.buckle * waves * free + paper.buckle), step_mm


def table(rng: np.random.Generator, kind: Ground, shape: tuple[int, int], px_per_mm: float) -> Pixels:
    """Reflectance of the table, (H, W, 3) linear."""
    if kind == "mat":
        grain = fractal(rng, shape, 1.2 * px_per_mm, 2) * 0.08 + smooth(rng, shape, 60 * px_per_mm) * 0.08
        return np.array([0.045, 0.05, 0.055], np.float32) * (1.0 + grain)[..., None]
    if kind == "steel":
        brushed = 0.05 * fractal(rng, shape, (0.4 * px_per_mm, 60 * px_per_mm), 2, 0.7)
        stains = 0.08 * fractal(rng, shape, 45 * px_per_mm, 3)
        scratch = -0.25 * (smooth(rng, shape, (1.0 * px_per_mm, 90 * px_per_mm)) > 2.6)
        return np.array([0.36, 0.365, 0.37], np.float32) * (1.0 + brushed + stains + scratch)[..., None]
    y = (np.arange(shape[0], dtype=np.float32) / np.float32(px_per_mm))[:, None]
    bend = 5.0 * fractal(rng, shape, (40 * px_per_mm, 160 * px_per_mm), 2)
    rings = 0.5 + 0.5 * np.sin(
        (y + bend + 6.0 * smooth(rng, shape, (18 * px_per_mm, 200 * px_per_mm))) * 2 * np.pi / 9.0
    )
    pores = fractal(rng, shape, (0.35 * px_per_mm, 14 * px_per_mm), 2, 0.7)
    light, dark = np.array([0.46, 0.30, 0.17], np.float32), np.array([0.27, 0.15, 0.075], np.float32)
    mix = np.clip(0.35 * rings + 0.25 + 0.10 * pores + 0.1 * smooth(rng, shape, 50 * px_per_mm), 0, 1)[
        ..., None
    ]
    seam = 1.0 - 0.7 * np.exp(-((np.abs(((y + 37.0) % 92.0) - 46.0) / 0.6) ** 2))
    return (light * (1 - mix) + dark * mix) * seam[..., None]


def _linear(grey: NDArray[np.uint8]) -> Field:
    """Linear light of sRGB levels. Source: IEC 61966-2-1."""
    level = grey.astype(np.float32) / 255
    return np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
