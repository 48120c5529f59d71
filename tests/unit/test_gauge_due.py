"""Are reversals that nobody saw put where they must have been, and nowhere else?"""

import numpy as np
import pytest

from edge.units import PA_PER_PSI
from edge.words import Gauge
from pipeline.derive.gauges.dips import begun
from pipeline.derive.gauges.due import add_due
from pipeline.derive.gauges.frames import Signal, make_frames
from pipeline.derive.gauges.timeline import find_timeline

STROKE_S, STANDS, RUNS = 4.0, 2600.0, 2100.0


def line(flow, halt_at=None):
    """A gauge at 20 Hz whose level falls and rises with the gun, and may halt on its way up at a time."""
    at = np.arange(0, len(flow) / 10, 0.05)
    open_now = np.repeat(flow, 2)
    level, psi = np.empty(len(at)), STANDS
    for row, moment in enumerate(at):
        halted = halt_at is not None and halt_at <= moment < halt_at + 0.2
        psi += 0.0 if halted else 0.15 * ((RUNS if open_now[row] else STANDS) - psi)
        level[row] = psi
    noisy = {Gauge.BASE: (level + np.random.default_rng(1).normal(0, 2, len(at))) * PA_PER_PSI}
    timeline = find_timeline((at * 1e6).astype(np.int64), list(noisy.values()))
    frames = make_frames(timeline, noisy, {Gauge.BASE: np.zeros(len(at), dtype=bool)})
    return frames, frames.signals[Gauge.BASE]


def pulls_of(*spans):
    flow = np.zeros(1000, dtype=bool)
    for start, end in spans:
        flow[round(start * 10) : round(end * 10)] = True
    return flow


# Flowing time goes on from pull to pull: at 40 s a stroke is full just where the second pull begins.
FLOW = pulls_of((10, 30), (40, 62))
SEEN = np.array([140, 180, 220, 260, 440, 480, 520, 560, 600])


def test_a_reversal_due_where_a_pull_begins_is_hidden_in_its_fall():
    frames, signal = line(FLOW)
    found = add_due(frames, [signal], np.zeros(len(FLOW)), SEEN, FLOW)
    (added,) = np.setdiff1d(found, SEEN)
    assert 400 <= added <= 405


def test_a_pump_that_turned_while_it_filled_its_hose_did_not_turn_in_flow():
    frames, signal = line(FLOW, halt_at=30.3)
    assert (add_due(frames, [signal], np.zeros(len(FLOW)), SEEN, FLOW) == SEEN).all()


def test_a_dip_that_20_samples_a_second_would_show_is_not_made_up_in_the_middle_of_a_pull():
    frames, signal = line(FLOW)
    seen = np.setdiff1d(SEEN, [520])
    added = np.setdiff1d(add_due(frames, [signal], np.zeros(len(FLOW)), seen, FLOW), seen)
    assert not ((added > 460) & (added < 580)).any()


@pytest.mark.parametrize(("depth", "there"), [(0.05, True), (0.01, False)])
def test_a_trace_counts_where_it_is_part_of_the_usual_depth(depth, there):
    frames, signal = line(FLOW)
    trace = np.zeros(len(FLOW))
    seen = np.setdiff1d(SEEN, [520])
    trace[seen] = 0.1
    trace[521] = depth
    assert (521 in add_due(frames, [signal], trace, seen, FLOW)) == there


def test_a_dip_is_dated_to_where_it_is_half_as_deep_as_it_gets():
    low = np.full(60, 2100.0)
    low[20:26] = [2080, 2020, 1960, 1920, 1900, 2040]
    low[40] = 1800.0
    still = np.zeros(60)
    depth = (2100.0 - low) * 1.0
    signal = Signal(np.full(60, 2100.0), low, depth, still, still > 0, 2100.0, 4.0, 4.0)
    assert begun([signal], np.array([24, 40, 50]), 6).tolist() == [22, 40, 50]
    assert begun([signal], np.array([24]), 1).tolist() == [23]
