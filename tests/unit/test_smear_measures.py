"""Do tone, tears, specks, white films and the verdict's certainty come out where the answer is known?"""

import functools

import cv2
import numpy as np
import pytest

from pipeline.derive.smear.bent import plainly_off, split_part
from pipeline.derive.smear.fold import Fold
from pipeline.derive.smear.mixing import Mixing, shared_variance
from pipeline.derive.smear.overlay import marks
from pipeline.derive.smear.results import SmearLimits
from pipeline.derive.smear.score import look, score
from pipeline.derive.smear.specks import find_specks
from pipeline.derive.smear.tone import fit_tone
from pipeline.derive.smear.verdict import conclude, interval
from pipeline.photos import score_bytes
from pipeline.samples import find_samples
from tests.shop.fields import flat, photograph, streak

SHARES = np.array([0.70, 0.45, 0.28, 0.17, 0.10, 0.05])
PX = 4.0


@functools.cache
def even(wings=True):
    return photograph(flat, wings=wings)


def test_steps_bring_back_the_light_behind_a_known_tone_curve():
    """A phone that stores light^1.15: the curve gives the light back, within what printing leaves open."""
    seen = [(float(s), float((0.7 * s) ** 1.15), float(0.7**1.15)) for s in SHARES]
    tone = fit_tone(seen)
    levels = np.array([0.5, 0.2, 0.05, 0.02]) ** 1.15
    np.testing.assert_allclose(tone.straightened(levels), [0.5, 0.2, 0.05, 0.02], rtol=0.15)
    assert np.all(np.diff(tone.straightened(np.linspace(0, 1, 256, dtype=np.float32))) > 0)
    straight = fit_tone([(float(s), float(0.7 * s), 0.7) for s in SHARES])
    assert straight.slope == pytest.approx(1, abs=0.01)
    assert straight.bend == pytest.approx(0, abs=0.005)


@pytest.mark.parametrize(
    "levels",
    [
        [0.5, 0.5, 0.2, 0.12, 0.07, 0.035],  # two alike
        [0.5, 0.3, 0.19, 0.18, 0.175, 0.17],  # glare on the dark ones
        [0.1, 0.05, 0.03, 0.02, 0.01, 0.005],  # in a shadow
    ],
)
def test_steps_that_contradict_each_other_are_not_believed(levels):
    assert fit_tone([(float(s), level, 0.7) for s, level in zip(SHARES, levels, strict=True)]) is None


def test_slow_variation_that_light_makes_too_is_unclear_not_mixing():
    """A ramp along the fold, alike on both wings: variance a^2 / 2, less what light may feign."""
    y, x = np.mgrid[:320, :200].astype(np.float32) / PX
    slow = 0.2 * np.sqrt(1.5) * (y / y.max() * 2 - 1)
    lamp = 0.02 * np.sqrt(3) * (x / x.max() * 2 - 1)  # what lights one wing more, the other less
    both = np.ones(slow.shape, bool)
    beyond = 0.02 - 2 * 0.02**2 - 0.08**2
    shared = shared_variance(slow + lamp, slow - lamp, both, doubt=0.08)
    assert shared.mix == pytest.approx(0, abs=1e-3)
    assert shared.unclear == pytest.approx(beyond, rel=0.1)
    fine = slow + 0.2 * np.sin(2 * np.pi * x / 5)
    mixed = shared_variance(fine + lamp, fine - lamp, both, doubt=0.08)
    assert mixed.mix == pytest.approx(0.02, rel=0.1)
    assert mixed.unclear == pytest.approx(beyond, rel=0.1)
    doubted = shared_variance(slow + lamp, slow - lamp, both, doubt=0.15)
    assert doubted.unclear == pytest.approx(0.0, abs=1e-6)
    # No lamp shines on both wings so much alike, however dark the film.
    alike = shared_variance(slow, slow, both, doubt=0.5)
    assert alike.unclear == pytest.approx(0.02 - 0.03**2, rel=0.1)
    glossy = shared_variance(4 * slow, 4 * slow, both, doubt=0.03)  # as a lamp in a black film makes it
    assert glossy.mix == pytest.approx(0, abs=1e-2)
    assert glossy.unclear == pytest.approx(16 * 0.02 - 0.03**2, rel=0.1)


