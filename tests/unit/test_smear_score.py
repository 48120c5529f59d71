"""Does the scorer measure what is known, hold its verdict when only the picture changes, refuse the rest?"""

import functools
import io

import cv2
import numpy as np
import pytest
import skimage.data
from PIL import Image

from pipeline.derive.smear.overlay import marks
from pipeline.derive.smear.results import Material, SmearLimits
from pipeline.derive.smear.score import look, score
from pipeline.photos import score_bytes, score_photo
from tests.shop.fields import bands, flat, photograph, sine, streak


@functools.cache
def photo(kind, **options):
    patterns = {
        "even": flat,
        "sine": sine(0.2, 10.0),
        "bands": bands(0.2, 6.0),
        "faint": sine(0.03, 10.0),
        "streak": streak(1.2),
    }
    return photograph(patterns[kind], **options)


@functools.cache
def judged(kind, page="a4"):
    return score(photo(kind, page=page))


@pytest.mark.parametrize("page", ["a4", "letter", None])
def test_an_even_mix_passes(page):
    result = judged("even", page)
    assert result.verdict == "pass", result.reasons
    assert result.cov < 0.01
    assert result.calibrated == (page is not None)
    assert (result.px_per_mm is None) == (page is None)


@pytest.mark.parametrize(
    ("kind", "page", "cov"),
    [("sine", "a4", 0.1414), ("sine", None, 0.1414), ("bands", "letter", 0.2), ("faint", "a4", 0.0212)],
)
def test_cov_of_closed_form_patterns(kind, page, cov):
    """m (1 + a sin) has CoV a/sqrt(2), two equal levels m (1 +- a) have CoV a; blur takes a little off."""
    result = judged(kind, page)
    assert result.cov == pytest.approx(cov, rel=0.2)
    assert result.score == pytest.approx(100 * result.cov)
    assert result.verdict == ("pass" if cov <= 0.05 else "fail")


def test_striations_and_scale_come_out_in_millimetres():
    assert judged("bands").striation_mm == pytest.approx(6.0, rel=0.08)
    assert judged("sine").striation_mm == pytest.approx(5.0, rel=0.08)
    assert judged("sine").px_per_mm == pytest.approx(5.0, rel=0.01)


def test_a_white_streak_is_film_and_fails():
    for page in ("a4", None):
        result = judged("streak", page)
        assert result.verdict == "fail"
        assert any("Streak" in reason for reason in result.reasons)
    assert judged("streak").longest_streak_mm == pytest.approx(61, abs=6)


def test_overlay_is_a_picture_and_score_does_not_need_it():
    data = io.BytesIO()
    Image.fromarray(photo("streak")).save(data, "JPEG", quality=92)
    result, overlay = score_photo(data.getvalue())
    assert result == score_bytes(data.getvalue())
    shown = np.asarray(Image.open(io.BytesIO(overlay)))
    assert shown.ndim == 3 and shown.shape[1] >= 900


def test_shade_against_the_material_s_own():
    plain = judged("even")
    assert plain.shade_delta_e is None
    same = score(photo("even"), material=Material(name="grey", shade_lab=plain.shade_lab))
    assert same.shade_delta_e == pytest.approx(0, abs=1e-6)
    lighter = tuple(np.add(plain.shade_lab, (4.0, 0.0, 0.0)))
    apart = score(photo("even"), material=Material(name="grey", shade_lab=lighter))
    assert 2 < apart.shade_delta_e < 5


def test_limits_are_the_site_s():
    assert score(photo("faint"), SmearLimits(cov_max=0.01)).verdict == "fail"
    assert score(photo("sine"), SmearLimits(cov_max=0.3, streak_contrast=0.9)).verdict == "pass"


def brighter(rgb, stops):
    linear = ((rgb / 255 + 0.055) / 1.055) ** 2.4 * 2.0**stops
    return (255 * np.clip(1.055 * np.clip(linear, 0, 1) ** (1 / 2.4) - 0.055, 0, 1)).round().astype(np.uint8)


def as_jpeg(rgb, quality):
    data = io.BytesIO()
    Image.fromarray(rgb).save(data, "JPEG", quality=quality)
    return np.asarray(Image.open(data))


def turned(rgb, degrees):
    # On a table that is dark grey.
    return np.asarray(
        Image.fromarray(rgb).rotate(
            degrees, expand=True, resample=Image.Resampling.BICUBIC, fillcolor=(60, 58, 55)
        )
    )


