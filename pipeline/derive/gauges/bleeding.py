"""What moved while a drum or pail was replaced? Material that is bled into the open, for no joint."""

from dataclasses import replace
from typing import Final

import numpy as np

from pipeline.derive.gauges import states
from pipeline.derive.gauges.changeover import Changeover, find_changeovers
from pipeline.derive.gauges.flow import line_relieved
from pipeline.derive.gauges.frames import Frames
from pipeline.derive.gauges.medians import known_median
from pipeline.derive.gauges.moves import Moves
from pipeline.derive.gauges.parts import PARTS
from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import BoolArray
from pipeline.derive.gauges.results import Part

# It may go on so long after the pump last ran ragged.
BLED_S: Final = 15.0
# Before a purge the line stands for so long at least.
STANDS_S: Final = 1.0
# Places between running, 0, and standing, 1, from which on a line stands, and up to which it flows.
STOOD: Final = 0.7
FLOWS: Final = 0.5


def changeovers_of(frames: Frames, moves: dict[Part, Moves]) -> list[tuple[Part, Changeover]]:
    seen = []
    for part, moved in moves.items():
        other = [g for p, gauges in PARTS.items() if p != part for g in gauges if g in frames.signals]
        own = [frames.signals[gauge] for gauge in PARTS[part] if gauge in frames.signals]
        stands = np.zeros(len(frames.first), dtype=bool)
        for gauge in other:
            stands |= frames.signals[gauge].level > frames.signals[gauge].plateau / 2
        # One gauge that runs empty while the other stands is no empty pail.
        stands &= line_relieved(own)
        # Both gauges of a part feel one line: the one with more to say speaks.
        signal = max(own, key=lambda one: int(np.isfinite(one.level).sum()))
        found = find_changeovers(frames, signal, moved.flow, moved.reversals, stands)
        seen += [(part, one) for one in found]
    return seen


def without_bleeding(
    frames: Frames, codes: states.Codes, moves: dict[Part, Moves], seen: list[tuple[Part, Changeover]]
) -> states.Codes:
    """A part that flows alone while its drum or pail is replaced is being bled: no purge, no dispensing."""
    codes = codes.copy()
    for part, found in seen:
        alone = _bled_alone(frames, moves, part, found)
        codes[alone & ((codes == states.PURGING) | (codes == states.DISPENSING))] = states.STALLED
    return codes


def without_blind_strokes(
    frames: Frames, moves: dict[Part, Moves], seen: list[tuple[Part, Changeover]]
) -> dict[Part, Moves]:
    """A pump that is bled alone strokes into the open: what it moves there is not dispensed."""
    kept = dict(moves)
    for part, found in seen:
        bleeding = _bled_alone(frames, kept, part, found)
        reversals = kept[part].reversals
        kept[part] = replace(kept[part], reversals=reversals[~bleeding[reversals]])
    return kept


def _bled_alone(frames: Frames, moves: dict[Part, Moves], part: Part, found: Changeover) -> BoolArray:
    """(F,) where a part flows alone while its drum or pail is replaced, but not through the gun."""
    alone = np.zeros(len(moves[part].flow), dtype=bool)
    others = [moved.flow for name, moved in moves.items() if name != part]
    if others:
        span = slice(found.first, found.bled + frames.count(BLED_S))
        alone[span] = moves[part].flow[span] & ~others[0][span]
        for first, last in runs_of(alone).tolist():
            alone[first:last] = not _through_gun(moves[part], first, last, frames.count(STANDS_S))
    return alone


def _through_gun(moved: Moves, first: int, last: int, before: int) -> bool:
    """Whether a run began where the line stood, and flowed at the level that the mixer makes it flow at.

    A line that is bled neither stands at its full pressure between its bursts nor flows at so much. Air that
    comes through with the material is the purge's.
    before : frames for which it stood at least
    """
    if first < before or moved.flow[first - before : first].any():
        return False
    stood = known_median(moved.place[first - before : first])
    return stood > STOOD and abs(known_median(moved.place[first:last])) < FLOWS
