"""What is the verdict on a smear photograph, and why? Joins the rooms of this folder.

Sheet or paper -> light -> film -> can it be judged? -> fold -> mixing, colour, streaks -> verdict. A
photograph that can't be judged is sent back whatever it shows; numbers are given all the same where they
could be taken.
"""

from dataclasses import replace
from typing import Final, NamedTuple

import cv2
import numpy as np

from pipeline.derive.smear import (
    bare,
    bent,
    blur,
    drag,
    find,
    fold,
    judgeable,
    light,
    mixing,
    specks,
    streaks,
)
from pipeline.derive.smear.arrays import BoolArray, FloatArray, Matrix, PixelArray
from pipeline.derive.smear.code import read_code
from pipeline.derive.smear.colour import lab, measure_colour
from pipeline.derive.smear.crease import find_crease
from pipeline.derive.smear.film import Film, find_film, torn_paper
from pipeline.derive.smear.find import Canvas
from pipeline.derive.smear.pale import rough_film
from pipeline.derive.smear.results import Check, Material, SmearLimits, SmearScore
from pipeline.derive.smear.seen import Seen, Wings
from pipeline.derive.smear.verdict import conclude

_GRAIN_MM: Final = 0.25  # smoothing before K/S, which would turn noise into bias
_SHADE_MM: Final = 2.0
_AROUND_MM: Final = 9.0
_SEAM_MM: Final = 2.0
# Relative to the paper. A pigmented mix with a tenth of its curing agent is darker, base is lighter.
_WHITE: Final = 0.8
_TORN_MAX: Final = 0.25


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
    seen.px_per_mm = canvas.px_per_mm
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
    seen.film = film = find_film(levelled, where, canvas.px_per_mm, canvas.fold_x)
    seen.checks.append(judgeable.check_glare(levelled, film.mask if film else None, where, limits))
    least_px = limits.film_mm2_min * canvas.px_per_mm**2
    # A line of handwriting is dark and no film.
    if film is None or film.level > _WHITE or film.mask.sum() < least_px:
        white = rough_film(levelled, where, _WHITE - 0.1, canvas.px_per_mm)
        if white is not None and white.sum() > least_px:
            seen.white = white
            seen.checks += judgeable.check_light(canvas, levelled, white, limits)
            return seen
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
    seen.checks += _checks(seen, canvas, levelled, film, limits)
    seen.wings = wings = _measure(seen, canvas, levelled, film, limits)
    seen.checks += judgeable.check_shadow(levelled, film, wings.fold, where, seen.px_per_mm, limits)
    seen.checks += _wing_checks(wings, film, seen.px_per_mm, limits)
    return seen


def _stop(seen: Seen, name: str, says: str) -> Seen:
    seen.checks.append(Check(name=name, value=0.0, limit=1.0, ok=False, says=says))
    return seen


def _checks(
    seen: Seen, canvas: Canvas, levelled: light.Light, film: Film, limits: SmearLimits
) -> list[Check]:
    blurred = blur.blur_mm(canvas, seen.px_per_mm)
    return [
        judgeable.at_most(
            "blur_mm", blurred, limits.blur_mm_max, "The photograph is blurred: hold still and let it focus."
        ),
        *judgeable.check_light(canvas, levelled, film.core, limits),
        judgeable.check_cut_off(canvas, film.mask),
    ]


def _measure(seen: Seen, canvas: Canvas, levelled: light.Light, film: Film, limits: SmearLimits) -> Wings:
    left, top, right, bottom = film.box
    crop = np.s_[top:bottom, left:right]
    scale = seen.px_per_mm
    mask, core = film.mask[crop], film.core[crop]
    colour_map = _smoothed(levelled.reflectance(film.box), _GRAIN_MM * scale)
    grey = _smoothed(levelled.grey[crop], _GRAIN_MM * scale)
    shade = fold.markings(grey, mask, scale)
    known = _known_fold(canvas, levelled, film, scale)
    lines = fold.find_folds(shade, mask, scale, known)
    torn = torn_paper(grey, mask, fold.mirrored(grey, lines[0]), film.level, scale)
    strip = _strip(levelled, film, lines[0], scale)
    bared = torn if strip is None else torn | strip.mask
    unmixed = film.enclosed
    if bared.any():
        core = core & (cv2.dilate(bared.astype(np.uint8), np.ones((2 * round(1.5 * scale) + 1,) * 2)) == 0)
        if not core.any():
            core = film.core[crop]
        unmixed = float((grey[core] > np.sqrt(max(film.level, 0.01))).mean())
    # Medians, percentiles and what is blurred over millimetres need no more than every other pixel each way.
    step = 2 if core[::2, ::2].any() else 1
    picture = lab(colour_map[::step, ::step])
    fraction = mixing.relative_fraction(grey, core)
    doubt = mixing.light_doubt(grey, core)

    def pair(line: fold.Fold) -> _Pair:
        # Along another line that may be the fold lies what two halves make where they meet: no streak.
        whole = core
        for other in lines:
            if other is not line:
                whole = whole & (np.abs(other.beyond(core.shape)) > _SEAM_MM * scale)
        both, opposite = fold.one_wing(whole, line, scale), fold.mirrored(fraction, line)
        by = drag.drag(fraction, opposite, both, line.angle, scale)
        opposite = opposite if by is None else drag.dragged(opposite, by)
        split = bent.split_part(fraction, opposite, both, line, scale)
        if not split.any():
            return _Pair(both, opposite, mixing.NOTHING, 0.0)
        beside, patch = bent.plainly_off(fraction, opposite, both, split, scale)
        share = limits.curing_agent_share
        mix = mixing.measure_mixing(fraction, opposite, split, share, doubt, beside, line.angle)
        return _Pair(both, opposite, mix, patch)

    line, wings = lines[0], pair(lines[0])
    # About a wrong line every mix looks even: of lines that fit alike, one that shows clearly more decides.
    for other in lines[1:]:
        there = pair(other)
        if there.mix.cov**2 - 2 * there.mix.cov_hidden**2 > wings.mix.cov**2:
            line, wings = other, there
    both, opposite, mix, patch = wings
    lightness = cv2.resize(_smoothed(picture[..., 0], _SHADE_MM * scale / step), core.shape[::-1])
    seen_both = mix.cov_seen > 0
    return Wings(
        at=(left, top),
        px_per_mm=scale,
        fold=line,
        fold_known=known is not None,
        both=both,
        mixing=mix,
        colour=measure_colour(picture, core[::step, ::step]),
        streaks=streaks.find_streaks(fraction, opposite, both, scale) if seen_both else [],
        specks=specks.find_specks(fraction, opposite, both, scale) if seen_both else [],
        torn=torn,
        unmixed=unmixed,
        unmixed_alike=bare.alike(mask & (grey > np.sqrt(max(film.level, 0.01))), core, line, scale),
        strip=strip,
        parted=bare.parts_wings(mask & ~bared, line, scale),
        fold_patch_mm2=patch,
        one_wing=judgeable.one_wing_only(lightness, fold.mirrored(lightness, line), both, scale)
        if seen_both
        else 1.0,
        light_doubt=doubt,
        bubbles=bare.on_both_wings(
            film.spots[crop], mask & (grey > np.sqrt(max(film.level, 0.01))), line, scale
        ),
    )


