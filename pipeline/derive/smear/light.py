"""How much light fell where? Linear light, and the paper's own brightness divided out of it.

What is left is the reflectance relative to bare paper, channel by channel, so that uneven lamps, a vignette
and the white balance are gone at once. The paper around the film is the only witness: its logarithm is fitted
by a smooth surface, from which whatever is darker (film, print) or brighter (glare) is thrown out again and
again.
"""

from dataclasses import dataclass
from functools import cache
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.derive.smear import shading
from pipeline.derive.smear.arrays import BoolArray, FloatArray, PixelArray
from pipeline.derive.smear.find import Canvas
from pipeline.derive.smear.tone import Tone, fit_tone, read_steps

GRID_PX: Final = 8  # the surface is fitted on every 8th pixel's average: it holds nothing finer
_ORDER: Final = 3
_PASSES: Final = 10
_REACH_FIRST: Final = 0.5  # of log light: paper that the first plane finds
_RIDGE: Final = 1e-3  # keeps terms still that the paper seen leaves open
_BURNT: Final = 0.96  # linear light
_BURNT_MAX: Final = 0.05
_BY_NOISE: Final = (1, 0, 2)  # green first: a camera sees it with the least noise
_REC709: Final = np.array([0.2126, 0.7152, 0.0722], np.float32)


@dataclass(frozen=True)
class Light:
    """Reflectance relative to the paper, and what is known about the light.

    reflectance : (H, W, 3), linear, 1 the paper; a channel burnt out on the paper repeats the best one
    grey : (H, W), the channel that shows the paper best: green, where it is not burnt out
    grey_clipped : share of the paper on which even that channel is burnt out
    burnt : (H, W), where that channel is burnt out
    paper : (H, W), True where the surface was fitted: bare paper in even light
    paper_spread : robust standard deviation of log reflectance on the paper, at the grid's resolution
    unevenness : brightest over dimmest light on the paper
    local : (H, W) by GRID_PX, log light less the smooth surface: a soft shadow, a buckle of the paper
    tone : by which the levels were straightened; None where no grey steps told
    """

    reflectance: FloatArray
    grey: FloatArray
    grey_clipped: float
    burnt: BoolArray
    paper: BoolArray
    paper_share: float
    paper_spread: float
    unevenness: float
    local: FloatArray
    tone: Tone | None = None


@cache
def _curve(levels: int) -> FloatArray:
    """Linear light of each sRGB level. Source: IEC 61966-2-1."""
    value = np.arange(levels, dtype=np.float64) / (levels - 1)
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return linear.astype(np.float32)


def linear_light(rgb: PixelArray, tone: Tone | None = None) -> FloatArray:
    """sRGB levels as linear light, 0 to 1, straightened by the phone's own tone curve where it is known.

    rgb : any shape, uint8 or uint16
    """
    curve = _curve(256 if rgb.dtype == np.uint8 else 65536)
    if tone is not None:
        curve = tone.straightened(curve)
    if rgb.dtype == np.uint8:
        return np.asarray(cv2.LUT(rgb, curve), np.float32)
    return np.asarray(curve[rgb])


def luminance(linear: FloatArray) -> FloatArray:
    """(H, W) CIE Y of linear sRGB. Source: IEC 61966-2-1."""
    return np.asarray(cv2.transform(linear, _REC709.reshape(1, 3)), np.float32)


