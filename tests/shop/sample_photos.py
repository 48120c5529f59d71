"""Which photographs lie in sample_images? Those of the day in Hall Nine, and some for variety.

Everything follows from the files' names and from tests/shop/day.py.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final
from zlib import crc32

import numpy as np

from tests.shop.day import PUMPS, SHOP, SITE, ZONE, at
from tests.shop.light import Light
from tests.shop.nuisances import Draw, Spoiler, light_of, random_spec, spoil
from tests.shop.paperwork import BASE_LOT, CURING_LOT, NEW_PAIL_LOT
from tests.shop.photo import PhotoSpec

# Another number gives another photograph of the same kind; chosen by looking at them.
TAKE: Final[dict[str, int]] = {"mid-grey-badly-streaked.jpg": 1, "tilted-25.jpg": 1}

Change = Callable[[np.random.Generator, PhotoSpec], PhotoSpec]


def samples() -> dict[str, tuple[PhotoSpec, int]]:
    """Spec and seed of every sample photograph, by file name."""
    return {**_of_the_day(), **_for_variety()}


def _of_the_day() -> dict[str, tuple[PhotoSpec, int]]:
    """What the operators of both pumps took on the day: quickly, but nearly as the sheet tells them to."""
    made, number = {}, 417
    spoilers: dict[str, Spoiler] = {"blurred": "blurred", "glare": "glare"}
    for pump in PUMPS:
        for smear in SHOP[pump].smears:
            draw = Draw(
                mixes={smear.mix: 1},
                materials={"black": 1},
                lights={"room": 2, "two_lamps": 1, "window": 1},
                grounds={"wood" if pump == "pump-a" else "steel": 1},
                spoiled=0.0,
                sheet=1.0 if smear.sheet else 0.0,
                tilt_max_deg=14.0,
                turned=0.0,
            )
            seed, rng = _seed(smear.file)
            spec = random_spec(rng, draw)
            if smear.photo != "good":
                spec = spoil(rng, spec, spoilers[smear.photo])
            printed = (f"{number:04d}", SITE, pump) if smear.sheet else None
            number += smear.sheet
            # Phones write the second; nobody presses the button on the minute.
            taken = at(smear.at).astimezone(ZONE) + timedelta(seconds=int(rng.integers(2, 58)))
            spec = replace(spec, page="letter", sheet=printed, taken_at=taken)
            if printed:
                pail = NEW_PAIL_LOT if pump == "pump-a" and taken > at("15:20") else CURING_LOT[pump]
                spec = replace(spec, notes=(f"{taken:%m/%d %H:%M}", smear.by, BASE_LOT[pump], pail))
            made[smear.file] = spec, seed
    return made


def _for_variety() -> dict[str, tuple[PhotoSpec, int]]:
    """Other materials, tables, lights and hands than the day's."""

    def tilted(rng: np.random.Generator, spec: PhotoSpec) -> PhotoSpec:
        return replace(spec, camera=replace(spec.camera, tilt=np.radians(25.0), tilt_to=2.1, fill=0.9))

    def turned(by: float) -> Change:
        def turn(rng: np.random.Generator, spec: PhotoSpec) -> PhotoSpec:
            return replace(spec, camera=replace(spec.camera, roll=np.radians(by), fill=0.95))

        return turn

    def upright(rng: np.random.Generator, spec: PhotoSpec) -> PhotoSpec:
        camera = replace(spec.camera, size=(1200, 1600), roll=np.radians(88.0))
        return replace(spec, orientation=6, camera=camera)

    def uneven(rng: np.random.Generator, spec: PhotoSpec) -> PhotoSpec:
        light: Light = replace(light_of(rng, "uneven", 4300.0), unevenness=3.0)
        return replace(spec, light=light, light_name="uneven")

    def warm(rng: np.random.Generator, spec: PhotoSpec) -> PhotoSpec:
        return replace(spec, light=light_of(rng, "warm_lamp", 2900.0), light_name="warm_lamp")

    def spoiled(by: Spoiler) -> Change:
        return lambda rng, spec: spoil(rng, spec, by)

    def as_is(rng: np.random.Generator, spec: PhotoSpec) -> PhotoSpec:
        return spec

    kinds: dict[str, tuple[str, str, bool, str, Change]] = {
        "dark-grey-plain-wood.jpg": ("streaked", "dark_grey", False, "wood", as_is),
        "mid-grey-warm-lamp.jpg": ("good", "mid_grey", True, "wood", warm),
        "mid-grey-badly-streaked.jpg": ("badly_streaked", "mid_grey", True, "mat", as_is),
        "white-plain-mat.jpg": ("good", "white", False, "mat", as_is),
        "black-plain-steel.jpg": ("badly_streaked", "black", False, "steel", as_is),
        "tilted-25.jpg": ("good", "black", True, "wood", tilted),
        "turned-90.jpg": ("streaked", "black", True, "steel", turned(90.0)),
        "turned-180.jpg": ("good", "dark_grey", True, "wood", turned(181.5)),
        "exif-turned.jpg": ("good", "black", True, "mat", upright),
        "uneven-light.jpg": ("streaked", "black", True, "wood", uneven),
        "cut-off.jpg": ("good", "black", False, "wood", spoiled("cut_off")),
        "hand-shadow.jpg": ("good", "black", True, "steel", spoiled("shadow")),
    }
    made = {}
    morning = datetime(2026, 10, 13, 7, 20, 31, tzinfo=ZONE)
    for count, (file, (mix, material, sheet, ground, change)) in enumerate(kinds.items()):
        seed, rng = _seed(file)
        draw = Draw(
            mixes={mix: 1},
            materials={material: 1},
            lights={"room": 1, "side_lamp": 1, "two_lamps": 1},
            grounds={ground: 1},
            spoiled=0.0,
            sheet=1.0 if sheet else 0.0,
            tilt_max_deg=10.0,
            turned=0.0,
        )
        spec = change(rng, replace(random_spec(rng, draw), framed="page"))
        taken = morning + timedelta(minutes=37 * count, seconds=11 * count)
        made[file] = replace(spec, taken_at=taken), seed
    return made


def _seed(file: str) -> tuple[int, np.random.Generator]:
    """Seed of a file's photograph, and the numbers its spec is drawn from."""
    seed = crc32(file.encode()) + TAKE.get(file, 0)
    return seed, np.random.default_rng(seed)
