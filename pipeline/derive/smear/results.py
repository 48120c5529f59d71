"""What does a smear photograph say, and by which limits? The records that leave this folder."""

from typing import Annotated, Literal

from msgspec import Meta, Struct

Share = Annotated[float, Meta(gt=0, lt=1, description="[1]")]
Positive = Annotated[float, Meta(gt=0)]


class SmearLimits(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a smear photograph is held against. Site settings; none of the defaults is a standard.

    cov_max : coefficient of variation of the curing agent's fraction above which the mix fails [1]. Common
        practice for static mixers: 0.05 or less is well mixed; 0.01 where shade or reaction is critical.
    streak_mm, streak_contrast : a streak this long whose share of curing agent differs by this much from its
        surroundings fails the mix, whatever the average says. Common practice: no visible streaks.
    unmixed_share : share of the film that looks like bare paper or unmixed base, above which the mix fails.
    fold_patch_mm2 : of a pale or dark patch on both sides of the fold, above which the mix fails; so much
        base in a hand's wing of 3200 mm2 is a coefficient of variation of 0.05 by itself, sqrt(8 / 3200).
    curing_agent_share : of the mix by volume; enters the intensity of segregation alone. 1/11 is ten to one.
    The others say when a photograph can't be judged; set by what blurs, hides or hides nothing on rendered
    photographs, no source.
    shadow_edge_max : change of log light beside the film [1/mm]; by less a soft shadow can be taken off
    outline_likeness_plain_min : without a printed fold, an outline less like its own mirror image may have
        been turned over about a wrong line, and about a wrong line every mix looks even
    origin : in words, where the limits of a site come from; empty for the defaults
    px_per_mm_min : below, a streak a millimetre wide falls between pixels
    blur_mm_max : standard deviation of the blur; a streak half a millimetre wide is lost beyond it
    """

    cov_max: Share = 0.05
    streak_mm: Positive = 12.0
    streak_contrast: Share = 0.25
    unmixed_share: Share = 0.004
    fold_patch_mm2: Positive = 8.0
    curing_agent_share: Share = 1 / 11
    px_per_mm_min: Positive = 1.8
    film_px_min: Positive = 160.0
    blur_mm_max: Positive = 0.4
    clipped_max: Share = 0.01
    paper_clipped_max: Share = 0.85
    paper_level_min: Share = 0.06
    one_wing_share_max: Share = 0.06
    shadow_share_max: Share = 0.04
    shadow_near_max: Share = 0.09
    shadow_edge_max: Positive = 0.0105
    glare_share_max: Share = 0.1
    unevenness_max: Positive = 4.0
    paper_share_min: Share = 0.2
    film_mm2_min: Positive = 900.0
    outline_likeness_min: Share = 0.8
    outline_likeness_plain_min: Share = 0.95
    chroma_max: Positive = 16.0
    origin: Annotated[str, Meta(max_length=400)] = ""


class Material(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is known of a sealant.

    shade_lab : the shade its good mixes have shown on the sheet, CIE L*a*b* with the paper as white
    shade_max : CIEDE2000 to it above which an even mix fails as lean, rich or another material; no source
    """

    name: str
    shade_lab: tuple[float, float, float]
    shade_max: Positive = 3.0


class Check(Struct, frozen=True, kw_only=True):
    """One thing measured and what it was held against."""

    name: str
    value: float
    limit: float
    ok: bool
    says: str = ""


class SmearScore(Struct, frozen=True, kw_only=True):
    """What a smear photograph says. Keys and order as scripts rely on; more may follow, none may change.

    verdict : pass, fail, or retake where the photograph can't be judged
    score : higher is worse mixed. 100 times the coefficient of variation; where that can't be measured it is
        100 times its limit, neither good nor bad
    cov : coefficient of variation of the curing agent's fraction, from what both wings share [1]
    segregation : Danckwerts' intensity of segregation [1]
    striation_mm : width of a striation, at a known scale
    delta_e_p95 : 95th percentile of CIEDE2000 to the film's median
    shade_delta_e : CIEDE2000 of the film's median to the material's own shade, where that is known
    calibrated : the printed sheet was found, so lengths are true
    px_per_mm : of the photograph at the sheet's centre
    cov_low, cov_high : between which the coefficient of variation lies, with a coverage of about 95 % [1]
    certainty : chance, as far as the variation tells, that the mix is on the side of the limit it was put on;
        None where the photograph is sent back or the film is white
    specks, largest_speck_mm : pale unmixed specks that both wings show, and the largest one's diameter
    longest_streak_mm, _width_mm, _contrast : of the plainest, by length times
        contrast; that is the curing agent's fraction against its surroundings [1], negative: base
    torn_share : of the film's box where one wing tore off to bare paper [1]
    """

    verdict: Literal["pass", "fail", "retake"]
    score: float
    cov: float | None
    segregation: float | None
    striation_mm: float | None
    delta_e_p95: float | None
    shade_delta_e: float | None
    reasons: tuple[str, ...]
    calibrated: bool
    px_per_mm: float | None
    sheet: str | None = None
    site: str | None = None
    pump: str | None = None
    delta_e_p99: float | None = None
    delta_e_zones: float | None = None
    shade_lab: tuple[float, float, float] | None = None
    cov_seen: float | None = None
    cov_hidden: float | None = None
    wings_likeness: float | None = None
    longest_streak_mm: float | None = None
    streaks: int = 0
    checks: tuple[Check, ...] = ()
    cov_low: float | None = None
    cov_high: float | None = None
    certainty: float | None = None
    specks: int = 0
    largest_speck_mm: float | None = None
    longest_streak_width_mm: float | None = None
    longest_streak_contrast: float | None = None
    torn_share: float | None = None
