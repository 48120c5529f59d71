"""What is the verdict on a smear photograph, and why? Joins the rooms of this folder.

Sheet or paper -> light -> film -> can it be judged? -> fold -> mixing, colour, streaks -> verdict. A
photograph that can't be judged is sent back whatever it shows; numbers are given all the same where they
could be taken.
"""

from dataclasses import dataclass, field
from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear import find, fold, judgeable, light, mixing, streaks
from pipeline.derive.smear.arrays import BoolArray, FloatArray, PixelArray
from pipeline.derive.smear.code import read_code
from pipeline.derive.smear.colour import Colour, delta_e_2000, lab, measure_colour
from pipeline.derive.smear.film import Film, find_film
from pipeline.derive.smear.find import Canvas
from pipeline.derive.smear.results import Check, Material, SmearLimits, SmearScore
from pipeline.derive.smear.streaks import Streak

_GRAIN_MM: Final = 0.25  # smoothing before K/S, which would turn noise into bias
_SHADE_MM: Final = 2.0
_ROOM: Final = 1.5  # times the limit: where a mix is taken for uneven in case of doubt
_RETAKE_FIRST: Final = "Take the photograph again."


@dataclass(frozen=True)
class Wings:
    """The film's crop and what was measured on it.

    at : (left, top) of the crop on the canvas [px]; px_per_mm : of the canvas, assumed without a sheet
    """

    at: tuple[int, int]
    px_per_mm: float
    fold: fold.Fold
    both: BoolArray
    mixing: mixing.Mixing
    colour: Colour
    streaks: list[Streak]
    fold_patch_mm2: float
    one_wing: float


@dataclass
class Seen:
    """What was found on the way to a verdict, as far as it went. For the overlay."""

    canvas: Canvas | None = None
    levelled: light.Light | None = None
    film: Film | None = None
    wings: Wings | None = None
    px_per_mm: float = find.WORK_PX_PER_MM
    checks: list[Check] = field(default_factory=list)
    qr: tuple[str, str, str] | None = None


def score(rgb: PixelArray, limits: SmearLimits | None = None, material: Material | None = None) -> SmearScore:
    """The verdict on a photograph. rgb : (H, W, 3) sRGB, uint8 or uint16; limits None : the defaults."""
    limits = limits or SmearLimits()
    return conclude(look(rgb, limits), limits, material)


def look(rgb: PixelArray, limits: SmearLimits) -> Seen:
    """All that can be measured on a photograph. rgb : (H, W, 3) sRGB, uint8 or uint16."""
    seen = Seen()
    sheet = find.find_sheet(rgb)
    seen.canvas = canvas = find.rectify(rgb, sheet) if sheet else find.plain_canvas(rgb)
    if canvas is None:
        return _stop(
            seen, "paper", "No smear sheet and no white paper to be seen: lay the film on white paper."
        )
    if sheet:
        seen.qr = read_code(rgb, sheet)
        seen.checks.append(
            judgeable.at_least(
                "px_per_mm",
                sheet.px_per_mm,
                limits.px_per_mm_min,
                "Too few pixels: go nearer, so that the sheet fills the picture.",
            )
        )
    print_ = find.printed(canvas.inside.shape) if sheet else np.zeros(canvas.inside.shape, bool)
    where = canvas.inside & ~print_
    seen.levelled = levelled = light.level_light(canvas, print_)
    if levelled is None:
        return _stop(seen, "paper", "Too little bare white paper around the film: show the whole sheet.")
    seen.film = film = find_film(levelled, where, find.WORK_PX_PER_MM)
    seen.checks.append(judgeable.check_glare(levelled, film.mask if film else None, where, limits))
    if film is None:
        return _stop(seen, "film", "No film of sealant to be seen on the paper: photograph the opened smear.")
    left, top, right, bottom = film.box
    if sheet is None:
        long_px = max(right - left, bottom - top)
        seen.px_per_mm = find.guess_scale(canvas, long_px)
        shrunk_px = long_px * canvas.to_photo[0, 0]
        seen.checks.append(
            judgeable.at_least(
                "film_px", shrunk_px, limits.film_px_min, "The film is too small in the picture: go nearer."
            )
        )
    seen.checks += _checks(seen, canvas, levelled, film, where, limits)
    seen.wings = wings = _measure(seen, canvas, levelled, film, limits)
    seen.checks += _wing_checks(wings, film, seen.px_per_mm, limits, printed_fold=canvas.fold_x is not None)
    return seen


def _stop(seen: Seen, name: str, says: str) -> Seen:
    seen.checks.append(Check(name=name, value=0.0, limit=1.0, ok=False, says=says))
    return seen


