"""How did each part move, and what did the pump do? Flow and reversals of both, held against each other."""

import functools
from dataclasses import dataclass, replace

import numpy as np

from edge.words import Gauge
from pipeline.derive.gauges import purging, states, strokes
from pipeline.derive.gauges.dips import (
    APART_S,
    FALLS_S,
    TRACE_MIN,
    TRACE_NOISE_TIMES,
    begun,
    find_dips,
    relative_depth,
)
from pipeline.derive.gauges.due import add_due, without_echoes
from pipeline.derive.gauges.faint import with_faint
from pipeline.derive.gauges.flow import find_flow, line_relieved
from pipeline.derive.gauges.frames import Frames, Signal
from pipeline.derive.gauges.parts import PARTS
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray
from pipeline.derive.gauges.results import Part
from pipeline.derive.gauges.settings import GaugeSettings


@dataclass(frozen=True)
class Moves:
    """How a part moved.

    flow : (F,); place : (F,) [1], of the level between running and standing; dips, reversals : frames
    """

    flow: BoolArray
    place: FloatArray
    dips: IntArray
    reversals: IntArray

    def turns(self, frames: Frames) -> IntArray:
        """Frames of the dips, and of the reversals that show too little to be among them."""
        after = np.searchsorted(self.dips, self.reversals)
        beside = np.concatenate(([-frames.samples], self.dips, [2 * frames.samples]))
        apart = np.minimum(self.reversals - beside[after], beside[after + 1] - self.reversals)
        return np.union1d(self.dips, self.reversals[apart > frames.count(APART_S)])


def find_moves(frames: Frames) -> dict[Part, Moves]:
    """Flow and reversals of each part that has a gauge."""
    signals: dict[Part, list[Signal]] = {
        part: [frames.signals[gauge] for gauge in gauges if gauge in frames.signals]
        for part, gauges in PARTS.items()
    }
    depths = {part: relative_depth(own) for part, own in signals.items() if own}
    raw = {part: find_dips(depth, frames.count(APART_S)) for part, depth in depths.items()}

    def own_dips(part: Part, depth: FloatArray, dips: IntArray) -> IntArray:
        for other in raw:
            if other != part:
                own = depth[dips] * np.nan_to_num(signals[part][0].level[dips])
                its = depths[other][dips] * np.nan_to_num(signals[other][0].level[dips])
                dips = strokes.without_crosstalk(frames, depth, dips, raw[other], its - own)
        return dips

    def reversals_of(part: Part, flow: BoolArray, depth: FloatArray, dips: IntArray) -> IntArray:
        return strokes.find_reversals(frames, depth, own_dips(part, depth, dips), flow)

    moves: dict[Part, Moves] = {}
    for part, depth in depths.items():
        dips = own_dips(part, depth, raw[part])
        flow, place = find_flow(frames, signals[part], dips)
        moves[part] = Moves(flow, place, dips, np.array([], dtype=np.int64))
    if not moves:
        return moves
    if len(moves) == len(PARTS):
        base, catalyst = (moves[part] for part in PARTS)
        turns = np.union1d(base.dips, catalyst.dips)
        flow = purging.without_base(frames, catalyst.flow, base.flow, turns, signals["base"])
        moves["catalyst"] = replace(catalyst, flow=flow)
    # Dispensing, both parts flow: of two that doubt it in turn, one is enough to count the strokes of both.
    mixed = moves["catalyst"].flow if "catalyst" in moves else np.zeros(len(frames.first), dtype=bool)
    for part in depths:
        flow, dips = moves[part].flow | mixed, moves[part].dips
        seen = with_faint(
            frames,
            signals[part],
            flow,
            raw[part],
            functools.partial(reversals_of, part, flow),
        )
        trace = relative_depth(signals[part], TRACE_MIN, TRACE_NOISE_TIMES)
        echoes = np.setdiff1d(raw[part], dips)
        trace = without_echoes(frames, trace, [raw[p] for p in raw if p != part], echoes)
        turns = begun(signals[part], add_due(frames, signals[part], trace, seen, flow), frames.count(FALLS_S))
        moves[part] = replace(moves[part], reversals=turns)
    return moves


def states_of(
    read: Frames, frames: Frames, moves: dict[Part, Moves], settings: GaugeSettings
) -> states.Codes:
    """States. read : frames as the gauges said them; frames : with jumps taken off"""
    lines = [[gauge for gauge in gauges if gauge in frames.signals] for gauges in PARTS.values()]
    no_pressure, nothing = states.without_pressure(
        len(frames.first),
        # One gauge whose zero is off, or was taken to be, must not keep the pump from being off.
        [[given.signals[gauge] for given in (frames, read) for gauge in line] for line in lines if line],
    )
    base, catalyst = (moves.get(part) for part in PARTS)
    if not (base and catalyst):
        either = base or catalyst
        flow = either.flow if either else np.zeros(len(frames.first), dtype=bool)
        return states.find_states(frames, flow, flow & False, no_pressure, nothing, settings)
    # Catalyst alone is no purge: what it does to the mix is for balance and ratio to say.
    alone = base.flow & ~catalyst.flow & ~purging.bled(frames.signals[Gauge.BASE], base.dips)
    signals = [frames.signals[gauge] for gauge in PARTS["catalyst"] if gauge in frames.signals]
    off = line_relieved(signals)
    with_it = purging.with_catalyst(frames, alone, catalyst.flow, catalyst.place, catalyst.dips, signals)
    dispensing = catalyst.flow | with_it & ~off
    alone &= ~dispensing
    own = [read.signals[Gauge.BASE]]
    purged = purging.purges(frames, alone, base.flow, base.place, base.turns(frames), off, own)
    return states.find_states(frames, dispensing, purged, no_pressure, nothing, settings)
