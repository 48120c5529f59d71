"""Is what is bled into the open told from a purge through the gun?"""

import numpy as np
import pytest

from pipeline.derive.gauges import states
from pipeline.derive.gauges.bleeding import without_bleeding, without_blind_strokes
from pipeline.derive.gauges.changeover import Changeover
from pipeline.derive.gauges.frames import Frames
from pipeline.derive.gauges.moves import Moves

COUNT = 1000
AT = np.arange(COUNT)
FRAMES = Frames(AT, COUNT, AT * 100_000, AT * 100_000, 0.1, {})
NO_TURNS = np.array([], dtype=np.int64)
DRUM = Changeover(100, 400, 520)


def told(base_place, span, turns=NO_TURNS):
    """Codes and base reversals kept, where the base flows alone over a span, at a place of its own."""
    flow = np.zeros(COUNT, dtype=bool)
    flow[span] = True
    place = np.where(flow, base_place, 1.0)
    moves = {
        "base": Moves(flow, place, turns, turns),
        "catalyst": Moves(np.zeros(COUNT, dtype=bool), np.ones(COUNT), NO_TURNS, NO_TURNS),
    }
    codes = np.where(flow, states.PURGING, states.STALLED).astype(np.uint8)
    seen = [("base", DRUM)]
    kept = without_blind_strokes(FRAMES, moves, seen)["base"].reversals
    return without_bleeding(FRAMES, codes, moves, seen), kept


@pytest.mark.parametrize("place", [-0.1, 0.0, 0.2])
def test_a_purge_after_a_new_drum_is_one_though_air_comes_with_it(place):
    turns = np.array([460, 500])
    codes, kept = told(place, slice(420, 540), turns)
    assert (codes[420:540] == states.PURGING).all()
    assert kept.tolist() == turns.tolist()


@pytest.mark.parametrize("place", [-1.2, -5.0, np.nan])
def test_a_line_that_is_bled_far_under_its_flow_through_the_gun_is_no_purge(place):
    codes, kept = told(place, slice(420, 540), np.array([460, 500]))
    assert (codes == states.STALLED).all() and len(kept) == 0


def test_what_goes_on_from_the_ragged_pull_is_bled():
    # Nobody shut the gun: the line never stood.
    moved = np.zeros(COUNT, dtype=bool)
    moved[60:300] = True
    moves = {
        "base": Moves(moved, np.where(moved, 0.1, 1.0), NO_TURNS, NO_TURNS),
        "catalyst": Moves(moved & False, np.ones(COUNT), NO_TURNS, NO_TURNS),
    }
    codes = np.where(moved, states.PURGING, states.STALLED).astype(np.uint8)
    left = without_bleeding(FRAMES, codes, moves, [("base", DRUM)])
    assert (left[100:300] == states.STALLED).all()