def _checks(
    seen: Seen, canvas: Canvas, levelled: light.Light, film: Film, where: BoolArray, limits: SmearLimits
) -> list[Check]:
    grey = light.luminance(light.linear_light(canvas.rgb))
    blur = judgeable.blur_mm(canvas, grey, seen.px_per_mm)
    return [
        judgeable.at_most(
            "blur_mm", blur, limits.blur_mm_max, "The photograph is blurred: hold still and let it focus."
        ),
        *judgeable.check_light(canvas, levelled, film.core, limits),
        judgeable.check_cut_off(canvas, film.mask),
        *judgeable.check_shadow(levelled, film.mask, where, seen.px_per_mm, limits),
    ]


def _measure(seen: Seen, canvas: Canvas, levelled: light.Light, film: Film, limits: SmearLimits) -> Wings:
    left, top, right, bottom = film.box
    crop = np.s_[top:bottom, left:right]
    scale = seen.px_per_mm
    mask, core = film.mask[crop], film.core[crop]
    colour_map = _smoothed(levelled.reflectance[crop], _GRAIN_MM * scale)
    grey = _smoothed(levelled.grey[crop], _GRAIN_MM * scale)
    shade = fold.markings(grey, mask, scale)
    lines = fold.find_folds(shade, mask, scale, None if canvas.fold_x is None else canvas.fold_x - left)
    picture = lab(colour_map)
    fraction = mixing.relative_fraction(grey, core)
    doubt = mixing.light_doubt(grey, core)

    def mixed(line: fold.Fold) -> mixing.Mixing:
        split = fold.split_part(fold.one_wing(core, line, scale), line, scale)
        if not split.any():
            return mixing.Mixing(0, 0, 0, 0, 0, 0, None, None)
        share = limits.curing_agent_share
        return mixing.measure_mixing(fraction, fold.mirrored(fraction, line), split, scale, share, doubt)

    line, mix = lines[0], mixed(lines[0])
    # About a wrong line every mix looks even: of lines that fit alike, one that shows clearly more decides.
    for other in lines[1:]:
        there = mixed(other)
        if there.cov**2 - 2 * there.cov_hidden**2 > mix.cov**2:
            line, mix = other, there
    both = fold.one_wing(core, line, scale)
    split = fold.split_part(both, line, scale)
    opposite = fold.mirrored(fraction, line)
    lightness = _smoothed(picture[..., 0], _SHADE_MM * scale)
    seen_both = bool(split.any())
    return Wings(
        at=(left, top),
        px_per_mm=scale,
        fold=line,
        both=both,
        mixing=mix,
        colour=measure_colour(picture, core),
        streaks=streaks.find_streaks(fraction, opposite, both, scale) if seen_both else [],
        fold_patch_mm2=streaks.patch_at_fold(fraction, opposite, both, both & ~split, scale),
        one_wing=judgeable.one_wing_only(lightness, fold.mirrored(lightness, line), both, scale)
        if seen_both
        else 1.0,
    )


def _smoothed(image: FloatArray, sigma: float) -> FloatArray:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), max(sigma, 0.3)), np.float32)


def _wing_checks(
    wings: Wings, film: Film, px_per_mm: float, limits: SmearLimits, *, printed_fold: bool
) -> list[Check]:
    _, a, b = wings.colour.median
    mix = wings.mixing
    return [
        judgeable.at_least(
            "film_mm2",
            float(film.mask.sum()) / px_per_mm**2,
            limits.film_mm2_min,
            "The film is too small to judge: press more sealant, to a film the size of a hand.",
        ),
        judgeable.at_least(
            "outline_likeness",
            wings.fold.likeness_of_outline,
            limits.outline_likeness_min if printed_fold else limits.outline_likeness_plain_min,
            "No two mirrored wings to be seen: show the whole smear, opened flat, with no shadow beside it.",
        ),
        judgeable.at_most(
            "chroma",
            float(np.hypot(a, b)),
            limits.chroma_max,
            "What lies on the paper is not the colour of sealant: photograph the smear alone.",
        ),
        judgeable.at_most(
            "drift",
            mix.cov_unclear if mix.cov_unclear > mix.cov else 0.0,
            3 * limits.cov_max,
            "The film shines, or its shade drifts across both wings: turn the sheet, use softer light.",
        ),
        judgeable.at_most(
            "one_wing",
            wings.one_wing,
            limits.one_wing_share_max,
            "Glare or a shadow lies on one wing: turn the sheet or move the lamp, and keep out of the light.",
        ),
    ]


