"""How is the curing agent spread in the film? The lamellae of a static mixer, and what goes wrong before it.

A static mixer stretches, cuts and stacks: the baker's map, once an element. A point of the film is followed
back through the film's pressing to the bead, and through the elements to the mixer's inlet, where the curing
agent enters as one strip. So the pattern is layered, folded and sharp, never a random texture.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from tests.shop.otherphoto import PX_PER_MM, FloatArray
from tests.shop.otherphoto.smooth import smooth


@dataclass(frozen=True)
class Bead:
    """Where each point of the film was in the bead before it was pressed.

    across : (H, W) place across the bead, -1 to 1; depth : (H, W) place in its thickness, -1 to 1
    along : (H, W) [mm] place along the bead, which is time at the gun
    """

    across: FloatArray
    depth: FloatArray
    along: FloatArray


def laid(rng: np.random.Generator, s: FloatArray, y: FloatArray, reach: float, how: str) -> Bead:
    """The bead under a film that was pressed outwards and rubbed.

    s, y : (H, W) [mm] from the fold and along it; reach : [mm] how far the film goes
    how : "line" along the fold, "dollop" coiled on it, "snake" to and fro across it
    """
    shape = (s.shape[0], s.shape[1])
    bent_s, bent_y = s + 3.5 * smooth(rng, shape, 26), y + 5.0 * smooth(rng, shape, 30)
    for _ in range(int(rng.integers(1, 4))):  # the thumb: a stroke drags what lies under it along
        angle, offset, width = rng.uniform(0, np.pi), rng.uniform(-40, 40), rng.uniform(8, 16)
        beside = (bent_s - reach / 2) * np.sin(angle) - bent_y * np.cos(angle) - offset
        drag = rng.uniform(4, 14) * np.exp(-((beside / width) ** 2))
        bent_s, bent_y = bent_s + drag * np.cos(angle), bent_y + drag * np.sin(angle)
    if how == "line":
        across, along = 2 * bent_s / reach - 1, bent_y
    elif how == "dollop":
        radius, angle_at = np.hypot(bent_s, bent_y), np.arctan2(bent_y, bent_s + 1e-3)
        across, along = 2 * radius / reach - 1, 12 * angle_at + 0.5 * radius
    else:
        pitch = rng.uniform(14, 22)
        lane = bent_y / pitch
        across = 2 * np.abs(lane - np.round(lane)) * 2 - 1
        along = np.where(np.round(lane) % 2 == 0, bent_s, 2 * reach - bent_s) + 2 * reach * np.round(lane)
    depth = 0.25 * smooth(rng, shape, 22) + 0.1 * smooth(rng, shape, 7)
    return Bead(np.asarray(across, np.float32), depth, np.asarray(along, np.float32))


def lamellae(rng: np.random.Generator, bead: Bead, elements: int, share: float) -> FloatArray:
    """(H, W) 0 to 1: the curing agent's strip, `share` of the inlet, after `elements` elements of the mixer.

    The bead turns a little along its length, as the last element turns it.
    """
    turn = rng.uniform(-0.5, 0.5) + rng.uniform(-0.006, 0.006) * bead.along
    turn = turn + 0.25 * np.sin(bead.along / rng.uniform(15, 40))
    x = 0.5 + 0.45 * (bead.across * np.sin(turn) + bead.depth * np.cos(turn))
    y = 0.5 + 0.45 * (bead.across * np.cos(turn) - bead.depth * np.sin(turn))
    for _ in range(elements):
        x = x + rng.uniform(0.03, 0.12) * np.sin(2 * np.pi * (y * rng.integers(1, 3) + rng.random()))
        x, y = _folded_back(x), _folded_back(y)
        upper = y >= 0.5  # back through one element: unstack, then let the stretched halves spring together
        x = np.where(upper, (x + 1) / 2, x / 2)
        y = np.where(upper, 2 * y - 1, 2 * y)
    start = rng.uniform(0.0, 1 - share)
    edge = 0.06
    inside = np.minimum(y - start, start + share - y) / edge
    raw = np.clip(0.5 + inside, 0, 1).astype(np.float32)
    return np.asarray(cv2.GaussianBlur(raw, (0, 0), 0.12 * PX_PER_MM), np.float32)


def stroke_bands(rng: np.random.Generator, bead: Bead) -> FloatArray:
    """(H, W) lead and lag: at each stroke one pump starts first, so rich and lean lengths follow."""
    period, rise = rng.uniform(26, 60), rng.uniform(0.15, 0.5)
    phase = 2 * np.pi * (bead.along / period + rng.random()) + 0.3 * bead.across**2
    return np.asarray(np.tanh(np.sin(phase) / rise), np.float32)


def ratio_drift(rng: np.random.Generator, bead: Bead) -> FloatArray:
    """(H, W) the ratio running away while the bead was laid: a ramp that levels off."""
    middle, length = np.median(bead.along) + rng.uniform(-15, 15), rng.uniform(15, 45)
    return np.asarray(np.tanh((bead.along - middle) / length) * rng.choice([-1, 1]), np.float32)


def core_streaks(rng: np.random.Generator, bead: Bead) -> FloatArray:
    """(H, W) 0 to 1: unmixed strands along the mixer's core or wall, lines along the bead."""
    strands = np.zeros_like(bead.across)
    for _ in range(int(rng.integers(1, 4))):
        place = rng.uniform(-0.7, 0.7) + 0.12 * np.sin(bead.along / rng.uniform(18, 45) + rng.uniform(0, 6))
        width = rng.uniform(0.03, 0.09)
        strength = 0.6 + 0.4 * np.sin(bead.along / rng.uniform(30, 80) + rng.uniform(0, 6))
        strands = np.maximum(strands, strength * np.exp(-(((bead.across - place) / width) ** 4)))
    return np.asarray(strands, np.float32)


def specks(
    rng: np.random.Generator, s: FloatArray, y: FloatArray, film: FloatArray, count: int
) -> FloatArray:
    """(H, W) 0 to 1: lumps of base that never met the curing agent, pressed flat, 0.7 to 2.6 mm across."""
    spots = np.zeros_like(s)
    rows, columns = np.nonzero(film > 0)
    for at in rng.integers(0, len(rows), count):
        centre_s, centre_y = s[rows[at], columns[at]], y[rows[at], columns[at]]
        radius, squash, angle = rng.uniform(0.35, 1.3), rng.uniform(0.6, 1.0), rng.uniform(0, np.pi)
        margin = int(2 * radius * PX_PER_MM / squash) + 2
        box = np.s_[
            max(0, rows[at] - margin) : rows[at] + margin, max(0, columns[at] - margin) : columns[at] + margin
        ]
        a, b = s[box] - centre_s, y[box] - centre_y
        along, across = a * np.cos(angle) + b * np.sin(angle), b * np.cos(angle) - a * np.sin(angle)
        away = np.hypot(along * squash, across / squash) / radius
        spots[box] = np.maximum(spots[box], np.clip((1.15 - away) / 0.3, 0, 1))
    return spots


def _folded_back(value: FloatArray) -> FloatArray:
    """Places pushed out through the mixer's wall, reflected into 0 to 1."""
    return np.asarray(1 - np.abs(1 - np.mod(value, 2)), np.float32)
