"""What is one photograph of a smear test made of, and what is told of it? Its spec and its truth."""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.derive.smear.sheet import PAGE_MM, Page, sheet_geometry
from tests.shop.camera import Camera
from tests.shop.film import FilmSpec, Grade
from tests.shop.light import Lamp, Light
from tests.shop.scene import Ground

# When a photograph can't be judged; each a share of the film's area unless said otherwise.
BLUR_MM: Final = 0.45  # spread of a point on the paper: streaks of 1 mm are gone
GLARE_LEVEL: Final = 0.10  # mirrored light over that of white paper
GLARE_SHARE: Final = 0.12
CUT_SHARE: Final = 0.04
SHADOW_DEPTH: Final = 0.45
COARSE_PX_PER_MM: Final = 2.2
DARK_LEVEL, CLIPPED_LEVEL = 0.12, 1.2  # white paper's, over the sensor's full scale


@dataclass(frozen=True)
class PhotoSpec:
    """One photograph: film, paper, table, light, phone.

    material : a name in pigment.MATERIALS; page : size of the paper
    sheet : (number, site, pump) as printed on the smear sheet; None for plain paper
    notes : what is written by hand into the sheet's fields: date, operator, base lot, agent lot
    smudges : finger marks of sealant beside the film
    fold : [rad] by which each half of the paper rises; buckle : [mm] of waves
    ratio : curing agent delivered over what the material is specified with
    roughness : of the film's skin, GGX; lower is glossier
    framed : what the phone is aimed at
    orientation : EXIF orientation in which the pixels are stored; jpeg : quality
    taken_at : local time with its offset
    """

    film: FilmSpec
    material: str = "black"
    page: Page = "a4"
    sheet: tuple[str, str, str] | None = None
    notes: tuple[str, str, str, str] = ("", "", "", "")
    smudges: int = 0
    fold: tuple[float, float] = (0.02, 0.03)
    buckle: float = 0.6
    ratio: float = 1.0
    roughness: float = 0.24
    ground: Ground = "wood"
    light: Light = field(default_factory=lambda: Light((Lamp((-500.0, -700.0, 1400.0), 0.6, 4500.0, 0.12),)))
    light_name: str = "room"
    camera: Camera = field(default_factory=Camera)
    framed: Literal["page", "film"] = "page"
    orientation: Literal[1, 3, 6, 8] = 1
    jpeg: int = 86
    taken_at: datetime | None = None


@dataclass(frozen=True)
class Truth:
    """What is true of a photograph, whatever it looks like.

    mix : grade of `cov` (film.grade); cov at 0.25 mm, cov_full at 0.1 mm, over both wings by area
    mean_fraction : curing agent by volume; striation_mm : mean width of the streaks
    usable : False if any of `why_not` applies, by the limits above
    blur_mm, glare_share, cut_share, shadow_share, paper_level : what those limits were held against
    fold_px : the fold's two ends, page_px : the page's corners from its top left, clockwise, in the picture
    """

    mix: Grade
    cov: float
    cov_full: float
    mean_fraction: float
    striation_mm: float | None
    usable: bool
    why_not: tuple[str, ...]
    blur_mm: float
    glare_share: float
    cut_share: float
    shadow_share: float
    paper_level: float
    material: str
    sheet: bool
    page: Page
    light: str
    ground: Ground
    tilt_deg: float
    px_per_mm: float
    film_mm2: float
    fold_px: tuple[tuple[float, float], ...]
    page_px: tuple[tuple[float, float], ...]


def framed_points(spec: PhotoSpec) -> NDArray[np.float64]:
    """Corners of what the phone is aimed at, (4, 3) [mm]."""
    size = PAGE_MM[spec.page]
    if spec.framed == "page":
        half = size[0] / 2, size[1] / 2
        middle = 0.0
    else:
        half = spec.film.width * 1.25 + 8, spec.film.length * 0.62 + 8
        middle = spec.film.offset
    return np.array([(sx * half[0], sy * half[1] + middle, 0.0) for sx in (-1, 1) for sy in (-1, 1)])


def field_spots(spec: PhotoSpec) -> tuple[tuple[float, float], ...]:
    """Where the lines to write on start on the printed sheet [mm], in the order of the spec's notes."""
    geometry = sheet_geometry(spec.page)
    first, _, inner, _ = sorted({rect[2] for rect in geometry.markers.values()})
    low = min(rect[1] for rect in geometry.markers.values() if rect[1] > geometry.height / 2)
    return tuple((x + 18.0, low + y) for x in (first, inner) for y in (6.0, 13.0))