CHANGES = {
    "turned 90": lambda rgb: np.rot90(rgb, 1),
    "turned 180": lambda rgb: np.rot90(rgb, 2),
    "turned 270": lambda rgb: np.rot90(rgb, 3),
    "brighter": lambda rgb: brighter(rgb, 0.7),
    "mirrored": lambda rgb: rgb[:, ::-1],
    "turned 21": lambda rgb: turned(rgb, 21.0),
    "darker": lambda rgb: brighter(rgb, -0.7),
    "jpeg 70": lambda rgb: as_jpeg(rgb, 70),
    "jpeg 95": lambda rgb: as_jpeg(rgb, 95),
    "half size": lambda rgb: cv2.resize(rgb, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA),
    "16 bits": lambda rgb: rgb.astype(np.uint16) * 257,
}


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize(("kind", "page"), [("even", "a4"), ("sine", "a4"), ("sine", None)])
def test_what_changes_only_the_picture_leaves_the_verdict(kind, page, change):
    before = photo(kind, page=page)
    after = score(np.ascontiguousarray(CHANGES[change](before)))
    assert after.verdict == judged(kind, page).verdict, after.reasons
    assert after.cov == pytest.approx(judged(kind, page).cov, rel=0.15, abs=0.008)


@pytest.mark.parametrize(
    ("flaw", "check"),
    [
        ({"blur_px": 5.0}, "blur_mm"),
        ({"blur_px": 5.0, "page": None}, "blur_mm"),
        ({"wings": False}, "film"),
        ({"wings": False, "page": None}, "film"),
        ({"size_mm": (40.0, 24.0)}, "film_mm2"),
    ],
)
def test_what_cannot_be_judged_is_sent_back_with_the_reason(flaw, check):
    result = score(photo("even", **flaw))
    assert result.verdict == "retake"
    broken = {c.name for c in result.checks if not c.ok}
    assert check in broken
    assert all(reason[0].isupper() and reason.endswith(".") for reason in result.reasons)
    assert np.isfinite(result.score)


def darkened(rgb, where, share):
    out = rgb.astype(np.float64)
    y, x = np.mgrid[: rgb.shape[0], : rgb.shape[1]]
    out[where(x / rgb.shape[1], y / rgb.shape[0])] *= share
    return out.astype(np.uint8)


def test_a_hard_shadow_is_sent_back():
    shaded = darkened(photo("even"), lambda x, _: (x > 0.35) & (x < 0.47), 0.7)
    result = score(shaded)
    assert result.verdict == "retake"
    assert any("shadow" in reason.lower() for reason in result.reasons)


def test_a_film_cut_off_is_sent_back():
    cut = photo("even", page=None)[:, 760:]
    assert score(np.ascontiguousarray(cut)).verdict == "retake"


OTHER_THINGS = (
    "astronaut brick camera cat cell clock coffee coins grass gravel horse "
    "hubble_deep_field immunohistochemistry moon page retina rocket text"
)


@pytest.mark.parametrize("name", OTHER_THINGS.split())
def test_a_photograph_of_something_else_is_sent_back(name):
    """Real photographs that scikit-image ships: a cup on wood, coins, a cat, a page of text."""
    rgb = np.asarray(getattr(skimage.data, name)())
    if rgb.dtype == bool:
        rgb = rgb.astype(np.uint8) * 255
    if rgb.ndim == 2:
        rgb = np.repeat(rgb[..., None], 3, axis=2)
    assert np.isfinite(score(np.ascontiguousarray(rgb)).score)
    grow = max(1.0, 1400 / max(rgb.shape))
    for seen in (rgb, cv2.resize(rgb, None, fx=grow, fy=grow, interpolation=cv2.INTER_CUBIC)):
        assert score(np.ascontiguousarray(seen)).verdict == "retake"


def test_noise_alone_is_sent_back():
    noise = np.random.default_rng(0).integers(0, 256, (600, 800, 3), dtype=np.uint8)
    for rgb in (noise, np.zeros_like(noise), np.full_like(noise, 255), np.full_like(noise, 128)):
        assert score(rgb).verdict == "retake"


def test_seen_tells_of_the_fold():
    seen = look(photo("sine"), SmearLimits())
    assert seen.wings.fold.likeness_of_outline > 0.98
    assert seen.film.level == pytest.approx(0.35, abs=0.05)


def test_the_overlay_names_each_kind_of_mark_apart_from_the_next():
    limits = SmearLimits()
    named = marks(look(photo("streak"), limits), judged("streak")).split("; ")
    assert named[:3] == ["solid line: film", "hatched: thin rim and air holes, left out", "dashed: fold"]
    assert ("ringed and numbered: streaks that both wings show" in named) == bool(judged("streak").streaks)
    assert judged("streak").streaks
    assert marks(look(np.full((900, 1200, 3), 90, np.uint8), limits), judged("streak")) == ""
