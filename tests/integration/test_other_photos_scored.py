"""Does scoring hold on photographs of a renderer that none of it was made with?"""

import numpy as np
import pytest

from pipeline.derive.smear.score import score
from pipeline.photos import decode_photo
from tests.shop.otherphoto.photo import photograph
from tests.shop.otherphoto.plan import Plan

PAGE, SIZE = (279.4, 215.9), (1280, 960)


def shot(seed: int, wanted: str, kind: str, cov: float, shade: str, flaw: str | None = None):
    """A photograph on plain paper, what was said of it, and its truth."""
    jpeg, truth = photograph(Plan(seed, wanted, kind, cov, shade, None, PAGE, SIZE, flaw), {})
    return score(decode_photo(jpeg).rgb), truth


@pytest.mark.parametrize(
    ("seed", "kind", "shade"),
    [(71001, "core", "black"), (71002, "bands", "dark grey"), (71003, "specks", "black")],
)
def test_a_bad_mix_never_passes(seed: int, kind: str, shade: str):
    found, truth = shot(seed, "bad", kind, 0.3, shade)
    assert truth["verdict"] == "bad"
    assert found.verdict != "pass"


@pytest.mark.parametrize("flaw", ["too dark", "out of focus", "motion", "no film", "too small"])
def test_a_photograph_that_shows_nothing_is_sent_back(flaw: str):
    wanted, kind = ("none", "none") if flaw == "no film" else ("good", "lamellae")
    assert shot(71005, wanted, kind, 0.01, "black", flaw)[0].verdict == "retake"


def test_the_variation_found_follows_the_truth():
    """Pale streaks in dark grey, two shots in other light: within a factor of 1.5 of what was drawn."""
    for seed in (71006, 71007):
        found, truth = shot(seed, "bad", "core", 0.2, "dark grey")
        assert found.cov is not None
        assert abs(np.log(found.cov / float(str(truth["cov"])))) < np.log(1.5)
