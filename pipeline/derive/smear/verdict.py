"""What is the verdict on what was seen, how sure is it, and what should the operator do?

A photograph that can't be judged is sent back whatever it shows. A verdict that errs errs to hold: what may
be uneven, for all that relief and gloss could hide, does not pass.
"""

from statistics import NormalDist
from typing import Final

import numpy as np

from pipeline.derive.smear.colour import delta_e_2000
from pipeline.derive.smear.mixing import Mixing
from pipeline.derive.smear.results import Material, SmearLimits, SmearScore
from pipeline.derive.smear.seen import Seen, Wings
from pipeline.derive.smear.streaks import Streak

_BAD: Final = 2.0  # times the limit: a mix that no doubt may pass
_SURE: Final = (
    1.64  # standard errors, 95 % on one side: a fail lies so far over the limit, a pass below a bad mix
)
# Uncertainty in proportion to the variation itself: pigment model, surface, lens. On rendered photographs of
# uneven mixes, of two renderers, the logarithm of found over true spreads by 0.2 to 0.35.
_MODEL: Final = 0.25
# Standard errors to an end of the interval: twice, and a quarter more, for relief is less even than the
# error takes it to be (on even films of two renderers what is found spreads by 1.2 of it).
_COVERAGE: Final = 2.5
_WHITE_SEALANT: Final = 82.0  # [L*] from which a material is white on white paper
_NO_CURING_AGENT: Final = (
    "The film is white throughout, no curing agent to be seen: stop, find out why the curing agent does not "
    "flow, then take a new sample."
)
_TOO_NEAR: Final = (
    "Too near the limit to tell, variation {}: use softer light, press flatter, and if it comes so again, "
    "make a new sample."
)
_STRIP: Final = (
    "A white strip along the fold, bare paper or unmixed base: make a new sample, the bead laid on the fold "
    "and pressed until the strip is gone, or well beside it."
)
_BUBBLES: Final = (
    "Round white spots on both wings, air or unmixed base: make a new sample, the bead pressed from its "
    "middle outwards."
)
_WHITE_APART: Final = (
    "White patches that the wings do not share, gloss or bare paper: turn the sheet and use softer light; if "
    "they stay, make a new sample."
)
# Photographs of four renderers: base 0.32 and over, gloss and bare paper 0.26 and below.
_WHITE_ALIKE: Final = 0.3
_RETAKE_FIRST: Final = "Take the photograph again."


def conclude(seen: Seen, limits: SmearLimits, material: Material | None) -> SmearScore:
    """The verdict on what was seen, with its reasons in the operator's words."""
    wings, canvas = seen.wings, seen.canvas
    sheet = canvas.sheet if canvas else None
    sent_back = [check.says for check in seen.checks if not check.ok]
    measured = wings is not None and bool(wings.both.any())
    cov = wings.mixing.cov if wings and measured else None
    faults = _faults(wings, limits) if wings and measured else []
    if wings and sheet and material:
        faults += _off_shade(wings.colour.median, material)
    if seen.white is not None and not sent_back:
        verdict, reasons = _of_white_film(material)
    elif sent_back or cov is None:
        verdict = "retake"
        reasons = sent_back or [_RETAKE_FIRST]
    elif faults:
        verdict, reasons = "fail", faults
    elif wings and wings.strip and not wings.strip.paper:
        verdict, reasons = "retake", [_STRIP]
    elif wings and wings.bubbles:
        verdict, reasons = "retake", [_BUBBLES]
    elif wings and wings.unmixed > limits.unmixed_share:
        verdict, reasons = "retake", [_WHITE_APART]
    elif wings and _undecided(wings, limits):
        verdict = "retake"
        reasons = [_TOO_NEAR.format(_between(wings))]
    else:
        verdict = "pass"
        found = f"{cov:.1%} ({_between(wings)} at the outside)" if wings else f"{cov:.1%}"
        well, bad = limits.cov_max, _BAD * limits.cov_max
        reasons = [f"The mix is even: variation {found}; up to {well:.0%} is well mixed, {bad:.0%} is bad."]
    low, high = interval(wings.mixing) if wings and measured else (None, None)
    shade = wings.colour.median if wings else None
    to_mm = 1 / seen.px_per_mm if sheet else None
    striation = wings.mixing.striation_px if wings else None
    return SmearScore(
        verdict=verdict,  # type: ignore[arg-type]
        score=_score(seen, limits, cov),
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
        cov_low=low,
        cov_high=high,
        certainty=_certainty(wings, limits) if wings and verdict != "retake" else None,
        specks=len(wings.specks) if wings else 0,
        largest_speck_mm=wings.specks[0].diameter * to_mm if wings and wings.specks and to_mm else None,
        longest_streak_width_mm=wings.streaks[0].width * to_mm if wings and wings.streaks and to_mm else None,
        longest_streak_contrast=wings.streaks[0].contrast if wings and wings.streaks else None,
        torn_share=float(wings.torn.mean()) if wings else None,
    )


