"""Which photographs are there? A film on a sheet under a light before a camera, and the truth beside.

Run as `python -m tests.shop.photographs sample_images` to write the samples anew; seeds are fixed, so every
run writes the same bytes on one machine.
"""

import json
import sys
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal
from zlib import crc32

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter

from pipeline.derive.smear.sheet import PAGE_MM, Page, draw_sheet
from tests.shop.camera import Camera, Light, expose, homography, lamp_rgb, shade, table_top
from tests.shop.day import SHOP, SITE, ZONE, at
from tests.shop.film import (
    COV_BAD,
    COV_GOOD,
    MATERIALS,
    PX_PER_MM,
    RESOLUTION_MM,
    Film,
    make_film,
    reflectance,
)

PAPER = 0.84  # linear reflectance of office paper
Mix = Literal["good", "streaked", "badly_streaked"]
GOOD_COV, STREAKED_COV, BAD_COV = 0.012, 0.17, 0.42


@dataclass(frozen=True)
class PhotoSpec:
    """Everything that a photograph depends on but the seed. page None: plain white A4."""

    cov: float = GOOD_COV
    material: str = "black"
    page: Page | None = "a4"
    sheet_no: str = "S-0001"
    pump: str = "pump-a"
    elements: int = 5
    scale: float = 1.0
    off_mm: tuple[float, float] = (0.0, 0.0)  # of the film along the fold, in the page
    buckle: float = 0.06  # slope of the paper at the fold
    table: str = "wood"
    light: Light = field(default_factory=Light)
    camera: Camera = field(default_factory=Camera)
    usable: bool = True
    why_not: str | None = None  # what makes it useless: blur, motion, glare, cut_off, shadow, dark, too_small


@dataclass(frozen=True)
class Truth:
    """What the photograph is of. cov : of the curing-agent fraction over the film, at RESOLUTION_MM."""

    cov: float
    mix: str
    fraction: float
    striation_mm: float
    usable: bool
    why_not: str | None
    px_per_mm: float
    material: str
    sheet: bool


def grade(cov: float) -> str:
    """good up to 5 %, streaked from 10, badly_streaked from 30; borderline between is left out of samples."""
    if cov <= COV_GOOD:
        return "good"
    return "borderline" if cov < 2 * COV_GOOD else "streaked" if cov < COV_BAD else "badly_streaked"


def render(spec: PhotoSpec, seed: int) -> tuple[NDArray[np.uint8], Truth]:
    """(H, W, 3) uint8 sRGB and the truth."""
    rng = np.random.default_rng(seed)
    film = make_film(spec.cov, rng, spec.elements, spec.scale)
    size = PAGE_MM[spec.page or "a4"]
    albedo, normal, gloss = _lie(spec, film, size, rng)
    transform, scale = homography(size, PX_PER_MM, spec.camera)
    eye = (0.0, 0.0, 380.0)
    shaded = shade(albedo, normal, gloss, spec.light, PX_PER_MM, eye)
    # The raster is finer than the picture: average before picking, or edges alias.
    soft = cv2.GaussianBlur(shaded, (0, 0), max(0.3, 0.45 * PX_PER_MM / scale))
    width, height = spec.camera.size
    table = table_top((width, height), spec.table, rng)
    flat = np.zeros((height, width, 3))
    flat[..., 2] = 1.0
    table = shade(table, flat, np.zeros((height, width)), replace(spec.light, shadow=None), scale, eye)
    picture = cv2.warpPerspective(soft, transform, (width, height), flags=cv2.INTER_LINEAR)
    cover = cv2.warpPerspective(np.ones(soft.shape[:2]), transform, (width, height), flags=cv2.INTER_LINEAR)
    drop = cv2.GaussianBlur(np.roll(cover, (6, 5), (0, 1)), (0, 0), 7)
    picture = picture + (1 - cover[..., None]) * table * (1 - 0.35 * drop[..., None])
    lamp = lamp_rgb(spec.light.kelvin)
    paper = float(np.quantile((shaded / lamp**spec.camera.balanced).max(axis=-1), 0.97))
    image = expose(picture, spec.camera, lamp, paper, rng)
    truth = Truth(
        cov=round(film.cov, 4),
        mix=grade(film.cov),
        fraction=round(float(film.fraction.mean()), 4),
        striation_mm=round(film.striation_mm, 2),
        usable=spec.usable,
        why_not=spec.why_not,
        px_per_mm=round(scale, 2),
        material=spec.material,
        sheet=spec.page is not None,
    )
    return image, truth


