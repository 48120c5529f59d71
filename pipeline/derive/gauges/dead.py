"""Which gauge shows no pressure though its line has it? A wire broken, and no line that runs empty."""

from typing import Final

import numpy as np

from edge.words import Gauge
from pipeline.derive.gauges.frames import NO_PRESSURE_PA
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray
from pipeline.derive.gauges.still import (
    BELOW_ZERO_SHARE,
    DIPS,
    NOISE_TIMES,
    breaks,
    dip,
    dips,
    frozen_at_none,
    lasting_runs,
    same,
    same_flow,
    samples_in,
    stays_of,
)
from pipeline.derive.gauges.usual import STUCK_S, Usual

# Work shows a reversal this often, pauses and all; a standing line that is topped up does not.
FLOWS_US: Final = 60e6
# A line has pressure from this share of what is usual on.
HAS_SHARE: Final = 0.3
# A gun that opens takes the pressure of every gauge of its line down within this, by this share at least.
OPENS_S: Final = 2.0
OPENS_SHARE: Final = 0.1


def find_dead(
    run_us: IntArray, gauge: Gauge, gauges: dict[Gauge, FloatArray], usual: dict[Gauge, Usual]
) -> tuple[BoolArray, BoolArray]:
    """No pressure though the line has it, or flow that needs both parts: stuck since there was none, dead.

    run_us : (M,) [us]; gauges : each (M,) [Pa], the others' NaN where they lie. Each (M,)
    """
    values, own = gauges[gauge], usual[gauge]
    stuck, dead = np.zeros(len(values), dtype=bool), _dead(run_us, gauge, gauges, usual)
    stays = stays_of(run_us, values, same(own))
    # A base that stands is relieved by a valve, over many samples, and its gauge wavers on at nothing.
    for first, last in () if own.flat else frozen_at_none(gauge, gauges, own, stays).tolist():
        dead[first:last] |= breaks(gauge, gauges, own, first)
    for first, last in stays.tolist() if dead.any() else ():
        if dead[first:last].any() and not breaks(gauge, gauges, own, first):
            stuck[first:last] = True
    return stuck, dead & ~stuck


def _dead(
    run_us: IntArray, gauge: Gauge, gauges: dict[Gauge, FloatArray], usual: dict[Gauge, Usual]
) -> BoolArray:
    """(M,) where a gauge shows no pressure though its line has it, or flow that needs both parts."""
    dead = np.zeros(len(run_us), dtype=bool)
    for other in same_flow(gauge):
        if other not in gauges:
            continue
        with np.errstate(invalid="ignore"):
            alone = (gauges[gauge] < NO_PRESSURE_PA) & (gauges[other] > HAS_SHARE * usual[other].plateau)
        for first, last in lasting_runs(run_us, alone & ~dead, STUCK_S):
            if _empties(gauge, other, gauges, usual, slice(first, last), samples_in(run_us, OPENS_S)):
                continue
            # The base may stand relieved while its drum is replaced: then the catalyst stands too.
            least = dip(usual[other])
            often = max(DIPS, (run_us[last - 1] - run_us[first]) / FLOWS_US)
            if gauge != Gauge.BASE or dips(gauges[other][first:last], least) >= often:
                dead[first:last] = True
    return dead


def _empties(
    gauge: Gauge,
    other: Gauge,
    gauges: dict[Gauge, FloatArray],
    usual: dict[Gauge, Usual],
    run: slice,
    around: int,
) -> bool:
    """Whether a gauge has no pressure for as long as the gun is open, and has it whenever it is shut.

    A wire breaks and heals at any moment. A line that is shut off or starved loses its pressure as the gun
    opens, which the other gauge feels, and stands at it again with the other: that is an imbalance.
    run : samples without pressure; around : samples before and after in which the gun opens and shuts
    """
    values, its = gauges[gauge], gauges[other]
    if np.nanmin(values[run]) < -BELOW_ZERO_SHARE * usual[gauge].plateau:
        return False
    open_at = float(np.nanquantile(its[run], 0.75))
    clear = max(OPENS_SHARE * usual[other].plateau, NOISE_TIMES * usual[other].noise)
    for beside in (slice(max(0, run.start - around), run.start), slice(run.stop, run.stop + around)):
        stands = np.nanmax(values[beside], initial=0.0) > HAS_SHARE * usual[gauge].plateau
        if not stands or np.nanmax(its[beside], initial=0.0) < open_at + clear:
            return False
    return True
