"""A smear verdict that errs must err to hold: no pass over the limit, none about a fold that may be wrong."""

import json
import math
from dataclasses import replace

import pytest

from pipeline.derive.smear.results import SmearLimits
from pipeline.derive.smear.score import look
from pipeline.derive.smear.verdict import conclude
from pipeline.photos import decode_photo
from pipeline.samples import find_samples
from tests.shop.fields import flat, photograph

IMAGES = find_samples().images
TRUTH = json.loads((IMAGES / "truth.json").read_text())
# On plain paper nothing but the film tells where the fold ran.
PLAIN = ("a-1216.jpg", "a-1634.jpg", "b-1207.jpg", "black-plain-steel.jpg", "dark-grey-plain-wood.jpg")
LIMITS = SmearLimits()


def seen(name):
    return look(decode_photo((IMAGES / name).read_bytes()).rgb, LIMITS)


@pytest.mark.parametrize("name", PLAIN)
def test_the_fold_is_found_on_plain_paper(name):
    (x0, y0), (x1, y1) = TRUTH[name]["fold_px"]
    runs = math.degrees(seen(name).wings.fold.angle) + 90
    apart = (runs - math.degrees(math.atan2(y1 - y0, x1 - x0)) + 90) % 180 - 90
    assert abs(apart) < 5


def test_a_variation_over_the_limit_passes_under_no_doubt():
    even = seen("a-0613.jpg")
    assert conclude(even, LIMITS, None).verdict == "pass"
    for hidden in (0.0, 0.02, 0.05, 0.1):
        mixing = replace(even.wings.mixing, cov=LIMITS.cov_max * 1.01, cov_hidden=hidden)
        doubtful = replace(even, wings=replace(even.wings, mixing=mixing))
        assert conclude(doubtful, LIMITS, None).verdict in ("fail", "retake")


def test_an_outline_unlike_its_mirror_image_is_sent_back_where_neither_print_nor_crease_shows_the_fold():
    strict = SmearLimits(outline_likeness_plain_min=0.999)
    creased = decode_photo((IMAGES / "a-1216.jpg").read_bytes()).rgb
    photo = photograph(flat, page=None)
    for limits, told in ((LIMITS, "pass"), (strict, "retake")):
        assert conclude(look(photo, limits), limits, None).verdict == told
        assert conclude(look(creased, limits), limits, None).verdict == "pass"