def test_a_change_from_the_fold_outwards_is_hardly_light():
    """Pale at the fold of both wings, dark outside: a light that falls off across it makes them differ."""
    y, x = np.mgrid[:280, :180].astype(np.float64)
    both, lamp = np.ones(x.shape, bool), 0.03 * (y / 140 - 1)
    outwards, downwards = 0.2 * (x / 90 - 1), 0.2 * (y / 140 - 1)
    told = shared_variance(outwards + lamp, outwards - lamp, both, doubt=0.2)
    assert told.unclear == pytest.approx(0.04 / 3 - 0.03**2, rel=0.1)
    assert shared_variance(downwards + lamp, downwards - lamp, both, doubt=0.2).unclear == 0


def test_relief_of_a_film_that_split_is_in_doubt_as_mixing_under_a_light_across_the_fold():
    """What one wing keeps the other lacks, so both slope alike across the fold, and are shaded alike."""
    rng = np.random.default_rng(6)
    both = np.ones((280, 180), bool)
    shade = np.gradient(cv2.GaussianBlur(rng.standard_normal(both.shape), (0, 0), 0.6 * PX), axis=1)
    shade *= 0.09 / shade.std()
    own = [0.2 * relief(rng) for _ in range(2)]
    shared = shared_variance(shade + own[0], shade + own[1], both)
    assert shared.mix == pytest.approx(0.09**2, rel=0.1)
    assert shared.feigned / shared.mix == pytest.approx(2 / np.pi, rel=0.15)  # what of it runs one way
    twice = shared_variance(2 * shade + own[0], 2 * shade + own[1], both)
    assert twice.mix - twice.feigned > 0.1**2  # no relief shades so much


def test_bands_of_lead_and_lag_are_mixing_however_slow():
    """Bands 20 mm long and smooth, alike on both wings: no light bends so often across a wing."""
    x = np.tile(np.arange(640, dtype=np.float32) / PX, (200, 1))
    bands = 0.2 * np.sin(2 * np.pi * x / 40)
    shared = shared_variance(bands, bands, np.ones(bands.shape, bool), doubt=0.1)
    assert shared.mix == pytest.approx(0.02, rel=0.25)


def relief(rng, shape=(280, 180)):
    """Ridges of a millimetre or two, of deviation 0.2."""
    made = cv2.GaussianBlur(rng.standard_normal(shape).astype(np.float32), (0, 0), 0.5 * PX)
    return 0.2 * made / made.std()


def test_relief_of_two_wings_is_no_mixing_and_its_scatter_is_told():
    """Independent fields share nothing: what is found lies within the standard error told, on average."""
    rng = np.random.default_rng(3)
    both = np.ones((280, 180), bool)
    found = [shared_variance(relief(rng), relief(rng), both) for _ in range(20)]
    apart = np.array([one.mix / one.scatter for one in found])
    assert np.mean(apart) < 1
    assert np.mean(apart < 2) > 0.9


def test_relief_that_is_partly_mirrored_may_be_feigned_mixing():
    """A tenth of each wing's variance in common: the covariance is too, and is in doubt."""
    rng = np.random.default_rng(4)
    both = np.ones((280, 180), bool)
    common = relief(rng)
    a, b = (np.sqrt(0.9) * relief(rng) + np.sqrt(0.1) * common for _ in range(2))
    shared = shared_variance(a, b, both)
    assert shared.mix == pytest.approx(0.004, abs=3 * shared.scatter)
    assert 0 <= shared.mix - shared.feigned < 2 * shared.scatter
    assert shared.feigned <= 0.0045


