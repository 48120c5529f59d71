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

    rgb : (H, W, 3), as photographed
    field : (h, w, 3), the light that fell, for each GRID_PX by GRID_PX pixels
    channels : the three that are read; one burnt out on the paper is replaced by the best
    grey : (H, W), the channel that shows the paper best: green, where it is not burnt out
    grey_clipped : share of the paper on which even that channel is burnt out
    burnt : (H, W), where that channel is burnt out
    paper : (H, W), True where the surface was fitted: bare paper in even light
    paper_spread : robust standard deviation of log reflectance on the paper, at the grid's resolution
    unevenness : brightest over dimmest light on the paper
    local : (H, W) by GRID_PX, log light less the smooth surface: a soft shadow, a buckle of the paper
    tone : by which the levels were straightened; None where no grey steps told
    """

    rgb: PixelArray
    field: FloatArray
    channels: tuple[int, ...]
    grey: FloatArray
    grey_clipped: float
    burnt: BoolArray
    paper: BoolArray
    paper_share: float
    paper_spread: float
    unevenness: float
    local: FloatArray
    tone: Tone | None = None

    def reflectance(self, box: tuple[int, int, int, int]) -> FloatArray:
        """(h, w, 3) linear, 1 the paper. box : (left, top, right, bottom) [px] on the canvas"""
        left, top, right, bottom = box
        # A cell more on each side, between which the light is interpolated.
        x, y = max(0, left // GRID_PX - 1), max(0, top // GRID_PX - 1)
        cells = self.field[y : -(-bottom // GRID_PX) + 1, x : -(-right // GRID_PX) + 1]
        there = cv2.resize(cells, None, fx=GRID_PX, fy=GRID_PX, interpolation=cv2.INTER_LINEAR)
        there = there[top - y * GRID_PX : bottom - y * GRID_PX, left - x * GRID_PX : right - x * GRID_PX]
        linear = linear_light(self.rgb[top:bottom, left:right], self.tone)
        seen = np.asarray(cv2.divide(linear, there), np.float32)
        return seen if self.channels == (0, 1, 2) else seen[..., list(self.channels)]


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
    usable = (canvas.inside & ~not_paper).astype(np.uint8) * 255
    ok = cv2.resize(usable, size, interpolation=cv2.INTER_AREA) > 0.95 * 255
    if ok.sum() < 200:
        return None
    log = np.log(np.maximum(coarse, 1e-4))
    terms, degree = _terms(size, None if canvas.fold_x is None else (canvas.fold_x + 0.5) / width)
    paper = shading.even_patch(luminance(coarse), ok)
    full_scale = coarse > _BURNT
    wanted = np.where(full_scale, 0.0, log)
    fit, surface = np.zeros((len(terms), 3)), np.zeros_like(log)
    spread, reach = 0.1, _REACH_FIRST
    for n in range(_PASSES):
        if paper.sum() < 150:
            return None
        # From a patch a plane reaches farther than a surface that bends.
        used = degree <= min(n + 1, _ORDER)
        # Normal equations: the terms are few and of one size, and the grid has thousands of spots.
        order = terms[used]
        on_paper = order * paper.ravel()
        square = on_paper @ order.T + _RIDGE * np.eye(len(order))
        fit[used] = np.linalg.solve(square, on_paper @ wanted.reshape(-1, 3))
        surface = (terms.T @ fit).reshape(log.shape)
        # Burnt out, the paper may be brighter than it shows, never darker.
        wanted = np.where(full_scale, np.maximum(log, surface), log)
        apart = (wanted - surface) @ np.full(3, 1 / 3)
        inner = apart[paper]
        spread = float(1.4826 * np.median(np.abs(inner - np.median(inner))))
        reach = max(0.012, 3.0 * spread, reach / 3)
        kept = ok & (np.abs(apart - np.median(inner)) < reach)
        if n >= _ORDER and (kept == paper).all():
            break
        paper = kept
    rest = wanted - surface
    paper = shading.hanging_together(paper, rest.mean(axis=2), ok)
    local = shading.carried_on(rest, paper)
    field = np.maximum(np.exp(surface + local), 1e-4).astype(np.float32)
    burnt = [float((coarse[..., n][paper] > _BURNT).mean()) for n in range(3)]
    best = min(_BY_NOISE, key=lambda n: burnt[n] > _BURNT_MAX and burnt[n])
    shown = linear_light(cv2.extractChannel(canvas.rgb, best), tone)
    over_all = cv2.resize(np.ascontiguousarray(field[..., best]), (size[0] * GRID_PX, size[1] * GRID_PX))
    grey = np.asarray(cv2.divide(shown, over_all[:height, :width]), np.float32)
    burnt_out = np.asarray(shown > _BURNT)
    grey[burnt_out] = np.maximum(grey[burnt_out], 1.0)
    light_there = luminance(field)[paper]
    wide = cv2.resize(
        paper.astype(np.uint8), (size[0] * GRID_PX, size[1] * GRID_PX), interpolation=cv2.INTER_NEAREST
    )
    return Light(
        rgb=canvas.rgb,
        field=field,
        channels=tuple(best if burnt[n] > _BURNT_MAX else n for n in range(3)),
        grey=grey,
        grey_clipped=burnt[best],
        burnt=burnt_out,
        paper=np.asarray(wide[:height, :width] > 0),
        paper_share=float(paper.sum() / ok.sum()),
        paper_spread=spread,
        unevenness=float(np.percentile(light_there, 98) / np.percentile(light_there, 2)),
        local=local.mean(axis=2),
        tone=tone,
    )


def _tone(canvas: Canvas) -> Tone | None:
    """The phone's tone curve from the printed steps; None without a sheet."""
    if canvas.sheet is None:
        return None
    geometry = canvas.sheet.geometry
    # The lower strip alone carries the steps.
    top = round((geometry.grey_steps[0][0][1] - 4.0) * canvas.px_per_mm)
    grey = np.zeros(canvas.inside.shape, np.float32)
    grey[top:] = luminance(linear_light(canvas.rgb[top:]))
    return fit_tone(read_steps(grey, canvas.inside, geometry, canvas.px_per_mm))


@cache
def _terms(size: tuple[int, int], fold: float | None) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """(T, H W) powers of x and y up to _ORDER together, each -1 to 1 over the picture; (T,) their degrees.

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
    return np.stack([np.broadcast_to(term, size[::-1]).ravel() for term in terms]), np.array(degrees)
