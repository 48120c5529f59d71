"""What lies on the paper when the folded sheet is opened? Two wings of one film.

Wing coordinates [mm]: x away from the fold, y along it. Both wings come from one pressed film that split
through its thickness, so outline and mix are mirror images but for a little; what peeling did is each
wing's own.
"""

from dataclasses import dataclass
from typing import Final, Literal

import cv2
import numpy as np

from tests.shop.mixer import Mixing, film_fraction
from tests.shop.noise import Field, fractal, ramp, smooth

PX_PER_MM: Final = 10.0
COV_MM: Final = 0.25  # side of the squares over which the stated CoV averages
HIDING_MM: Final = 0.05  # film thinner than this is left out of the truth's figures

Grade = Literal["good", "borderline", "streaked", "badly_streaked"]


@dataclass(frozen=True)
class FilmSpec:
    """A film as pressed.

    width, length : [mm] of a wing away from the fold and along it
    thickness : [mm] of a wing in its middle
    relief : [mm] height of the ridges that peeling pulled up
    shared_relief : share of the ridges' variance that both wings have in common, mirrored
    offset : [mm] of the film's middle along the fold
    """

    mixing: Mixing
    width: float = 45.0
    length: float = 75.0
    thickness: float = 0.45
    relief: float = 0.24
    shared_relief: float = 0.0
    offset: float = 0.0


@dataclass(frozen=True)
class Wing:
    """One wing on its grid of PX_PER_MM, row y, column x, from the fold outward.

    share : local share of curing agent over the whole film's mean [1]
    thickness : [mm], 0 where there is no film
    height : [mm] of the surface above the paper
    """

    share: Field
    thickness: Field
    height: Field


@dataclass(frozen=True)
class Film:
    """Both wings and what is true of the mix.

    cov : coefficient of variation of the share at COV_MM; cov_full : at the grid's own resolution
    striation_mm : mean width of the streaks, area over half the outline; None if there are none
    """

    left: Wing
    right: Wing
    cov: float
    cov_full: float
    striation_mm: float | None


def grade(cov: float) -> Grade:
    """Mix grade of a CoV at COV_MM.

    Up to 0.05 is well mixed by common practice (no published limit was found in text); 0.05 to 0.10 is left
    as borderline; above 0.30 most of a film's streaks are nearly pure base.
    """
    if cov <= 0.05:
        return "good"
    return "borderline" if cov < 0.10 else "streaked" if cov <= 0.30 else "badly_streaked"


def press(rng: np.random.Generator, spec: FilmSpec) -> Film:
    """The film of a blob pressed in a folded sheet and peeled open."""
    shape = (int((spec.length * 1.35 + 8) * PX_PER_MM), int((spec.width * 1.3 + 6) * PX_PER_MM))
    reach = _reach(rng, shape, spec)
    slipped = film_fraction(rng, spec.mixing, reach > 0, PX_PER_MM)
    drift = 0.3 * min(spec.mixing.cov, 0.03) * smooth(rng, shape, 35.0 * PX_PER_MM)
    common = _ridges(rng, shape, reach)
    # On the fold itself the film is bent, not split: there both wings are one.
    x = np.broadcast_to(np.arange(shape[1], dtype=np.float32) / np.float32(PX_PER_MM), shape)
    joined = np.maximum(1.0 - ramp(x, 0.5, 6.0), np.float32(spec.shared_relief))
    split = fractal(rng, shape, 14.0 * PX_PER_MM, 3)
    pulled = [np.sqrt(1 - joined) * _ridges(rng, shape, reach) + np.sqrt(joined) * common for _ in range(2)]
    # Air leaves a hole in the film, and what lay over it sticks to one wing or to neither.
    air = _holes(rng, shape), _holes(rng, shape), _holes(rng, shape)
    holes = np.maximum(air[0], air[1]), np.maximum(air[0], air[2])
    # What one wing has more of where the film split off its middle, the other has less.
    thick = [
        _thickness(rng, spec, reach, ridge, hole, sign * split * (1.0 - joined))
        for sign, ridge, hole in zip((-1, 1), pulled, holes, strict=True)
    ]
    # How pure the slipped material stayed decides the CoV; its share of the stream is the mixer's.
    shares = _shares(slipped, drift, thick, spec.mixing)
    wings = [
        # A fresh film levels its finest ridges.
        Wing(share, film, cv2.GaussianBlur(film, (0, 0), 1.6))
        for share, film in zip(shares, thick, strict=True)
    ]
    cov, full = cov_of(wings, COV_MM), cov_of(wings, 1.0 / PX_PER_MM)
    return Film(wings[0], wings[1], cov, full, _striation(slipped[1], thick[1]) if cov > 0.05 else None)


def cov_of(wings: list[Wing], side_mm: float) -> float:
    """Coefficient of variation of the share over both wings, over squares of that side, weighted by area."""
    step = max(1, round(side_mm * PX_PER_MM * 2) / 2)
    values, weights = [], []
    for wing in wings:
        film = (wing.thickness > HIDING_MM).astype(np.float32)
        size = (int(film.shape[1] / step), int(film.shape[0] / step))
        area = cv2.resize(film, size, interpolation=cv2.INTER_AREA)
        total = cv2.resize(film * wing.share, size, interpolation=cv2.INTER_AREA)
        keep = area > 0.5
        values.append(total[keep] / area[keep])
        weights.append(area[keep])
    value, weight = np.concatenate(values).astype(np.float64), np.concatenate(weights).astype(np.float64)
    mean = np.average(value, weights=weight)
    return float(np.sqrt(np.average((value - mean) ** 2, weights=weight)) / mean)


