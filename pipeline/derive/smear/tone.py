"""What did the phone do to the tones? A curve from the sheet's grey steps, which says how dark is dark.

A phone lifts the middle tones and bends the dark ones, so that levels read by the sRGB curve are not yet in
proportion to light. The steps tell, but a printer is no colour chart: its greys are some percent off and its
black has an end. So the curve stays smooth, near the sRGB one where the steps say little, and steps that
contradict each other (glare, a hand over them, a worn drum) are not believed at all.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray
from pipeline.derive.smear.sheet import SheetGeometry

_INSET_MM: Final = 1.6  # off a step's edges, which lens and sharpening smear
_BESIDE_MM: Final = (1.0, 2.5)  # where bare paper lies above and below a step
_PRINTER: Final = 0.12  # standard deviation of log reflectance of a printed grey; common practice, no source
_SLOPE_PRIOR: Final = 0.2
_BEND_PRIOR: Final = 0.05
_DISBELIEVED: Final = 0.2  # of log reflectance, root mean square about the curve
_SLOPES: Final = (0.6, 1.7)
_DARKEST: Final = -4.6  # log of the hundredth part of white: below it there is no step to tell


@dataclass(frozen=True)
class Tone:
    """log(light) = slope u + bend u^2, u the log of what the sRGB curve makes of a level: 0 at white.

    apart : root mean square of the steps about the curve, in log reflectance
    """

    slope: float
    bend: float
    apart: float

    def straightened(self, linear: FloatArray) -> FloatArray:
        """Light from what the sRGB curve says. linear : any shape, 0 to 1."""
        u = np.log(np.maximum(linear, 1e-6))
        bent = np.maximum(u, _DARKEST)
        steady = (self.slope + 2 * self.bend * _DARKEST) * (u - bent)
        light = np.exp(self.slope * bent + self.bend * bent**2 + steady)
        return np.where(linear > 0, light, 0).astype(np.float32)


def read_steps(
    linear: FloatArray, inside: BoolArray, geometry: SheetGeometry, px_per_mm: float
) -> list[tuple[float, float, float]]:
    """(share of the paper's reflectance as printed, level of the step, level of the paper beside it).

    linear : (H, W), of the rectified page, by the sRGB curve; inside : (H, W), what the photograph shows
    """
    found = []
    for (left, top, right, bottom), share in geometry.grey_steps:

        def part(above: float, below: float, x0: float = left, x1: float = right) -> tuple[slice, slice]:
            x = x0 + _INSET_MM, x1 - _INSET_MM
            rows, columns = ([round(v * px_per_mm) for v in pair] for pair in ((above, below), x))
            return slice(*rows), slice(*columns)

        step = part(top + _INSET_MM, bottom - _INSET_MM)
        paper = [
            part(top - _BESIDE_MM[1], top - _BESIDE_MM[0]),
            part(bottom + _BESIDE_MM[0], bottom + _BESIDE_MM[1]),
        ]
        if not (inside[step].all() and all(inside[one].all() for one in paper)):
            continue
        # The lighter side: a note or a smear may lie on one.
        bare = max(float(np.median(linear[one])) for one in paper)
        found.append((share, float(np.median(linear[step])), bare))
    return found


def fit_tone(steps: list[tuple[float, float, float]]) -> Tone | None:
    """The curve that makes the steps what they were printed as; None where they can't be believed.

    steps : as read_steps gives them. Light differs from step to step, so each is held against its own paper:
    log share = curve(step) - curve(paper), which is linear in slope and bend.
    """
    if len(steps) < 4:
        return None
    share, step, paper = np.array(steps).T
    if (step <= 0.002).any() or (paper <= step).any() or (np.diff(step / paper) >= 0).any():
        return None
    u, p = np.maximum(np.log(step), _DARKEST), np.log(np.minimum(paper, 1.0))
    terms = np.column_stack([u - p, u**2 - p**2]) / _PRINTER
    wanted = np.log(share) / _PRINTER
    prior = np.diag([1 / _SLOPE_PRIOR, 1 / _BEND_PRIOR])
    held = np.concatenate([terms, prior]), np.concatenate([wanted, [1 / _SLOPE_PRIOR, 0.0]])
    (slope, bend), *_ = np.linalg.lstsq(*held, rcond=None)
    apart = float(np.sqrt(np.mean((terms @ (slope, bend) - wanted) ** 2))) * _PRINTER
    ends = slope, slope + 2 * bend * _DARKEST
    if apart > _DISBELIEVED or min(ends) < _SLOPES[0] or max(ends) > _SLOPES[1]:
        return None
    return Tone(float(slope), float(bend), apart)
