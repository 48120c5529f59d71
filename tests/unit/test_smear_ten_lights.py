"""Does one sheet get one verdict, under whatever light and from whatever angle it is photographed?"""

import io
from dataclasses import replace

import numpy as np
import pytest

from pipeline.photos import score_bytes
from tests.shop.nuisances import Draw, light_of, random_spec
from tests.shop.photographs import jpeg_bytes, render

SEED = 540_007
LIGHTS = ("room", "side_lamp", "two_lamps", "window", "warm_lamp") * 2


def photographs(grade):
    """The same film and sheet, ten lights and angles: the film hangs on the seed alone."""
    draw = Draw(mixes={grade: 1.0}, materials={"dark_grey": 1.0}, sheet=1.0, spoiled=0.0, smudges=0.0)
    first = random_spec(np.random.default_rng(SEED), draw)
    for n, name in enumerate(LIGHTS):
        rng = np.random.default_rng(SEED + 100 + n)
        tilt = np.radians(rng.uniform(0, 25))
        camera = replace(first.camera, tilt=float(tilt), tilt_to=float(rng.uniform(0, 6.28)))
        camera = replace(camera, roll=float(rng.uniform(0, 6.28)), defocus=0.3)
        light = light_of(rng, name, float(rng.uniform(2700, 7500)))
        spec = replace(first, camera=camera, light=light, light_name=name)
        yield io.BytesIO(jpeg_bytes(render(spec, SEED)[0], spec)).getvalue()


@pytest.mark.slow
@pytest.mark.parametrize(("grade", "verdict"), [("good", "pass"), ("streaked", "fail")])
def test_ten_lights_and_angles_give_one_verdict(grade, verdict):
    """Two in ten may be sent back, for a lamp's gloss over all of the film; none is judged otherwise."""
    results = [score_bytes(data) for data in photographs(grade)]
    verdicts = [result.verdict for result in results]
    assert set(verdicts) <= {verdict, "retake"}
    assert verdicts.count("retake") <= 2
    if verdict == "fail":
        found = np.array([result.cov for result in results])
        apart = np.sort(np.abs(found / found.mean() - 1))
        # The bar is all ten. A veil of gloss and fewer pixels take a fifth off one.
        assert apart[-2] < 0.15
        assert apart[-1] < 0.2
