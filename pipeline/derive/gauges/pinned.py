"""Which readings are pinned far above all that a gauge feels? A loop that broke upscale, or a full scale.

Pressure does not jump there and back between two samples and lie still meanwhile. NE 43 (from memory) has a
transmitter that failed read 105 % of its span or more; one whose electronics are at full scale reads a number
of its rating, which is round in psi or in bar.
"""

from typing import Final

import numpy as np

from edge.units import PA_PER_BAR, PA_PER_PSI
from edge.words import Gauge
from pipeline.derive.gauges.parts import FLUID
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray
from pipeline.derive.gauges.still import BREAKS_SAMPLES, lasting_runs
from pipeline.derive.gauges.usual import Usual

# Above all else by this share, and alike within this.
ABOVE: Final = 1.15
ALIKE: Final = 1e-3
# Where others move by this share of what it does, it is the pressure. A reversal moves them by less.
ALONG: Final = 0.35
LASTS_S: Final = 1.0
LASTS_SAMPLES: Final = 5
# What so few of the other readings exceed may be spikes.
SPIKES: Final = 1e-3
# A rating has two digits in psi or in bar.
ROUND: Final = 1e-3


def find_pinned(
    run_us: IntArray, gauge: Gauge, gauges: dict[Gauge, FloatArray], usual: dict[Gauge, Usual]
) -> BoolArray:
    """(M,) pinned readings of a gauge; none where no other gauge tells that the pressure did not move.

    run_us : (M,) [us], rising; gauges : each (M,) [Pa], NaN where missing
    """
    values = gauges[gauge]
    others = [other for other in FLUID if other in gauges and other != gauge]
    pinned, beside = np.zeros(len(values), dtype=bool), np.zeros(len(values), dtype=bool)
    top = float(np.nanmax(values, initial=0.0))
    if top < ABOVE * usual[gauge].plateau or not others:
        return pinned
    with np.errstate(invalid="ignore"):
        runs = lasting_runs(run_us, values >= top * (1 - ALIKE), LASTS_S, LASTS_SAMPLES)
        near = values * ABOVE > top
    for first, last in runs:
        edges = [slice(max(0, at - BREAKS_SAMPLES - 1), at + BREAKS_SAMPLES + 1) for at in (first, last - 1)]
        beside[edges[0].start : edges[1].stop] = True
        # A pressure that rises into a ceiling is on its way for longer, and others rise with it.
        slow = any(near[edge].all() for edge in edges)
        along = any(
            _span(gauges[other][edge], usual[other]) > ALONG * _span(values[edge], usual[gauge])
            for edge in edges
            for other in others
        )
        pinned[first:last] = not (slow or along)
    rest = near[~beside]
    rare = len(rest) > np.count_nonzero(pinned) and np.mean(rest) < SPIKES
    return pinned if rare else pinned & False


def _span(level: FloatArray, usual: Usual) -> float:
    """[1], how far a level moves, in shares of the usual one."""
    return float(np.nanmax(level, initial=0.0) - np.nanmin(level, initial=np.inf)) / max(usual.plateau, 1.0)


def is_rating(pressure: float) -> bool:
    """Whether a pressure [Pa] is a round number of psi or of bar, as full scales are."""
    for unit in (PA_PER_PSI, PA_PER_BAR):
        shown = pressure / unit
        nearest = float(f"{shown:.1e}")
        if abs(shown - nearest) < ROUND * nearest:
            return True
    return False
