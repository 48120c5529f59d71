"""What does a gauge read once its line has no pressure? Its zero: what it owes is its own, or the air's."""

from typing import Final

import numpy as np

from edge.words import Gauge
from pipeline.derive.gauges.frames import Frames
from pipeline.derive.gauges.medians import known_median
from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import BoolArray, FloatArray

# A line whose gauge reads less than this share of its offset has no pressure, if for so long.
EMPTY: Final = 0.25
EMPTY_S: Final = 5.0
# A gauge reads what its zero is off by, within this share of it; so much of the time must be known.
OTHERWISE: Final = 0.5
# What is owed afterwards is read over so long.
LATER_S: Final = 60.0


def gainsaid(
    frames: Frames, gauge: Gauge, first: int, owed: FloatArray, off: BoolArray, known: BoolArray
) -> bool:
    """Whether a gauge reads otherwise than its zero would once its line has no pressure: its air was set.

    owed : (N,) [Pa], by how much its zero is off from frame `first` on; off : (F,), without pressure
    known : (F,), where the pump runs or stands, which tells by how much. Only what is owed before and after
    counts: a zero may come right while there is no pressure
    """
    signal = frames.signals[gauge]
    level = signal.level[first : first + len(owed)]
    # A zero that has sunk may be cut off at nothing, and what is impossible was left out.
    if not len(owed) or (owed[0] < 0 and not np.nanmin(signal.level, initial=0.0) < 0):
        return False
    with np.errstate(invalid="ignore"):
        empty = runs_of(off[first : first + len(owed)] | (np.abs(level) < EMPTY * np.abs(owed)))
    tells = np.flatnonzero(known[first : first + len(owed)])
    for one, two in empty.tolist():
        is_owed = float(np.median(owed[one:two]))
        later = owed[tells[np.searchsorted(tells, two) :][: frames.count(LATER_S)]]
        stays = len(later) > 0 and abs(float(np.median(later))) > OTHERWISE * abs(is_owed)
        read = two - one >= frames.count(EMPTY_S) and np.isfinite(level[one:two]).mean() > OTHERWISE
        if stays and read and abs(known_median(level[one:two] - owed[one:two])) > OTHERWISE * abs(is_owed):
            return True
    return False