def _shares(slipped: tuple[Field, Field], drift: Field, thick: list[Field], mixing: Mixing) -> list[Field]:
    """Share of agent over the mean, with the slipped material as pure as the wanted CoV asks for."""
    films = [film > HIDING_MM for film in thick]
    mean = float(np.mean(np.concatenate([s[f] for s, f in zip(slipped, films, strict=True)])))
    blank = np.zeros_like(thick[0])

    def mixed(purity: float) -> list[Field]:
        gain = purity * (10.0 if mixing.agent_rich else -1.0)
        raw = [(1.0 + drift) * np.maximum(1.0 + gain * s, 0.0) for s in slipped]
        level = 1.0 + gain * mean
        return [(r / np.float32(level)).astype(np.float32) for r in raw]

    low, high = 0.0, 1.0
    for _ in range(12):
        middle = (low + high) / 2
        wings = [Wing(s, t, blank) for s, t in zip(mixed(middle), thick, strict=True)]
        low, high = (middle, high) if cov_of(wings, COV_MM) < mixing.cov else (low, middle)
    return mixed(high)


def _reach(rng: np.random.Generator, shape: tuple[int, int], spec: FilmSpec) -> Field:
    """How far inside the pressed film's outline a point lies [mm], negative outside."""
    height, width = shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float32) / PX_PER_MM
    y -= height / PX_PER_MM / 2
    angle = np.arctan2(y, np.maximum(x, 0.0) + 1.0)
    # Lobes where fingers pressed harder, then the finer waves of a front that creeps over rough paper.
    lobes = sum(
        rng.normal(0, 0.09 / n**1.1) * np.cos(n * 1.5 * angle + rng.uniform(0, 6.28)) for n in range(1, 6)
    )
    radius = np.sqrt((x / spec.width) ** 2 + (y / (spec.length / 2)) ** 2)
    size = min(spec.width, spec.length / 2)
    inside = (1.0 + lobes - radius) * size
    inside += 0.9 * fractal(rng, shape, 11.0 * PX_PER_MM, 3, 0.5)
    return np.float32(inside + 0.14 * fractal(rng, shape, (1.6 * PX_PER_MM, 3.0 * PX_PER_MM), 2, 0.6))


def _ridges(rng: np.random.Generator, shape: tuple[int, int], reach: Field) -> Field:
    """Ridges that the sealant leaves when air fingers in between paper and paper: crests up to about 1.

    The peeling front runs along the fold and moves towards it, so ridges run towards the fold: fine at the
    rim, where the film is thin, joining to coarser ones inside.
    """
    height, width = shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    bend = 14.0 * fractal(rng, shape, (60.0, 90.0), 3, 0.6), 8.0 * fractal(rng, shape, 45.0, 2)
    total = np.zeros(shape, np.float32)
    inner = ramp(reach, 3.0, 16.0)
    for spacing, weight in ((11.0, 1.0 - 0.75 * inner), (20.0, 0.9), (38.0, 0.25 + 0.85 * inner)):
        field = smooth(rng, shape, (spacing, spacing * 4.5))
        bent = cv2.remap(
            field,
            np.float32(x + bend[1]),
            np.float32(y + bend[0]),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT,
        )
        total += weight * (np.exp(-np.abs(bent) * 2.2) - 0.38)
    # Peeled by hand, in starts and stops: some stretches tore off smoothly.
    vigour = ramp(fractal(rng, shape, 160.0, 2), -1.4, 0.8)
    return np.float32(total * (0.35 + 0.65 * vigour))


def _holes(rng: np.random.Generator, shape: tuple[int, int]) -> Field:
    """Air that was pressed in and left the paper bare: 1 in holes, 0 elsewhere."""
    holes = np.zeros(shape, np.float32)
    for _ in range(rng.poisson(0.7)):
        centre = (int(rng.uniform(0.1, 0.75) * shape[1]), int(rng.uniform(0.2, 0.8) * shape[0]))
        axes = rng.uniform(3, 11, 2).astype(int)
        cv2.ellipse(holes, centre, (int(axes[0]), int(axes[1])), rng.uniform(0, 180), 0, 360, 1.0, -1)
    return cv2.GaussianBlur(holes, (0, 0), 2.0)


def _thickness(
    rng: np.random.Generator, spec: FilmSpec, reach: Field, ridge: Field, holes: Field, split: Field
) -> Field:
    """[mm] of one wing: thin at the rim, uneven where the film split nearer to one paper than the other."""
    rim = np.clip(reach / 14.0, 0.0, 1.0) ** 0.7
    film = spec.thickness * rim * np.clip(1.0 + 0.22 * split, 0.3, 1.7)
    film = film + spec.relief * ridge * np.sqrt(rim)
    # Sealant sticks to paper: it splits in itself and leaves a skin, and bare paper only where air was.
    film = np.maximum(film, 0.09 * np.minimum(4.0 * rim, 1.0)) - spec.thickness * holes
    # At the very rim the film breaks up into what stuck to the paper's fibres.
    broken = 0.012 + 0.025 * fractal(rng, reach.shape, (7.0, 11.0), 3, 0.6)
    film -= broken * (1.0 - ramp(reach, 0.3, 2.5))
    return np.float32(np.clip(film, 0.0, None) * (reach > 0))


def _striation(slipped: Field, thick: Field) -> float | None:
    """Mean width of the streaks [mm]: twice their area over the length of their outline."""
    film = thick > HIDING_MM
    streak = np.uint8((slipped > 0.5) & film)
    inside = cv2.erode(np.uint8(film), np.ones((3, 3), np.uint8))
    outline = streak & ~cv2.erode(streak, np.ones((3, 3), np.uint8)) & inside
    area, length = int(streak.sum()), int(outline.sum())
    return None if length < 20 else round(2.0 * area / length / PX_PER_MM, 2)
