"""Is white along the fold, or on one wing alone, told from unmixed base, and held where it can't be?"""

import numpy as np
import pytest

from pipeline.derive.smear.bare import alike, fold_strip, on_both_wings
from pipeline.derive.smear.fold import Fold

PX = 4.0
FOLD = Fold(np.array([[-1.0, 0, 400], [0, 1, 0], [0, 0, 1]]), 1.0, 0.0, 200.0)  # x = 200 px


def sheet(half_mm: float, white: tuple[float, float, float], length: float = 1.0):
    """A dark film 60 mm by 50 mm with a strip along the fold; (H, W, 3) colour, (H, W) film."""
    y, x = np.mgrid[:280, :400].astype(np.float32)
    film = (np.abs(x - 200) < 30 * PX) & (np.abs(y - 140) < 25 * PX)
    strip = (np.abs(x - 200) < half_mm * PX) & (np.abs(y - 140) < length * 25 * PX)
    colour = np.ones((280, 400, 3), np.float32)
    colour[film] = 0.06
    colour[film & strip] = white
    return colour, film


def test_a_strip_that_goes_on_into_the_paper_is_paper():
    colour, film = sheet(2.0, (1.01, 1.0, 1.0))
    found = fold_strip(colour, film, FOLD, 0.06, PX)
    assert found is not None and found.paper
    assert found.mask.sum() == pytest.approx(4 * 50 * PX**2, rel=0.1)


@pytest.mark.parametrize("white", [(1.05, 1.05, 1.05), (1.0, 1.0, 0.975)])
def test_base_ends_with_a_step_in_light_or_colour(white):
    found = fold_strip(*sheet(2.0, white), FOLD, 0.06, PX)
    assert found is not None and not found.paper


@pytest.mark.parametrize(("white", "paper"), [(1.0, True), (1.05, False)])
def test_a_notch_at_either_end_is_where_two_wings_meet_if_it_is_paper(white, paper):
    """Bare for a fifth of the fold at each end; base that ran out there ends with a step, and stays film."""
    colour, film = sheet(1.5, (white,) * 3)
    colour[60:220, 194:207] = 0.06
    found = fold_strip(colour, film, FOLD, 0.06, PX)
    assert (found is not None and found.paper) == paper


@pytest.mark.parametrize(("wide_mm", "notch"), [(0.0, False), (1.5, True)])
def test_what_widens_on_its_way_out_is_a_notch_between_two_lobes(wide_mm, notch):
    """White at both ends of the fold; brighter than the paper outside, so that no step tells."""
    colour, film = sheet(0.5, (0.06,) * 3)
    y, x = np.mgrid[:280, :400].astype(np.float32)
    out = np.clip((np.abs(y - 140) - 15 * PX) / (10 * PX), 0, 1)
    colour[film & (out > 0) & (np.abs(x - 200) < (1.0 + wide_mm * out) * PX)] = 1.05
    found = fold_strip(colour, film, FOLD, 0.06, PX)
    assert (found is not None and found.paper) == notch


def test_a_strip_that_ends_within_the_film_is_in_doubt():
    found = fold_strip(*sheet(2.0, (1.0, 1.0, 1.0), length=0.7), FOLD, 0.06, PX)
    assert found is not None and not found.paper


@pytest.mark.parametrize(
    ("half_mm", "white", "length"),
    [(2.0, (0.7, 0.7, 0.7), 1.0), (2.0, (1.0, 1.0, 1.0), 0.2), (8.0, (1.0, 1.0, 1.0), 1.0)],
    ids=["grey", "patch", "wide"],
)
def test_what_is_no_strip_of_white_stays_film(half_mm, white, length):
    assert fold_strip(*sheet(half_mm, white, length), FOLD, 0.06, PX) is None


@pytest.mark.parametrize(
    ("spots", "both"),
    [
        ([(140, 100)], False),
        ([(140, 100), (262, 104)], True),
        ([(140, 100), (300, 100)], False),
        ([(190, 100)], False),
        ([(198, 100)], True),
    ],
    ids=["one wing", "opposite, 1 mm off", "elsewhere", "beside the fold", "across the fold"],
)
def test_white_spots_are_base_only_where_both_wings_show_them(spots, both):
    y, x = np.mgrid[:280, :400]
    white = np.any([np.hypot(x - at, y - down) < 2 * PX for at, down in spots], axis=0)
    assert on_both_wings(white, white, FOLD, PX) == both


@pytest.mark.parametrize(
    ("spots", "least", "most"),
    [
        ([(140, 100), (262, 102)], 0.6, 1.0),
        ([(140, 100)], -0.1, 0.1),
        ([(140, 100), (330, 200)], -0.1, 0.1),
        ([(20, 20)], 1.0, 1.0),
        ([], 1.0, 1.0),
    ],
    ids=["opposite, half a millimetre off", "one wing", "elsewhere", "no film opposite", "none"],
)
def test_base_is_white_in_the_same_places_of_both_wings(spots, least, most):
    y, x = np.mgrid[:280, :400]
    white = np.zeros(x.shape, bool)
    for at, down in spots:
        white |= np.hypot(x - at, y - down) < 3 * PX
    film = (x < 350) & (x > 80) | (x <= 50) & (y < 50)
    assert least <= alike(white, film, FOLD, PX) <= most
