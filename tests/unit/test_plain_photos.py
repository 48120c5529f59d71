"""Does the third renderer tell the truth? One seed one file, its CoV as drawn, the film as dark as told."""

from typing import Any

import cv2
import numpy as np
import pytest

from tests.shop.plainphoto import FLAWS, MATERIALS, MIXES, PX_PER_MM, _wing, plain_photo


@pytest.fixture(scope="module")
def photos() -> dict[int, Any]:
    return {seed: plain_photo(seed) for seed in (0, 4, 10, 31)}


def test_one_seed_is_one_file(photos: dict[int, Any]) -> None:
    assert plain_photo(0) == photos[0]
    assert len({jpeg for jpeg, _ in photos.values()}) == len(photos)


@pytest.mark.parametrize("drawn", [0.02, 0.2])
def test_a_wings_curing_agent_deviates_by_what_was_drawn(drawn: float) -> None:
    """CoV is the deviation over the mean, here 1; a film is a piece of the pattern, so on the average."""
    found = []
    for seed in range(8):
        agent, out, _ = _wing(np.random.default_rng(seed), 30 * PX_PER_MM, drawn)
        film = agent[out < 0.95]
        found.append(film.std() / film.mean())
    assert np.mean(found) == pytest.approx(drawn, rel=0.1)
    assert found == pytest.approx([drawn] * 8, rel=0.4)


def test_photographs_are_what_their_truth_says(photos: dict[int, Any]) -> None:
    """K/S = (1 - R)^2 / 2R of the film's R (Kubelka, Munk 1931) is the material's, paper at 0.86."""
    flaws = set()
    for seed, (jpeg, truth) in photos.items():
        flaws |= set(truth["why_not"])
        pixels = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)
        assert max(pixels.shape) == truth["long_side"]
        low, high = MIXES[truth["mix"]]
        assert 0.7 * low < truth["cov"] < 1.3 * high
        if truth["usable"] and not truth["sheet"]:
            light = (pixels / 255.0 + 0.055) / 1.055
            tall, wide = pixels.shape
            middle = light[tall // 2 - 40 : tall // 2 + 40, wide // 2 - 40 : wide // 2 + 40] ** 2.4
            # The crease and gloss lie in the middle as well, and a lamp's slope between it and the paper.
            reflected = 0.86 * float(np.median(middle)) / float(np.percentile(light**2.4, 95))
            absorbs = (1 - reflected) ** 2 / (2 * reflected)
            thick = MATERIALS[truth["material"]]
            assert 0.5 * thick[0] < absorbs < 1.6 * thick[1], seed
    assert flaws and flaws <= set(FLAWS)