FOLD = Fold(np.eye(3), 1.0, 0.0, 0.0)


def bending(until_mm, streaked=False):
    """Relief that is alike up to a distance from the fold at x = 0, and each wing's own from there on."""
    rng = np.random.default_rng(5)
    x = np.tile(np.arange(180, dtype=np.float32) / PX, (280, 1))
    common = relief(rng)
    wings = [np.where(x < until_mm, common, relief(rng)) for _ in range(2)]
    if streaked:
        streaks = 0.5 * np.sin(2 * np.pi * np.arange(280)[:, None] / PX / 3)
        wings = [wing + streaks for wing in wings]
    return wings[0], wings[1], np.ones(x.shape, bool), x


@pytest.mark.parametrize("until_mm", [5.0, 6.5])
def test_the_part_that_bent_ends_where_fine_detail_is_no_longer_alike(until_mm):
    wing, mirror, both, x = bending(until_mm)
    split = split_part(wing, mirror, both, FOLD, PX)
    assert until_mm <= x[split].min() <= 1.5 * until_mm + 1.5


def test_little_is_left_out_where_nothing_bent_or_all_is_streaked():
    for wing, mirror, both, x in (bending(0.0), bending(5.0, streaked=True)):
        assert x[split_part(wing, mirror, both, FOLD, PX)].min() < 8.0


def test_ridges_lit_across_the_fold_are_alike_with_the_other_sign():
    """A mirrored slope faces away from the lamp: dark where its opposite is light."""
    rng = np.random.default_rng(6)
    x = np.tile(np.arange(180, dtype=np.float32) / PX, (280, 1))
    ridges = cv2.GaussianBlur(rng.standard_normal(x.shape).astype(np.float32), (0, 0), 0.4 * PX, 20.0)
    common = 0.2 * ridges / ridges.std()
    wing = np.where(x < 6, common, relief(rng))
    mirror = np.where(x < 6, -common, relief(rng))
    assert x[split_part(wing, mirror, np.ones(x.shape, bool), FOLD, PX)].min() >= 6


@pytest.mark.parametrize("radius_mm", [3.0, 5.0])
def test_a_patch_at_the_fold_has_its_area_and_its_variance(radius_mm):
    y, x = np.mgrid[:240, :160].astype(np.float32) / PX
    patch = np.where(np.hypot(x, y - 30) < radius_mm, -1.0, 0.0).astype(np.float32)
    both, split = np.ones(patch.shape, bool), x > 8
    half_disc = np.pi * radius_mm**2 / 2
    variance, area = plainly_off(patch, patch, both, split, PX)
    assert area == pytest.approx(half_disc, rel=0.15)
    assert variance == pytest.approx(half_disc / (60 * 40), rel=0.15)
    for opposite in (-patch, 0 * patch):
        assert plainly_off(patch, opposite, both, split, PX) == (0.0, 0.0)


def test_specks_are_counted_with_their_size():
    """Gaussian dips of standard deviation s are s sqrt(8 ln 2) wide at half their depth."""
    y, x = np.mgrid[:240, :240].astype(np.float32) / PX
    spots = [(15.0, 15.0, 0.8), (40.0, 20.0, 0.5), (25.0, 42.0, 1.4)]
    field = np.zeros(x.shape, np.float32)
    for cx, cy, s in spots:
        field -= np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * s * s)).astype(np.float32)
    both = np.ones(x.shape, bool)
    found = find_specks(field, field, both, PX)
    assert len(found) == len(spots)
    assert found[0].x / PX == pytest.approx(25.0, abs=0.5)
    wide = [s * np.sqrt(8 * np.log(2)) for s in (1.4, 0.8, 0.5)]
    np.testing.assert_allclose([speck.diameter / PX for speck in found], wide, rtol=0.4)
    assert find_specks(field, np.zeros_like(field), both, PX) == []
    line = -np.exp(-((y - 30) ** 2) / 0.5).astype(np.float32)
    assert find_specks(line, line, both, PX) == []


