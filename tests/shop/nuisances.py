"""Which photographs might a shop take? Specs drawn by chance, for sets that a scorer is validated on."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Literal, get_args

import numpy as np

from tests.shop.camera import Camera, place
from tests.shop.film import FilmSpec, Grade
from tests.shop.light import Lamp, Light
from tests.shop.mixer import Mixing
from tests.shop.photo import PhotoSpec, framed_points

LightName = Literal["room", "side_lamp", "two_lamps", "window", "uneven", "warm_lamp"]
Spoiler = Literal["blurred", "shaken", "glare", "cut_off", "too_small", "shadow", "dark", "overexposed"]

COV: Final[dict[Grade, tuple[float, float]]] = {
    "good": (0.008, 0.045),
    "borderline": (0.055, 0.095),
    "streaked": (0.12, 0.28),
    "badly_streaked": (0.34, 0.80),
}
ELEMENTS: Final[dict[Grade, tuple[int, int]]] = {
    "good": (8, 11),
    "borderline": (6, 8),
    "streaked": (5, 7),
    "badly_streaked": (4, 6),
}


def _even(*names: str) -> dict[str, float]:
    return dict.fromkeys(names, 1.0)


@dataclass(frozen=True)
class Draw:
    """What random_spec may draw, each with its weight; leave a name out to leave it out of the set.

    mixes : grades; borderline is out unless asked for
    spoiled : share of photographs that are spoiled on purpose, by one of `spoilers`
    sheet : share on the printed sheet, the others on plain paper
    tilt_max_deg : [deg]; long_side : [px] of the picture
    kelvin : [K] range of the lamps; turned : share turned by quarters, in the hand or by EXIF
    smudges : finger marks of sealant beside the film, on average
    ratio_spread : standard deviation of the delivered over the specified share of curing agent
    shared_relief : range of the ridges' share that both wings have in common, as when strings of sealant
        snap in their middle: then not only the mix is mirrored
    black_rich : some uneven black mixes have too much curing agent in their streaks, black on black
    """

    mixes: Mapping[str, float] = field(
        default_factory=lambda: {"good": 2.0, "streaked": 1.0, "badly_streaked": 1.0}
    )
    materials: Mapping[str, float] = field(
        default_factory=lambda: {"black": 6.0, "dark_grey": 2.0, "mid_grey": 1.5}
    )
    lights: Mapping[str, float] = field(default_factory=lambda: _even(*get_args(LightName)))
    grounds: Mapping[str, float] = field(default_factory=lambda: _even("wood", "steel", "mat"))
    spoilers: Mapping[str, float] = field(default_factory=lambda: _even(*get_args(Spoiler)))
    spoiled: float = 0.2
    sheet: float = 0.6
    tilt_max_deg: float = 28.0
    long_side: tuple[int, ...] = (1600,)
    kelvin: tuple[float, float] = (2700.0, 7500.0)
    turned: float = 0.3
    smudges: float = 0.25
    ratio_spread: float = 0.01
    shared_relief: tuple[float, float] = (0.0, 0.0)
    black_rich: bool = False


def random_spec(rng: np.random.Generator, draw: Draw | None = None) -> PhotoSpec:
    """One photograph's spec. The truth that render() gives decides what it is, not what was drawn here."""
    draw = draw or Draw()
    material = _pick(rng, draw.materials)
    grade = _pick(rng, draw.mixes)
    agent_rich = (draw.black_rich or material != "black") and rng.random() < 0.2
    mixing = mixing_of(rng, grade, agent_rich)  # type: ignore[arg-type]
    sheet = rng.random() < draw.sheet
    long = int(rng.choice(draw.long_side))
    tilt = np.radians(draw.tilt_max_deg) * rng.beta(1.2, 2.5)
    half_turn = rng.choice([0.0, np.pi / 2, np.pi, -np.pi / 2]) if rng.random() < draw.turned else 0.0
    camera = Camera(
        size=(long, long * 3 // 4),
        tilt=float(tilt),
        tilt_to=float(rng.uniform(0, 2 * np.pi)),
        roll=float(half_turn + rng.normal(0, 0.07)),
        fill=float(rng.uniform(0.78, 0.96)),
        defocus=float(rng.uniform(0.0, 0.9) * long / 1600),
        exposure=float(rng.uniform(0.55, 0.85)),
        noise=float(np.exp(rng.uniform(np.log(1500.0), np.log(12000.0)))),
        white_balance=(float(rng.uniform(0.95, 1.05)), 1.0, float(rng.uniform(0.93, 1.07))),
        adapted=float(rng.uniform(0.75, 1.0)),
        vignette=float(rng.uniform(0.3, 1.0)),
        sharpen=float(rng.uniform(0.2, 0.9)),
    )
    film = FilmSpec(
        mixing,
        width=float(rng.uniform(34.0, 60.0)),
        length=float(rng.uniform(60.0, 105.0)),
        thickness=float(rng.uniform(0.3, 0.6)),
        relief=float(rng.uniform(0.15, 0.35)),
        shared_relief=float(rng.uniform(*draw.shared_relief)),
        offset=float(rng.uniform(-12.0, 12.0)),
    )
    name = _pick(rng, draw.lights)
    spec = PhotoSpec(
        film=film,
        material=material,
        page="letter" if rng.random() < 0.5 else "a4",
        smudges=int(rng.poisson(draw.smudges)),
        sheet=(f"{rng.integers(1, 9999):04d}", "hall-9", "pump-a") if sheet else None,
        fold=(float(rng.uniform(0.0, 0.06)), float(rng.uniform(0.0, 0.06))),
        buckle=float(rng.uniform(0.2, 1.0)),
        ratio=float(rng.normal(1.0, draw.ratio_spread)),
        roughness=float(rng.uniform(0.12, 0.26)),
        ground=_pick(rng, draw.grounds),  # type: ignore[arg-type]
        light=light_of(rng, name, rng.uniform(*draw.kelvin)),  # type: ignore[arg-type]
        light_name=name,
        camera=camera,
        framed="page" if sheet or rng.random() < 0.4 else "film",
        orientation=int(rng.choice([1, 3, 6, 8])) if rng.random() < draw.turned else 1,  # type: ignore[arg-type]
        jpeg=int(rng.integers(72, 94)),
    )
    return spoil(rng, spec, _pick(rng, draw.spoilers)) if rng.random() < draw.spoiled else spec  # type: ignore[arg-type]


def mixing_of(rng: np.random.Generator, mix: Grade, agent_rich: bool = False) -> Mixing:
    """A mixer that delivers that grade: fewer working elements and more slipping through, the worse it is."""
    cov = float(rng.uniform(*COV[mix]))
    elements = int(rng.integers(ELEMENTS[mix][0], ELEMENTS[mix][1] + 1))
    if mix == "good":
        return Mixing(elements, float(rng.uniform(0.2, 0.5)), cov)
    if mix == "borderline":
        return Mixing(elements, float(rng.uniform(0.03, 0.15)), cov, agent_rich)
    # So much must slip through at least, were it pure: s(1-s) (c/m)^2 = CoV^2 of two levels.
    excess = float(rng.uniform(2.0, 6.0)) if agent_rich else 1.0
    least = cov**2 / (cov**2 + excess**2)
    return Mixing(
        elements, least * float(rng.uniform(1.6, 2.2 if mix == "streaked" else 1.9)), cov, agent_rich
    )


def light_of(rng: np.random.Generator, name: LightName, kelvin: float) -> Light:
    """A kind of light, placed by chance on one side or another."""
    turn = rng.uniform(0, 2 * np.pi)

    def lamp(away: float, height: float, share: float, spread: float, by: float = 0.0) -> Lamp:
        at = (float(away * np.cos(turn + by)), float(away * np.sin(turn + by)), height)
        return Lamp(at, share, float(kelvin), spread)

    if name == "side_lamp":
        return Light((lamp(650, 600, 0.75, 0.06),), 0.25, 4500.0, unevenness=float(rng.uniform(1.4, 2.1)))
    if name == "two_lamps":
        lamps = (lamp(700, 700, 0.4, 0.05), lamp(800, 900, 0.35, 0.05, by=2.4))
        return Light(lamps, 0.3, float(kelvin))
    if name == "window":
        panes = tuple(
            lamp(1000, height, 0.13, 0.15, by) for by in (-0.35, 0.0, 0.35) for height in (500.0, 900.0)
        )
        return Light(panes, 0.3, 5600.0)
    if name == "uneven":
        return Light((lamp(310, 230, 0.85, 0.06),), 0.15, 4200.0, unevenness=float(rng.uniform(2.5, 3.1)))
    if name == "warm_lamp":
        warm = replace(lamp(500, 800, 0.75, 0.07), kelvin=float(rng.uniform(2700, 3200)))
        return Light((warm,), 0.25, 3300.0)
    return Light((lamp(700, 1600, 0.5, 0.05), lamp(1100, 1800, 0.25, 0.05, by=1.9)), 0.4, float(kelvin))


def spoil(rng: np.random.Generator, spec: PhotoSpec, by: Spoiler) -> PhotoSpec:
    """The same photograph taken badly."""
    camera = spec.camera
    scale = place(camera, framed_points(spec)).px_per_mm()
    if by == "blurred":
        return replace(spec, camera=replace(camera, defocus=float(rng.uniform(1.1, 2.0) * scale)))
    if by == "shaken":
        length = float(rng.uniform(2.6, 4.5) * scale)
        return replace(spec, camera=replace(camera, motion=(length, float(rng.uniform(0, np.pi)))))
    if by == "dark":
        return replace(spec, camera=replace(camera, exposure=float(rng.uniform(0.02, 0.08)), noise=1500.0))
    if by == "overexposed":
        return replace(spec, camera=replace(camera, exposure=float(rng.uniform(1.5, 3.0))))
    if by == "cut_off":
        reach = spec.film.length if rng.random() < 0.5 else spec.film.width * 2
        # Close to the film, and aimed past it.
        turn = float(rng.uniform(0, 2 * np.pi))
        away = float(rng.uniform(0.7, 1.0)) * reach
        shift = (away * float(np.cos(turn)), away * float(np.sin(turn)))
        return replace(spec, sheet=None, framed="film", camera=replace(camera, shift=shift, fill=1.15))
    if by == "too_small":
        fill = camera.fill * float(rng.uniform(1.3, 1.9)) / scale
        return replace(spec, framed=spec.framed, camera=replace(camera, fill=fill))
    if by == "shadow":
        side = float(rng.uniform(0, 2 * np.pi))
        edge = float(rng.uniform(5.0, 30.0))
        at = (-np.cos(side) * edge, -np.sin(side) * edge + spec.film.offset)
        hand = (float(at[0]), float(at[1]), side, float(rng.uniform(0.7, 0.9)))
        return replace(spec, light=replace(spec.light, hand=hand, shadow_soft=float(rng.uniform(5.0, 14.0))))
    return replace(
        spec,
        roughness=float(rng.uniform(0.06, 0.10)),
        film=replace(spec.film, relief=spec.film.relief * 0.5),
        light=glaring(rng, spec),
        light_name=f"{spec.light_name}, glare",
    )


def glaring(rng: np.random.Generator, spec: PhotoSpec) -> Light:
    """The light with one lamp where a flat film mirrors it into the lens."""
    eye = place(spec.camera, framed_points(spec)).eye
    near = rng.normal(0, 25.0, 2)
    at = (float(near[0] - eye[0]), float(near[1] + 2 * spec.film.offset - eye[1]), float(eye[2]))
    old = spec.light.lamps
    lamps = (*(replace(lamp, share=lamp.share * 0.4) for lamp in old), Lamp(at, 0.8, old[0].kelvin, 0.04))
    return replace(spec.light, lamps=lamps, unevenness=None)


def _pick(rng: np.random.Generator, weights: Mapping[str, float]) -> str:
    names = list(weights)
    share = np.array([weights[name] for name in names])
    return str(names[int(rng.choice(len(names), p=share / share.sum()))])
