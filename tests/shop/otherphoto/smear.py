"""Which smear lies on the sheet? Thickness and curing-agent fraction of both wings, placed on the page."""

from dataclasses import dataclass

import numpy as np

from tests.shop.otherphoto import PX_PER_MM, FloatArray
from tests.shop.otherphoto.film import Pressed, pressed, split
from tests.shop.otherphoto.mix import core_streaks, laid, lamellae, ratio_drift, specks, stroke_bands
from tests.shop.otherphoto.smooth import smooth, warped
from tests.shop.otherphoto.truth import THIN


@dataclass(frozen=True)
class Smear:
    """thickness [mm], fraction by volume : (H, W) over the whole page at PX_PER_MM, fold in the middle.

    relief : height of the ridges as a share of the wing's thickness
    """

    thickness: FloatArray
    fraction: FloatArray
    relief: float


def smeared(
    rng: np.random.Generator, page_mm: tuple[float, float], kind: str, cov: float, share: float
) -> Smear:
    """A smear of the kind, its unevenness brought to about `cov` where the kind allows.

    share : the right fraction.
    """
    reach = rng.uniform(0.38, 0.74) * min(page_mm[0] / 2, 115)
    half_length = rng.uniform(0.28, 0.44) * min(page_mm[1], 172)
    film = pressed(rng, float(reach), float(half_length), rng.uniform(0.35, 1.1))
    relative = unevenness(rng, film, kind, cov)
    ridge = rng.uniform(0.12, 0.45)
    thickness = np.zeros((round(page_mm[1] * PX_PER_MM), round(page_mm[0] * PX_PER_MM)), np.float32)
    fraction = np.full_like(thickness, share)
    top = int((page_mm[1] / 2 + rng.uniform(-4, 4) - half_length) * PX_PER_MM)
    fold = thickness.shape[1] // 2
    rows, columns = slice(top, top + film.s.shape[0]), film.s.shape[1]
    shape = (film.s.shape[0], film.s.shape[1])
    for side, wing in enumerate(split(rng, film, ridge)):
        pulled = warped(
            relative, 2.0 * smooth(rng, shape, 6), 2.0 * smooth(rng, shape, 6)
        )  # the strings, 0.25 mm
        place = (rows, slice(fold, fold + columns) if side else slice(fold - columns, fold))
        thickness[place] = wing if side else wing[:, ::-1]
        fraction[place] = (pulled if side else pulled[:, ::-1]) * share
    return Smear(thickness, np.clip(fraction, 0, 1), float(ridge))


def unevenness(rng: np.random.Generator, film: Pressed, kind: str, cov: float) -> FloatArray:
    """(H, W) fraction over the right fraction.

    Kinds: lamellae, bands, drift, core, strands, specks, white.
    """
    if kind == "white":
        return np.zeros_like(film.s)
    bead = laid(rng, film.s, film.y, film.reach, str(rng.choice(["line", "line", "dollop", "snake"])))
    inside = film.thickness > THIN
    fine = _standard(lamellae(rng, bead, 8, 0.4), inside)
    if kind == "core":  # pale: base that slipped through
        return _about_one(1 - rng.uniform(0.45, 0.95) * core_streaks(rng, bead) + 0.004 * fine, inside)
    if kind == "strands":  # dark: curing agent that slipped through
        return _about_one(1 + rng.uniform(0.8, 3.0) * core_streaks(rng, bead) + 0.004 * fine, inside)
    if kind == "specks":
        spots = specks(rng, film.s, film.y, inside.astype(np.float32), int(rng.integers(25, 90)))
        return _about_one(1 - rng.uniform(0.7, 1.0) * spots + 0.004 * fine, inside)
    if kind == "bands":
        pattern = stroke_bands(rng, bead)
    elif kind == "drift":
        pattern = ratio_drift(rng, bead)
    else:
        pattern = lamellae(rng, bead, int(rng.integers(3, 7)), rng.uniform(0.15, 0.5))
    scale = cov * (_standard(pattern, inside) + 0.15 * fine)
    return _about_one(np.clip(1 + scale, 0.0, 8.0), inside)


def _standard(pattern: FloatArray, inside: np.ndarray) -> FloatArray:
    values = pattern[inside]
    return np.asarray((pattern - values.mean()) / max(float(values.std()), 1e-6), np.float32)


def _about_one(relative: FloatArray, inside: np.ndarray) -> FloatArray:
    return np.asarray(relative / max(float(relative[inside].mean()), 1e-6), np.float32)
