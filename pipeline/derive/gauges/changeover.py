"""Was a drum or pail replaced? Cavitation, silence, bleeding, then the first good stroke.

A pump that draws air with its material runs ragged; one that draws nothing has no pressure while the other
part still stands. What is found here is proposed to a person: a filter blocked or a hose let go looks alike.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.derive.gauges.around import highest_around, lowest_around
from pipeline.derive.gauges.frames import Frames, Signal
from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import BoolArray, IntArray

# Flow is ragged where its level, dips filled, wanders by this share of the usual pressure within a moment.
RAGGED_SHARE: Final = 0.12
MOMENT_S: Final = 3.0
# A trigger's own rise and fall is no raggedness.
EDGE_S: Final = 1.0
RAGGED_MIN_S: Final = 4.0
SILENT_MIN_S: Final = 10.0
# Cavitation, silence and bleeding of one changeover follow each other within this.
JOIN_S: Final = 240.0


@dataclass(frozen=True)
class Changeover:
    """From the first cavitation or silence to the end of the first good stroke: frames, one past the end.

    bled : where the last ragged or silent moment ends
    """

    first: int
    bled: int
    last: int


def find_changeovers(
    frames: Frames, signal: Signal, flow: BoolArray, reversals: IntArray, other_stands: BoolArray
) -> list[Changeover]:
    """Changeovers of one part.

    signal : the part's gauge; flow : (F,), where the part flows; reversals : the part's, frames
    other_stands : (F,), where the other part is under pressure, and this one's line is not
    """
    # A pump that nobody has run yet has run nothing empty: its gauges show but their zeros.
    if not flow.any():
        return []
    silent = _lasting(signal.no_pressure & other_stands, frames.count(SILENT_MIN_S))
    ragged = _lasting(ragged_flow(frames, signal, flow), frames.count(RAGGED_MIN_S))
    found = []
    for first, last in _joined(silent | ragged, frames.count(JOIN_S)):
        if not silent[first:last].any():
            continue
        start = _cavitation_start(flow, ragged, first, frames.count(MOMENT_S))
        found.append(Changeover(start, last, _first_good_stroke(reversals, last)))
    return found


def ragged_flow(frames: Frames, signal: Signal, flow: BoolArray) -> BoolArray:
    """(F,) where the part flows with an uneven pressure, as it does with air in it."""
    moment = frames.count(MOMENT_S) | 1
    level = np.nan_to_num(signal.level)
    wander = highest_around(level, moment) - lowest_around(level, moment)
    settled = lowest_around(flow, moment + 2 * frames.count(EDGE_S))
    ragged: BoolArray = settled & (wander > RAGGED_SHARE * signal.plateau)
    # What lies around a ragged moment, as far as the wander was looked for.
    around: BoolArray = highest_around(ragged, moment)
    return flow & around


def _lasting(where: BoolArray, least: int) -> BoolArray:
    kept = np.zeros(len(where), dtype=bool)
    for first, last in runs_of(where).tolist():
        if last - first >= least:
            kept[first:last] = True
    return kept


def _joined(where: BoolArray, reach: int) -> list[tuple[int, int]]:
    spans: list[tuple[int, int]] = []
    for first, last in runs_of(where).tolist():
        if spans and first - spans[-1][1] <= reach:
            spans[-1] = (spans[-1][0], last)
        else:
            spans.append((first, last))
    return spans


def _cavitation_start(flow: BoolArray, ragged: BoolArray, first: int, near: int) -> int:
    """Where the ragged pull began, if it is ragged from near its start on; else where it became so."""
    if not ragged[first]:
        return first
    before = np.flatnonzero(~flow[max(0, first - near) : first])
    return first - near + int(before[-1]) + 1 if len(before) and first >= near else first


def _first_good_stroke(reversals: IntArray, last: int) -> int:
    after = reversals[reversals >= last]
    return int(after[1]) if len(after) > 1 else last