def _lie(
    spec: PhotoSpec, film: Film, size: tuple[float, float], rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Albedo, normal and gloss of the opened sheet, at PX_PER_MM."""
    if spec.page is None:
        print_ = np.full([round(side * PX_PER_MM) for side in size[::-1]], 255, np.uint8)
    else:
        print_ = draw_sheet(spec.page, PX_PER_MM * 25.4, spec.sheet_no, SITE, spec.pump)
    height, width = print_.shape
    grey = print_.astype(np.float64) / 255
    ink = np.where(grey <= 0.04045, grey / 12.92, ((grey + 0.055) / 1.055) ** 2.4)
    fibres = gaussian_filter(rng.normal(size=print_.shape), 1.5)
    albedo = (PAPER * (0.045 + 0.955 * ink) * (1 + 0.006 * fibres / fibres.std()))[..., None] * [
        1.0,
        1.0,
        0.985,
    ]
    # The fold stands up a little: each half leans away from it, less the farther out.
    across = (np.arange(width) - width / 2) / PX_PER_MM
    slope = np.sign(across) * spec.buckle * np.exp(-np.abs(across) / 22.0)
    crease = -0.05 * np.exp(-((across / 0.5) ** 2))
    slope_x = np.tile(slope, (height, 1)) + 0.004 * _wave((height, width), rng)
    slope_y = 0.004 * _wave((height, width), rng)
    albedo *= (1 + crease)[None, :, None]
    gloss = np.zeros((height, width))
    material = MATERIALS[spec.material]
    rows, cols = film.fraction.shape
    top = round(height / 2 + spec.off_mm[1] * PX_PER_MM - rows / 2)
    fold = round(width / 2 + spec.off_mm[0] * PX_PER_MM)
    for wing, side in ((0, -1), (1, 1)):
        colour = reflectance(film.fraction, film.thick_mm[wing], material, PAPER)
        thick = film.thick_mm[wing]
        cover = np.clip(thick / 0.02, 0, 1)
        rise_y, rise_x = np.gradient(film.relief_mm[wing] * np.clip(thick / 0.1, 0, 1), 1 / PX_PER_MM)
        if side < 0:
            colour, cover, rise_y, rise_x = (array[:, ::-1] for array in (colour, cover, rise_y, -rise_x))
        at_x = slice(fold - cols, fold) if side < 0 else slice(fold, fold + cols)
        place = (slice(top, top + rows), at_x)
        albedo[place] = albedo[place] * (1 - cover[..., None]) + colour * cover[..., None]
        slope_x[place] += rise_x * cover
        slope_y[place] += rise_y * cover
        gloss[place] = cover
    normal = np.stack([-slope_x, -slope_y, np.ones_like(slope_x)], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    return albedo, normal, gloss


def _wave(shape: tuple[int, int], rng: np.random.Generator) -> NDArray[np.float64]:
    coarse = rng.normal(size=(6, 8))
    return cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC)


def random_spec(rng: np.random.Generator, mix: Mix = "good", **given: Any) -> PhotoSpec:
    """A usable photograph of that mix under nuisances drawn at random. given : fields to hold fixed."""
    cov = {
        "good": rng.uniform(0.0, 0.03),
        "streaked": rng.uniform(0.12, 0.28),
        "badly_streaked": rng.uniform(0.34, 0.6),
    }[mix]
    angle, height = rng.uniform(0, 2 * np.pi), rng.uniform(700, 1800)
    reach = rng.uniform(0.4, 1.4) * height
    light = Light(
        lamp_mm=(reach * np.cos(angle), reach * np.sin(angle), height),
        kelvin=float(rng.choice([2700, 3500, 4500, 5500, 7500])),
        room=rng.uniform(0.2, 0.6),
        gloss=rng.uniform(0.01, 0.06),
        sharpness=rng.uniform(8, 40),
    )
    camera = Camera(
        tilt_deg=rng.uniform(0, 22),
        tilt_to_deg=rng.uniform(0, 360),
        turn_deg=rng.choice([0, 90, 180, 270]) + rng.uniform(-12, 12),
        fill=rng.uniform(0.6, 0.8),
        blur_px=rng.uniform(0.5, 1.0),
        noise=rng.uniform(0.003, 0.012),
        exposure=rng.uniform(0.5, 0.85),
        white_error=(rng.uniform(0.94, 1.06), rng.uniform(0.94, 1.06)),
        contrast=rng.uniform(0, 0.3),
        sharpen=rng.uniform(0, 0.5),
        quality=int(rng.integers(75, 95)),
    )
    drawn = {
        "cov": cov,
        "material": rng.choice(["black", "dark_grey", "mid_grey"]),
        "page": rng.choice(np.array(["a4", "letter", None], dtype=object)),
        "elements": int(rng.integers(4, 7)),
        "scale": rng.uniform(0.75, 1.0),
        "buckle": rng.uniform(0.0, 0.1),
        "table": rng.choice(["wood", "steel", "mat"]),
        "light": light,
        "camera": camera,
    }
    return PhotoSpec(**{**drawn, **given})


def write_photo(
    path: Path, image: NDArray[np.uint8], spec: PhotoSpec, taken: str | None, turned: int = 1
) -> None:
    """A JPEG as a phone stores it. taken : local wall-clock time of the day; turned : EXIF orientation."""
    exif = Image.Exif()
    exif[0x0112] = turned
    if taken is not None:
        moment = at(taken).astimezone(ZONE)
        details = exif.get_ifd(0x8769)
        details[0x9003] = f"{moment:%Y:%m:%d %H:%M:%S}"
        details[0x9011] = f"{moment:%z}"[:3] + ":" + f"{moment:%z}"[3:]
    pixels = np.ascontiguousarray(np.rot90(image, {1: 0, 3: 2, 6: 1, 8: -1}[turned]))
    Image.fromarray(pixels).save(path, quality=spec.camera.quality, subsampling=2, exif=exif)


def day_samples() -> dict[str, tuple[PhotoSpec, str]]:
    """The day's photographs: spec and local time by file name."""
    covs = {"good": GOOD_COV, "streaked": STREAKED_COV, "badly_streaked": BAD_COV}
    samples = {}
    for pump, day in SHOP.items():
        for number, smear in enumerate(day.smears, 1):
            rng = np.random.default_rng(crc32(smear.file.encode()))
            spec = random_spec(
                rng,
                cov=covs[smear.mix],
                material="black",
                page="a4" if smear.sheet else None,
                sheet_no=f"S-{pump[-1].upper()}{number:03d}",
                pump=pump,
                table="wood" if pump == "pump-a" else "steel",
                scale=0.95,
            )
            camera = replace(spec.camera, turn_deg=rng.uniform(-4, 4), tilt_deg=rng.uniform(3, 14), fill=0.85)
            spec = replace(spec, camera=camera)
            if smear.photo == "blurred":
                spec = replace(spec, camera=replace(camera, blur_px=5.5), usable=False, why_not="blur")
            elif smear.photo == "glare":
                spec = replace(spec, light=_mirror_lamp(), usable=False, why_not="glare")
            samples[smear.file] = (spec, smear.at)
    return samples


def _mirror_lamp() -> Light:
    """A bare lamp just where the film mirrors it into the camera."""
    return Light(lamp_mm=(60.0, -30.0, 800.0), room=0.25, gloss=0.05, sharpness=350.0, kelvin=5000)


def more_samples() -> dict[str, PhotoSpec]:
    """Photographs of other things that happen to a smear test."""
    usual = Camera(fill=0.82)
    return {
        "x-dark-grey-letter.jpg": PhotoSpec(material="dark_grey", page="letter", camera=usual, table="mat"),
        "x-mid-grey-streaked.jpg": PhotoSpec(
            material="mid_grey", cov=0.2, elements=5, camera=replace(usual, tilt_deg=12)
        ),
        "x-white-good.jpg": PhotoSpec(material="white", cov=0.02, camera=usual, table="steel"),
        "x-warm-lamp-plain.jpg": PhotoSpec(
            page=None, light=Light(kelvin=2700, room=0.3), camera=replace(usual, fill=0.75)
        ),
        "x-tilted-25.jpg": PhotoSpec(cov=0.25, camera=replace(usual, tilt_deg=25, fill=0.72), table="steel"),
        "x-upside-down.jpg": PhotoSpec(camera=replace(usual, turn_deg=178), table="mat"),
        "x-uneven-light.jpg": PhotoSpec(
            light=Light(lamp_mm=(-420.0, -150.0, 420.0), room=0.12, kelvin=3800), camera=usual
        ),
        "x-cut-off.jpg": PhotoSpec(
            camera=replace(usual, fill=1.25, shift=(0.36, 0.0)), usable=False, why_not="cut_off", page=None
        ),
        "x-hand-shadow.jpg": PhotoSpec(
            page=None,
            camera=usual,
            light=Light(shadow=(30.0, 10.0, 34.0, 0.75), room=0.15),
            usable=False,
            why_not="shadow",
        ),
        "x-plain-streaked.jpg": PhotoSpec(
            page=None, cov=0.22, elements=5, camera=replace(usual, fill=0.7), table="mat"
        ),
        "x-portrait-by-exif.jpg": PhotoSpec(camera=replace(usual, tilt_deg=9)),
    }


def main(folder: Path) -> None:
    jobs: list[tuple[str, PhotoSpec, str | None]] = [
        *((name, spec, taken) for name, (spec, taken) in day_samples().items()),
        *((name, spec, None) for name, spec in more_samples().items()),
    ]
    truths = {}
    for number, (name, spec, taken) in enumerate(jobs, 1):
        image, truth = render(spec, crc32(name.encode()))
        write_photo(folder / name, image, spec, taken, 6 if "exif" in name else 1)
        truths[name] = {**truth.__dict__, "resolution_mm": RESOLUTION_MM}
        print(f"{number}/{len(jobs)} {name} cov {truth.cov:.3f} {truth.mix}")
    (folder / "truth.json").write_text(json.dumps(truths, indent=1) + "\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
