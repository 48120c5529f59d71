"""Is the fourth pump a pump? Its pressures by the laws it is built on, and the same again by its seed."""

import numpy as np
import pytest

from tests.shop.otherpump import csv_of, simulate


@pytest.fixture(scope="module")
def told():
    return simulate(3005, 0.5)


def test_same_seed_same_bytes(told):
    assert csv_of(simulate(3005, 0.5), 3005) == csv_of(told, 3005)
    assert csv_of(simulate(3004, 0.5), 3004) != csv_of(told, 3005)


def test_what_left_the_gun_is_what_the_strokes_swept(told):
    """To a stroke at either end: no valve of this pump is worn."""
    assert not told.plan.wear
    for part in ("base", "catalyst"):
        stroke = getattr(told.pump, part).stroke_ml
        turns = len(told.truth.reversals[part]) + len(told.truth.unclear[part])
        assert told.truth.dispensed_ml[part] == pytest.approx(turns * stroke, abs=1.5 * stroke)


def test_standing_pump_holds_its_stall_pressure_and_a_flowing_one_its_running_pressure(told):
    played, side = told.played, told.pump.base
    stands = (played.opening == 0) & (played.psi["base"] > 0.5 * side.stall_psi)
    flows = played.opening > 0.9
    assert np.quantile(played.psi["base"][stands], 0.95) == pytest.approx(side.stall_psi, rel=0.03)
    assert np.median(played.psi["base"][flows]) == pytest.approx(side.run_psi, rel=0.15)


def test_a_reversal_dips_by_what_the_hose_loses(told):
    played = told.played
    depths = []
    for turn in told.truth.reversals["base"]:
        before, at, after = np.searchsorted(played.at, [turn - 0.1, turn, turn + 0.4])
        depths.append(1 - played.psi["base"][at:after].min() / played.psi["base"][before:at].mean())
    assert len(depths) > 20
    assert 0.05 < np.median(depths) < 0.25
