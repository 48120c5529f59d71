"""What lies on the two halves of the sheet? One pressed film, split between them as the sheet is opened."""

from dataclasses import dataclass

import cv2
import numpy as np

from tests.shop.otherphoto import PX_PER_MM, FloatArray
from tests.shop.otherphoto.smooth import smooth, warped


@dataclass(frozen=True)
class Pressed:
    """The film between the closed halves: (H, W) maps over y, and s from 0 at the fold, at PX_PER_MM.

    thickness : [mm], 0 outside the film; s, y : [mm]; reach : [mm] the farthest it goes from the fold
    """

    s: FloatArray
    y: FloatArray
    thickness: FloatArray
    reach: float


def pressed(rng: np.random.Generator, reach_mm: float, half_length_mm: float, thickest_mm: float) -> Pressed:
    """A film squeezed out of lumps along the fold, thinning to a lobed edge, sometimes with holes."""
    height, width = int(2 * half_length_mm * PX_PER_MM), int(reach_mm * PX_PER_MM)
    y, s = np.meshgrid(
        (np.arange(height, dtype=np.float32) + 0.5) / PX_PER_MM - half_length_mm,
        (np.arange(width, dtype=np.float32) + 0.5) / PX_PER_MM,
        indexing="ij",
    )
    level = np.zeros_like(s)
    for _ in range(int(rng.integers(4, 8))):
        centre_y = rng.uniform(-0.55, 0.55) * half_length_mm
        centre_s = rng.uniform(0.0, 0.35) * reach_mm
        radius = rng.uniform(0.28, 0.5) * min(reach_mm, half_length_mm)
        level += np.exp(-(((s - centre_s) ** 2 + (y - centre_y) ** 2) / radius**2))
    level += 0.09 * smooth(rng, (height, width), 14) + 0.03 * smooth(rng, (height, width), 3.0)
    margin = (
        np.minimum(reach_mm - s, half_length_mm - np.abs(y))
        - 2
        - np.abs(1.5 * smooth(rng, (height, width), 11))
    )
    level -= 0.5 * np.exp(-np.clip(margin, 0, None) / 6) + 0.3 * np.clip(
        -margin, 0, None
    )  # it ends before the paper
    if rng.random() < 0.45:  # laid beside the fold: a bare strip along it
        level = np.minimum(
            level, 0.30 + (s - rng.uniform(0.8, 4.0) - 0.5 * smooth(rng, (height, width), 8)) / 2
        )
    inside = np.clip(level - 0.35, 0, None)
    profile = 1 - np.exp(-inside / rng.uniform(0.05, 0.3))
    thickness = thickest_mm * profile * (1 + 0.12 * smooth(rng, (height, width), 25))
    if rng.random() < 0.35:
        thickness = thickness * _without_holes(rng, s, y, inside)
    return Pressed(s, y, np.clip(thickness, 0, None).astype(np.float32), reach_mm)


def split(rng: np.random.Generator, film: Pressed, ridge: float) -> tuple[FloatArray, FloatArray]:
    """The two wings' thicknesses [mm], (H, W) each over s and y: the film parts somewhere near its middle.

    Air fingers run in as the halves part and leave ridges. Some of each finger marks both wings, most of it,
    the strings that snap and fall back, only one. ridge : their height as a share of the wing's thickness.
    """
    shape = (film.s.shape[0], film.s.shape[1])
    parting = np.clip(0.5 + 0.09 * smooth(rng, shape, 18), 0.2, 0.8)
    common = _fingers(rng, film)
    wings = []
    for share in (parting, 1 - parting):
        own = 0.4 * common + 0.75 * _fingers(rng, film)
        edge = warped(
            film.thickness, *(4.0 * smooth(rng, shape, 9) for _ in range(2))
        )  # strings pull the edge about
        wing = edge * share * np.clip(1 + ridge * own, 0.12, None)
        wings.append(
            np.asarray(cv2.GaussianBlur(wing.astype(np.float32), (0, 0), 0.12 * PX_PER_MM), np.float32)
        )
    if rng.random() < 0.15:
        _lifted(rng, film, wings)
    return wings[0], wings[1]


def _fingers(rng: np.random.Generator, film: Pressed) -> FloatArray:
    """Ridges across the fold, closer together towards the film's edge, where the fingers branch.

    Spread about 1.
    """
    shape = (film.s.shape[0], film.s.shape[1])
    sway = 8.0 * smooth(rng, shape, 16)
    coarse = warped(smooth(rng, shape, rng.uniform(9, 20), rng.uniform(2.0, 3.4)), 0.0, sway)
    fine = warped(smooth(rng, shape, rng.uniform(4, 8), rng.uniform(0.8, 1.3)), 0.0, sway)
    outward = np.clip(film.s / film.reach, 0, 1)
    ridged = (1 - 2 * np.abs(np.tanh(coarse))) * (1.1 - 0.6 * outward) + 0.6 * fine * (0.3 + 0.7 * outward)
    return np.asarray(ridged + 0.25 * smooth(rng, shape, 0.5), np.float32)


def _without_holes(rng: np.random.Generator, s: FloatArray, y: FloatArray, inside: FloatArray) -> FloatArray:
    """1 with 0 in a few round holes, where a bubble lay or the film was rubbed through."""
    kept = np.ones_like(s)
    rows, columns = np.nonzero(inside > 0.1)
    for at in rng.integers(0, max(1, len(rows)), int(rng.integers(1, 6))):
        away = np.hypot(s - s[rows[at], columns[at]], (y - y[rows[at], columns[at]]) * rng.uniform(0.6, 1.5))
        kept = np.minimum(kept, np.clip((away - rng.uniform(0.6, 2.2)) / 0.5, 0, 1))
    return kept


def _lifted(rng: np.random.Generator, film: Pressed, wings: list[FloatArray]) -> None:
    """A patch where the film let go of one half: bare paper there, all of the film on the other."""
    rows, columns = np.nonzero(film.thickness > 0.5 * film.thickness.max())
    at = int(rng.integers(0, len(rows)))
    shape = (film.s.shape[0], film.s.shape[1])
    away = np.hypot(film.s - film.s[rows[at], columns[at]], film.y - film.y[rows[at], columns[at]])
    patch = np.clip((rng.uniform(3, 8) + 1.6 * smooth(rng, shape, 3) - away) / 0.4, 0, 1)
    bare = int(rng.integers(0, 2))
    wings[1 - bare] = np.asarray(wings[1 - bare] + patch * wings[bare], np.float32)
    wings[bare] = np.asarray(wings[bare] * (1 - patch), np.float32)