def conclude(seen: Seen, limits: SmearLimits, material: Material | None) -> SmearScore:
    """The verdict on what was seen, with its reasons in the operator's words."""
    wings, canvas = seen.wings, seen.canvas
    sheet = canvas.sheet if canvas else None
    sent_back = [check.says for check in seen.checks if not check.ok]
    measured = wings is not None and bool(wings.both.any())
    cov = wings.mixing.cov if wings and measured else None
    faults = _faults(wings, seen.film, limits) if wings and measured and seen.film else []
    if wings and sheet and material:
        faults += _off_shade(wings.colour.median, material)
    if sent_back or cov is None:
        verdict = "retake"
        reasons = sent_back or [_RETAKE_FIRST]
    elif faults:
        verdict, reasons = "fail", faults
    elif wings and _undecided(wings, limits):
        verdict = "retake"
        reasons = [
            f"Relief or gloss hides the mix, variation {cov:.1%} or more: use softer light, press flatter."
        ]
    else:
        verdict = "pass"
        reasons = [f"The mix is even: variation {cov:.1%}, at most {limits.cov_max:.0%} is well mixed."]
    shade = wings.colour.median if wings else None
    to_mm = 1 / seen.px_per_mm if sheet else None
    striation = wings.mixing.striation_px if wings else None
    return SmearScore(
        verdict=verdict,  # type: ignore[arg-type]
        score=100 * (limits.cov_max if cov is None else cov),
        cov=cov,
        segregation=wings.mixing.segregation if wings and measured else None,
        striation_mm=striation * to_mm if striation and to_mm else None,
        delta_e_p95=wings.colour.p95 if wings else None,
        shade_delta_e=_shade_apart(shade, material),
        reasons=tuple(reasons),
        calibrated=sheet is not None,
        px_per_mm=sheet.px_per_mm if sheet else None,
        sheet=seen.qr[0] if seen.qr else None,
        site=seen.qr[1] if seen.qr else None,
        pump=seen.qr[2] if seen.qr else None,
        delta_e_p99=wings.colour.p99 if wings else None,
        delta_e_zones=wings.colour.zones if wings else None,
        shade_lab=shade,
        cov_seen=wings.mixing.cov_seen if wings and measured else None,
        cov_hidden=wings.mixing.cov_hidden if wings and measured else None,
        wings_likeness=wings.mixing.likeness if wings and measured else None,
        longest_streak_mm=wings.streaks[0].length * to_mm if wings and wings.streaks and to_mm else None,
        streaks=len(wings.streaks) if wings else 0,
        checks=tuple(seen.checks),
    )


def _undecided(wings: Wings, limits: SmearLimits) -> bool:
    """Whether a mix that seems even may be none, for all that relief and gloss could hide."""
    cov, hidden = wings.mixing.cov, wings.mixing.cov_hidden
    return cov > limits.cov_max or cov**2 + hidden**2 / 2 > (_ROOM * limits.cov_max) ** 2


def _faults(wings: Wings, film: Film, limits: SmearLimits) -> list[str]:
    faults = []
    cov, hidden = wings.mixing.cov, wings.mixing.cov_hidden
    if cov**2 - hidden**2 / 2 > limits.cov_max**2:
        faults.append(
            f"Unevenly mixed: the curing agent varies by {cov:.1%}, more than {limits.cov_max:.0%}."
        )
    bad = [
        streak
        for streak in wings.streaks
        if streak.length >= limits.streak_mm * wings.px_per_mm
        and abs(streak.contrast) >= limits.streak_contrast
    ]
    if bad:
        kind = "light" if bad[0].contrast < 0 else "dark"
        faults.append(
            f"Streaks: {len(bad)} on each wing, the longest {kind}, "
            f"{bad[0].length / wings.px_per_mm:.0f} mm long."
        )
    if wings.fold_patch_mm2 > limits.fold_patch_mm2:
        faults.append(f"An unmixed patch at the fold: {wings.fold_patch_mm2:.0f} mm2 on each wing.")
    if film.enclosed > limits.unmixed_share:
        faults.append(
            f"White patches inside the film ({film.enclosed:.1%} of it): unmixed base, or bare paper."
        )
    return faults


def _off_shade(shade: tuple[float, float, float], material: Material) -> list[str]:
    """An even mix of the wrong ratio shows in its shade alone; only the sheet's paper is a white to trust."""
    apart = _shade_apart(shade, material)
    if apart is None or apart <= material.shade_max:
        return []
    way = "darker" if shade[0] < material.shade_lab[0] else "lighter"
    by_how_much = f"by {apart:.1f} (CIEDE2000), more than {material.shade_max:g}"
    return [f"The shade is {way} than {material.name}'s own {by_how_much}: check the ratio and the material."]


def _shade_apart(shade: tuple[float, float, float] | None, material: Material | None) -> float | None:
    if shade is None or material is None:
        return None
    return float(delta_e_2000(np.array(shade), np.array(material.shade_lab)))