def _known_fold(canvas: Canvas, levelled: light.Light, film: Film, scale: float) -> Matrix | None:
    """(2,) angle [rad] and offset [px], on the film's crop, of the fold that sheet or paper shows."""
    line = (
        find_crease(levelled.grey, levelled.paper & canvas.inside, film.mask, scale)
        if canvas.fold_x is None
        else np.array([0.0, canvas.fold_x])
    )
    if line is None:
        return None
    left, top, _, _ = film.box
    return np.array([line[0], line[1] - left * np.cos(line[0]) - top * np.sin(line[0])])


class _Pair(NamedTuple):
    """One wing where both are seen, what lies opposite, and what the two share."""

    both: BoolArray
    opposite: FloatArray
    mix: mixing.Mixing
    fold_patch_mm2: float


def _strip(levelled: light.Light, film: Film, line: fold.Fold, scale: float) -> bare.Strip | None:
    """The white strip along the fold, on the film's crop. line : the fold in the crop."""
    left, top, right, bottom = film.box
    room, (height, width) = round(_AROUND_MM * scale), film.mask.shape
    box = (max(0, left - room), max(0, top - room), min(width, right + room), min(height, bottom + room))
    aside, above = left - box[0], top - box[1]
    offset = line.offset + aside * np.cos(line.angle) + above * np.sin(line.angle)
    there, part = replace(line, offset=float(offset)), np.s_[box[1] : box[3], box[0] : box[2]]
    found = bare.fold_strip(levelled.reflectance(box), film.mask[part], there, film.level, scale)
    if found is None:
        return None
    return replace(found, mask=found.mask[above : above + bottom - top, aside : aside + right - left])


def _smoothed(image: FloatArray, sigma: float) -> FloatArray:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), max(sigma, 0.3)), np.float32)


def _wing_checks(wings: Wings, film: Film, px_per_mm: float, limits: SmearLimits) -> list[Check]:
    _, a, b = wings.colour.median
    mix = wings.mixing
    # About a wrong fold a mix looks even, never uneven: base that ran out to the rim may spoil the outline.
    uneven = mix.cov**2 - 2 * mix.cov_hidden**2 > (2 * limits.cov_max) ** 2
    return [
        judgeable.at_least(
            "film_mm2",
            float(film.mask.sum()) / px_per_mm**2,
            limits.film_mm2_min,
            "The film is too small to judge: press more sealant, to a film the size of a hand.",
        ),
        judgeable.at_most(
            "film_level",
            film.level,
            _WHITE,
            "The film is hardly darker than the paper: if it is sealant, its curing agent is missing, so "
            "stop and look; if it is a shadow, photograph the smear in even light.",
        ),
        judgeable.at_most(
            "torn",
            float(wings.torn.sum() / max(1, film.mask.sum())),
            _TORN_MAX,
            "The film is torn off the paper: open the sheet more slowly, and take a new sample.",
        ),
        judgeable.at_least(
            "outline_likeness",
            wings.fold.likeness_of_outline,
            limits.outline_likeness_min
            if wings.fold_known or uneven or wings.parted
            else limits.outline_likeness_plain_min,
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
            mix.cov_unclear if mix.cov_sure < max(limits.cov_max, mix.cov_unclear / 2) else 0.0,
            limits.cov_max / 2,
            "The shade drifts across both wings, or the film shines: turn the sheet, use softer light; if "
            "it comes so again, check the ratio and take a new sample.",
        ),
        judgeable.at_most(
            "one_wing",
            wings.one_wing,
            limits.one_wing_share_max,
            "Glare or a shadow lies on one wing: turn the sheet or move the lamp, and keep out of the light.",
        ),
    ]
