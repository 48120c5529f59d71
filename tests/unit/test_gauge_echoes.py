"""Are the dips of one part told from echoes of the other's?"""

import numpy as np
import pytest

from pipeline.derive.gauges.frames import Frames
from pipeline.derive.gauges.strokes import without_crosstalk

COUNT = 4000
FRAMES = Frames(np.arange(COUNT), COUNT, np.arange(COUNT) * 100_000, np.arange(COUNT) * 100_000, 0.1, {})
OWN, OTHER = np.arange(60, COUNT, 70), np.arange(45, COUNT, 30)


@pytest.mark.parametrize("behind", [0, 1, 3])
@pytest.mark.parametrize(("share", "echoes"), [(0.3, True), (0.9, False)])
def test_what_comes_with_or_just_behind_the_other_part_and_is_shallow_is_its_echo(behind, share, echoes):
    own = OWN[np.abs(OWN[:, None] - OTHER).min(axis=1) > 6]
    heard = (OTHER + behind)[np.abs((OTHER + behind)[:, None] - own).min(axis=1) > 6][::3]
    depth = np.zeros(COUNT)
    depth[own], depth[heard] = 0.15, 0.15 * share
    kept = without_crosstalk(
        FRAMES, depth, np.union1d(own, heard), OTHER, np.full(len(own) + len(heard), -1.0)
    )
    assert kept.tolist() == (own if echoes else np.union1d(own, heard)).tolist()


def test_a_pump_whose_every_third_dip_is_shallow_echoes_nothing():
    """Pressures that differ by direction show some turns less, with the other part's turn or without it."""
    depth = np.zeros(COUNT)
    depth[OWN], depth[OWN[::3]] = 0.16, 0.05
    kept = without_crosstalk(FRAMES, depth, OWN, OWN[::4], np.full(len(OWN), -1.0))
    assert kept.tolist() == OWN.tolist()