def level_light(canvas: Canvas, not_paper: BoolArray) -> Light | None:
    """Divide the light out. not_paper : (H, W), known print. None where too little paper is left to tell."""
    tone = _tone(canvas)
    linear = linear_light(canvas.rgb, tone)
    height, width = linear.shape[:2]
    size = (-(-width // GRID_PX), -(-height // GRID_PX))
    coarse = cv2.resize(linear, size, interpolation=cv2.INTER_AREA)
    usable = canvas.inside & ~not_paper
    usable_share = cv2.resize(usable.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    ok = usable_share > 0.95
    if ok.sum() < 200:
        return None
    log = np.log(np.maximum(coarse, 1e-4))
    terms, degree = _terms(size, None if canvas.fold_x is None else (canvas.fold_x + 0.5) / width)
    paper = shading.even_patch(luminance(coarse), ok)
    full_scale = coarse > _BURNT
    fit = np.zeros((terms.shape[2], 3))
    spread, reach = 0.1, _REACH_FIRST
    for n in range(_PASSES):
        if paper.sum() < 150:
            return None
        # From a patch a plane reaches farther than a surface that bends.
        used = degree <= min(n + 1, _ORDER)
        order, wanted = terms[paper][:, used], log[paper]
        # Burnt out, the paper may be brighter than it shows, never darker.
        wanted = np.where(full_scale[paper], np.maximum(wanted, order @ fit[used]), wanted)
        # Normal equations: the terms are few and of one size, and the grid has thousands of rows.
        fit[used] = np.linalg.solve(order.T @ order + _RIDGE * np.eye(order.shape[1]), order.T @ wanted)
        surface = terms @ fit
        apart = (np.where(full_scale, np.maximum(log, surface), log) - surface).mean(axis=2)
        inner = apart[paper]
        spread = float(1.4826 * np.median(np.abs(inner - np.median(inner))))
        reach = max(0.012, 3.0 * spread, reach / 3)
        kept = ok & (np.abs(apart - np.median(inner)) < reach)
        if n >= _ORDER and (kept == paper).all():
            break
        paper = kept
    surface = terms @ fit
    rest = np.where(full_scale, np.maximum(log, surface), log) - surface
    paper = shading.hanging_together(paper, rest.mean(axis=2), ok)
    local = shading.carried_on(rest, paper)
    field = np.maximum(np.exp(surface + local), 1e-4).astype(np.float32)
    full = cv2.resize(field, (size[0] * GRID_PX, size[1] * GRID_PX), interpolation=cv2.INTER_LINEAR)
    reflectance = np.asarray(cv2.divide(linear, full[:height, :width]), np.float32)
    burnt = [float((coarse[..., n][paper] > _BURNT).mean()) for n in range(3)]
    best = min(_BY_NOISE, key=lambda n: burnt[n] > _BURNT_MAX and burnt[n])
    for n in range(3):
        if burnt[n] > _BURNT_MAX and n != best:
            reflectance[..., n] = reflectance[..., best]
    burnt_out = np.asarray(linear[..., best] > _BURNT)
    on_paper = luminance(field)[paper]
    wide = cv2.resize(
        paper.astype(np.uint8), (size[0] * GRID_PX, size[1] * GRID_PX), interpolation=cv2.INTER_NEAREST
    )
    return Light(
        reflectance=reflectance,
        grey=np.where(burnt_out, np.maximum(reflectance[..., best], 1.0), reflectance[..., best]),
        grey_clipped=burnt[best],
        burnt=burnt_out,
        paper=np.asarray(wide[:height, :width] > 0),
        paper_share=float(paper.sum() / ok.sum()),
        paper_spread=spread,
        unevenness=float(np.percentile(on_paper, 98) / np.percentile(on_paper, 2)),
        local=local.mean(axis=2),
        tone=tone,
    )


def _tone(canvas: Canvas) -> Tone | None:
    """The phone's tone curve from the printed steps; None without a sheet."""
    if canvas.sheet is None or canvas.px_per_mm is None:
        return None
    geometry = canvas.sheet.geometry
    # The lower strip alone carries the steps.
    top = round((geometry.grey_steps[0][0][1] - 4.0) * canvas.px_per_mm)
    grey = np.zeros(canvas.inside.shape, np.float32)
    grey[top:] = luminance(linear_light(canvas.rgb[top:]))
    return fit_tone(read_steps(grey, canvas.inside, geometry, canvas.px_per_mm))


@cache
def _terms(size: tuple[int, int], fold: float | None) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """(H, W, T) powers of x and y up to _ORDER together, each -1 to 1 over the picture; (T,) their degrees.

    fold : where the paper is creased, as a share of the width. Its halves face the lamp differently, each by
    as much more or less as it leans: a step and a bend of the light there.
    """
    x = np.linspace(-1, 1, size[0])[None, :]
    y = np.linspace(-1, 1, size[1])[:, None]
    powers = [(i, j) for i in range(_ORDER + 1) for j in range(_ORDER + 1 - i)]
    terms, degrees = [x**i * y**j for i, j in powers], [i + j for i, j in powers]
    if fold is not None:
        side = np.clip((x - (2 * fold - 1)) * size[0] / 2, -1, 1)
        terms += [side, side * x, side * y]
        degrees += [2, 3, 3]
    return np.stack([np.broadcast_to(term, size[::-1]) for term in terms], axis=2), np.array(degrees)