def interval(mix: Mixing) -> tuple[float, float]:
    """(low, high): the coefficient of variation, with a coverage of about 95 % [1]. Source: JCGM 100:2008.

    What relief hides or feigns adds to the variance, the model's own uncertainty is in proportion: in
    quadrature.
    """
    hidden = _COVERAGE * mix.cov_hidden**2
    below = mix.cov - float(np.sqrt(max(mix.cov**2 - hidden - 2 * mix.cov_feigned**2, 0.0)))
    above = float(np.sqrt(mix.cov**2 + hidden)) - mix.cov
    low = mix.cov - float(np.hypot(below, mix.cov * (1 - np.exp(-2 * _MODEL))))
    return max(low, 0.0), mix.cov + float(np.hypot(above, mix.cov * (np.exp(2 * _MODEL) - 1)))


def _at_most(mix: Mixing) -> float:
    """What the coefficient of variation does not exceed, 95 % sure on that side [1]."""
    hidden = float(np.sqrt(mix.cov**2 + _SURE * mix.cov_hidden**2)) - mix.cov
    return mix.cov + float(np.hypot(hidden, mix.cov * (np.exp(_SURE * _MODEL) - 1)))


def _below(mix: Mixing, limit: float) -> float:
    """Chance that the variation is at most the limit."""
    low, high = interval(mix)
    toward = high - mix.cov if limit > mix.cov else mix.cov - low
    return NormalDist().cdf((limit - mix.cov) / max(toward / 2, 1e-6))


def _certainty(wings: Wings, limits: SmearLimits) -> float:
    """Chance, as far as the variation tells, that the mix lies on the side of the limit it was put on."""
    below = _below(wings.mixing, limits.cov_max)
    return below if wings.mixing.cov <= limits.cov_max else 1 - below


def _between(wings: Wings) -> str:
    low, high = interval(wings.mixing)
    return f"{low:.1%} to {high:.1%}"


def _score(seen: Seen, limits: SmearLimits, cov: float | None) -> float:
    """Higher is worse mixed; a film without curing agent is unmixed altogether."""
    if seen.white is not None:
        return 100.0
    return 100 * (limits.cov_max if cov is None else cov)


def _of_white_film(material: Material | None) -> tuple[str, list[str]]:
    if material is not None and material.shade_lab[0] > _WHITE_SEALANT:
        says = f"{material.name} is white on white paper: judge it by eye, or press it on dark paper."
        return "retake", [says]
    return "fail", [_NO_CURING_AGENT]


def _undecided(wings: Wings, limits: SmearLimits) -> bool:
    """Whether a mix that does not fail may not pass either: near the limit, or streaked if it is no gloss."""
    doubtful = wings.mixing.cov > limits.cov_max or _at_most(wings.mixing) > _BAD * limits.cov_max
    return doubtful or bool(_long_streaks(wings, limits, limits.streak_contrast))


def _long_streaks(wings: Wings, limits: SmearLimits, contrast: float) -> list[Streak]:
    return [
        streak
        for streak in wings.streaks
        if streak.length >= limits.streak_mm * wings.px_per_mm and abs(streak.contrast) >= contrast
    ]


def _faults(wings: Wings, limits: SmearLimits) -> list[str]:
    faults = []
    cov, hidden = wings.mixing.cov, wings.mixing.cov_hidden
    if wings.mixing.cov_sure**2 - _SURE * hidden**2 > limits.cov_max**2:
        faults.append(
            f"Unevenly mixed: the curing agent varies by {cov:.1%} ({_between(wings)}), more than "
            f"{limits.cov_max:.0%}: do not glaze, check mixer and ratio, take a new sample."
        )
    # A dark film's gloss draws lines too, and a line of it that meets another is no streak.
    bad = _long_streaks(wings, limits, max(limits.streak_contrast, wings.light_doubt))
    if bad:
        kind = "light" if bad[0].contrast < 0 else "dark"
        faults.append(
            f"Streaks: {len(bad)} on each wing, the plainest {kind}, "
            f"{bad[0].length / wings.px_per_mm:.0f} mm long: purge, check the mixer, take a new sample."
        )
    if wings.fold_patch_mm2 > limits.fold_patch_mm2:
        faults.append(
            f"An unmixed patch at the fold: {wings.fold_patch_mm2:.0f} mm² on each wing: purge longer, "
            "take a new sample."
        )
    if wings.unmixed > limits.unmixed_share and wings.unmixed_alike >= _WHITE_ALIKE:
        faults.append(
            f"White patches inside the film ({wings.unmixed:.1%} of it): unmixed base, or bare paper: "
            "purge, check the curing agent's flow, take a new sample."
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
