"""How is the curing agent spread in what leaves the static mixer? A cross-section, and how a film shows it.

A mixer's element shears the stream, stretches it to twice its width, cuts it, and lays the halves on each
other: a baker's map behind a chaotic shear, so every element halves the lamellae. What enters the last
elements is mixed, but for a share that slipped through a clogged or worn part of the mixer almost unmixed.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.shop.noise import Field, fractal, ramp, smooth

GRID = 768
DRAWN_MM = 0.12  # by how much one wing's streaks lie off the other's mirror image


@dataclass(frozen=True)
class Mixing:
    """How the stream was mixed.

    elements : working elements behind the place where unmixed material slipped through
    slipped : share of the stream that slipped through, by volume
    cov : what the film's coefficient of variation comes to, at the stated resolution (mixing grades)
    agent_rich : whether what slipped through was curing agent, not base
    """

    elements: int
    slipped: float
    cov: float
    agent_rich: bool = False


def cross_section(rng: np.random.Generator, elements: int) -> Field:
    """Where in the stream each point of the mixer's outlet came from, as a level: (GRID, GRID).

    The lower a point's level, the nearer it came from the place where unmixed material slips through.
    """
    axis = (np.arange(GRID, dtype=np.float32) + 0.5) / GRID
    v, w = np.meshgrid(axis, axis)
    # Every point is followed back through the elements to where it entered.
    for element in range(elements):
        if element % 2 == 0:
            v, w = (v + np.floor(2 * w)) / 2, (2 * w) % 1.0
        else:
            v, w = (2 * v) % 1.0, (w + np.floor(2 * v)) / 2
        strength, phase = rng.uniform(0.10, 0.22, 2), rng.uniform(0, 2 * np.pi, 2)
        v = v + np.float32(strength[0]) * np.sin(2 * np.pi * w + phase[0])
        w = w + np.float32(strength[1]) * np.sin(2 * np.pi * v + phase[1])
    level = np.zeros_like(v)
    for m in (1, 2):
        a, b, c, d = rng.uniform(0, 2 * np.pi, 4)
        x, y = np.float32(2 * np.pi * m) * v, np.float32(2 * np.pi * m) * w
        level -= (np.sin(x + a) + np.sin(y + b) + np.sin(x + y + c) + np.sin(x - y + d)) / m
    return np.float32(level)


def film_fraction(
    rng: np.random.Generator, mixing: Mixing, film: NDArray[np.bool_], px_per_mm: float
) -> tuple[Field, Field]:
    """Unmixed material over the film, 0 to 1, as each wing's surface shows it, in wing coordinates.

    film : (H, W), True on the film; rows run down the fold, columns away from it
    Returns the same layer of the blob seen from both sides of where it split: nearly the same field.
    """
    section = cross_section(rng, mixing.elements)
    shape = film.shape
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32) / np.float32(px_per_mm)
    # The blob lay beside the fold; pressing drew it out from there, evenly in the middle of the film.
    away_x = x - np.float32(rng.uniform(4.0, 12.0))
    away_y = y - np.float32(shape[0] / px_per_mm / 2 + rng.uniform(-6.0, 6.0))
    square = away_x**2 + away_y**2
    # The gun laid the blob in a coil, so the stream lies in the film as a swirl.
    turn = rng.choice([-1.0, 1.0]) * rng.uniform(0.6, 1.6) * np.exp(-square / 26.0**2) + rng.uniform(0, 6.28)
    along = away_x * np.cos(turn) - away_y * np.sin(turn)
    across = away_x * np.sin(turn) + away_y * np.cos(turn)
    wander = 5.0 * fractal(rng, shape, 22.0 * px_per_mm, 3, 0.45), 9.0 * smooth(rng, shape, 30.0 * px_per_mm)
    # One stream is about 11 mm wide and 3 to 4 times that when pressed; along the bead it changes slowly.
    wide, long = rng.uniform(34.0, 44.0), rng.uniform(110.0, 170.0)
    v, w = (across + wander[0]) / wide, (along + wander[1]) / long + rng.uniform()
    # Each wing shows the layer just on its own side of the split, and was drawn a little in peeling; on the
    # fold itself nothing split.
    apart = ramp(x, 0.5, 6.0)
    shifts = [
        DRAWN_MM / size * apart * smooth(rng, shape, cell * px_per_mm)
        for size, cell in ((wide, 9.0), (long, 14.0))
    ]
    maps = [
        (np.float32((v + side * shifts[0]) % 1.0 * GRID), np.float32((w + side * shifts[1]) % 1.0 * GRID))
        for side in (-0.5, 0.5)
    ]
    level = cv2.remap(section, *maps[0], cv2.INTER_NEAREST, borderMode=cv2.BORDER_WRAP)
    core, edge = (float(q) for q in np.quantile(level[film], [0.35 * mixing.slipped, mixing.slipped]))
    # Carbon black does not diffuse; what slipped through is pure in its core, rubbed into the mix at its rim.
    unmixed = cv2.GaussianBlur(1.0 - ramp(section, core, edge + 0.1), (0, 0), 1.2)
    left, right = (cv2.remap(unmixed, *m, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP) for m in maps)
    return left, right
