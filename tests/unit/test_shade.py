"""Is an even mix of the wrong ratio caught by its shade, where the sheet gives a white and a shade is set?"""

import numpy as np
import pytest

from pipeline.derive.smear.results import Material
from pipeline.derive.smear.score import score
from tests.shop.fields import photograph


def mix(share):
    """A photograph of a perfectly even mix with so much of the curing agent that it should have."""
    return lambda x, _: share * np.ones_like(x)


@pytest.fixture(scope="module")
def material():
    own = score(photograph(mix(1.0), px_per_mm=4.0))
    return Material(name="grey two-part", shade_lab=own.shade_lab)


@pytest.mark.parametrize(("share", "way"), [(0.6, "lighter"), (1.6, "darker")])
def test_an_even_mix_of_the_wrong_ratio_fails_by_its_shade(material, share, way):
    photo = photograph(mix(share), px_per_mm=4.0, seed=2)
    assert score(photo).verdict == "pass"
    found = score(photo, material=material)
    assert found.verdict == "fail" and found.shade_delta_e > material.shade_max
    assert f"{way} than grey two-part's own" in found.reasons[0]


def test_another_lamp_does_not_change_the_shade(material):
    """The lamp falls 3:1 across the sheet and from the other side; the paper is the white."""
    found = score(photograph(mix(1.0), px_per_mm=4.0, gradient=-0.5, seed=3), material=material)
    assert found.verdict == "pass" and found.shade_delta_e < 1.0


def test_without_the_sheet_no_shade_is_held_against_the_mix(material):
    assert score(photograph(mix(1.6), page=None, px_per_mm=4.0), material=material).verdict != "fail"