def test_a_streak_has_its_width_and_contrast():
    result = score(photograph(streak(2.0)))
    assert result.longest_streak_width_mm == pytest.approx(2.0, rel=0.4)
    assert result.longest_streak_contrast < -0.4


def bared(where):
    """The even film with paper where `where(x, y)` is true; x, y : [mm] from the page's middle."""
    film, paper = even(), even(wings=False)
    y, x = np.mgrid[: film.shape[0], : film.shape[1]] / 5.0
    bare = where(x - film.shape[1] / 10, y - film.shape[0] / 10)
    return np.where(bare[..., None], paper, film).astype(np.uint8)


def with_paper_at(*centres_mm):
    """The even film with bare paper in discs of 4 mm radius; centres from the page's middle [mm]."""
    return bared(lambda x, y: np.any([np.hypot(x - cx, y - cy) < 4 for cx, cy in centres_mm], axis=0))


def test_bare_paper_on_one_wing_is_neither_film_nor_streak():
    torn = score(with_paper_at((25, 5)))
    assert torn.verdict == "pass", torn.reasons
    assert torn.torn_share > 0
    assert torn.cov < 0.02


def test_only_a_tear_is_called_torn():
    """Paper in a notch between two lobes of the film was never under it."""
    for rgb, named in [
        (with_paper_at((25, 5)), "torn off"),
        (bared(lambda x, y: np.abs(x) < 0.6 * (np.abs(y) - 37)), "bare paper"),
    ]:
        seen = look(rgb, SmearLimits())
        result = conclude(seen, SmearLimits(), None)
        assert result.verdict == "pass", result.reasons
        assert (result.torn_share > 0) == (named == "torn off")
        assert marks(seen, result).split("; ")[3:] == [f"crossed out: {named}"]


def test_a_strip_that_may_be_base_is_not_called_paper():
    seen = look(bared(lambda x, y: (np.abs(x) < 2) & (np.abs(y) < 38)), SmearLimits())
    result = conclude(seen, SmearLimits(), None)
    assert result.verdict == "retake"
    assert marks(seen, result).endswith("crossed out: bare paper or base")


def test_white_on_both_wings_is_unmixed():
    unmixed = score(with_paper_at((25, 5), (-25, 5)))
    assert unmixed.verdict == "fail"
    assert unmixed.torn_share == 0


def test_a_film_of_base_alone_fails_by_its_own_sentence():
    data = (find_samples().images / "white-plain-mat.jpg").read_bytes()
    result = score_bytes(data)
    assert result.verdict == "fail"
    assert "curing agent" in result.reasons[0]
    assert result.cov is None
    assert result.score == 100


def mixing(cov, hidden):
    return Mixing(cov, 0.0, hidden, 0.2, 0.1, 0.0, None, None)


def test_the_interval_holds_the_variation_and_widens_with_what_is_hidden():
    """JCGM 100:2008: variances add, and a coverage factor of 2 is about 95 %."""
    for cov, hidden in ((0.0, 0.05), (0.03, 0.02), (0.2, 0.05)):
        low, high = interval(mixing(cov, hidden))
        assert low <= cov <= high
        wider = interval(mixing(cov, 2 * hidden))
        assert wider[0] <= low
        assert wider[1] > high
    # Without relief the model's own 25 % remain, on a logarithmic scale.
    assert interval(mixing(0.2, 0.0)) == pytest.approx((0.2 * np.exp(-0.5), 0.2 * np.exp(0.5)))


def test_a_verdict_says_how_sure_it_is():
    good, bad = score(even()), score(photograph(streak(2.0)))
    for result in (good, bad):
        assert 0.5 < result.certainty <= 1
        assert result.cov_low <= result.cov <= result.cov_high
    assert "%" in good.reasons[0]
    blurred = score(cv2.GaussianBlur(even(), (0, 0), 5.0))
    assert blurred.verdict == "retake"
    assert blurred.certainty is None
