"""Which gauge stands still though the pressure moves? Stuck, or under a ceiling.

A gauge that shows its noise is told by itself. One that is too coarse, or has no noise, stands still as often
as the pressure does: only what the others feel and it should feel too tells. Both catalyst gauges feel each
reversal; the base feels none of the catalyst's, but reverses too while the catalyst flows.
"""

import itertools
from typing import Final

import numpy as np

from edge.words import Gauge
from pipeline.derive.gauges.around import steps_where
from pipeline.derive.gauges.frames import NO_PRESSURE_PA
from pipeline.derive.gauges.parts import FLUID, PARTS
from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray
from pipeline.derive.gauges.usual import STUCK_S, STUCK_SAMPLES, Usual, shows_noise

NOISE_TIMES: Final = 8.0
STUCK_NOISE_SHARE: Final = 0.02
# While a gauge of the same flow moves by this share of its pressure, a live gauge moves too.
MOVES_SHARE: Final = 0.05
# A line that shows less than this share of its usual pressure has none.
EMPTY_SHARE: Final = 0.1
# So often it dips before a gauge that does not is stuck: once may be a spike.
DIPS: Final = 2
DIP_SHARE: Final = 0.04
DIP_S: Final = 0.15
# A base that flows shows a reversal within this: strokes last 15 s at most.
REVERSES_S: Final = 21.0
# Stays in which no gauge shows noise are the logger's way if there are so many.
OFTEN: Final = 3
ALL_STILL: Final = 0.9
# A stay at a ceiling that was come back to: so many samples at exactly the same value are no chance.
RETURN_SAMPLES: Final = 4
# Readings as near as this are one, at a coarse step; what lies clear above all others is clipped there.
SAME: Final = 1.002
CLEAR_ABOVE: Final = 1.02
# A wire breaks at once: within so many samples.
BREAKS_SAMPLES: Final = 3
# NE 43 has a broken wire read 2.5 % of the span below its zero or less; a sound zero is nearer to it.
BELOW_ZERO_SHARE: Final = 0.015


def find_still(
    run_us: IntArray,
    gauge: Gauge,
    gauges: dict[Gauge, FloatArray],
    usual: dict[Gauge, Usual],
    saturated: BoolArray,
) -> tuple[BoolArray, BoolArray]:
    """Unchanged under pressure for too long: stuck, or at a ceiling. Each (M,).

    run_us : (M,) [us]; gauges : each (M,) [Pa], the others' NaN where they lie; saturated : (M,), known to be
    """
    values, own = gauges[gauge], usual[gauge]
    stuck, clipped = np.zeros(len(values), dtype=bool), np.zeros(len(values), dtype=bool)
    tolerance = same(own)
    stays = stays_of(run_us, values, tolerance)
    frozen = frozen_at_none(gauge, gauges, own, stays)
    stays = stays[~(values[stays[:, 0]] < NO_PRESSURE_PA)]
    stays = stays[np.array([not saturated[first:last].any() for first, last in stays.tolist()], dtype=bool)]
    if own.flat:
        felt = [(f, n) for f, n in stays[_may_feel(run_us, gauge, gauges, usual, stays)].tolist()]
        felt = [(f, n) for f, n in felt if _others_move(run_us, gauge, gauges, usual, f, n)]
        return _of_flat(values, felt)
    for first, last in frozen.tolist():
        stuck[first:last] = not breaks(gauge, gauges, own, first)
    for first, last in _of_its_own(gauge, gauges, usual, stays):
        if clipped[first]:
            continue
        under = _under_ceiling(values, first, last, tolerance, NOISE_TIMES * own.noise)
        if under is None:
            stuck[first:last] = True
        else:
            clipped[under] |= values[under] >= values[first] - tolerance
    return stuck, clipped


def frozen_at_none(gauge: Gauge, gauges: dict[Gauge, FloatArray], usual: Usual, stays: IntArray) -> IntArray:
    """Those stays, without pressure, in which a gauge should show its noise and others do. stays : (S, 2)

    Relieved, a gauge may read its lowest all along, cut off at zero; at any other value it wavers.
    """
    values = gauges[gauge]
    relieved = stays[values[stays[:, 0]] < NO_PRESSURE_PA]
    wavers = values[relieved[:, 0]] > np.nanmin(values, initial=np.inf) + usual.noise
    frozen: IntArray = relieved[wavers & _others_waver(gauge, gauges, relieved)]
    return frozen


def same(usual: Usual) -> float:
    """[Pa], within what a reading is unchanged. A level that settles without noise creeps by ever less."""
    return 1e-12 if usual.flat else max(STUCK_NOISE_SHARE * usual.noise, 1e-9 * usual.plateau, 1e-6)


def stays_of(run_us: IntArray, values: FloatArray, tolerance: float) -> IntArray:
    """(S, 2) first sample of each long stay at one value, and one past its last."""
    runs = runs_of(steps_where(lambda step: step < tolerance, values))
    first, last = runs.T
    long = (run_us[last] - run_us[first] >= STUCK_S * 1e6) & (last - first >= STUCK_SAMPLES)
    runs = runs[long] + np.array([0, 1])
    creeps = [np.ptp(values[first:last]) > 2 * tolerance for first, last in runs.tolist()]
    kept: IntArray = runs[~np.array(creeps, dtype=bool)]
    return kept


def lasting_runs(
    run_us: IntArray, rows: BoolArray, seconds: float, samples: int = 1
) -> list[tuple[int, int]]:
    """Runs of true rows that last: first of each, and one past its last. run_us : (M,) [us]; rows : (M,)"""
    runs = runs_of(rows)
    long = (run_us[runs[:, 1] - 1] - run_us[runs[:, 0]] >= seconds * 1e6) & (
        runs[:, 1] - runs[:, 0] >= samples
    )
    kept: list[tuple[int, int]] = [(first, last) for first, last in runs[long].tolist()]
    return kept


def samples_in(run_us: IntArray, seconds: float) -> int:
    """How many samples a time holds on the average. run_us : (M,) [us], rising"""
    return round(seconds * 1e6 * len(run_us) / max(1, int(run_us[-1] - run_us[0])))


def breaks(gauge: Gauge, gauges: dict[Gauge, FloatArray], usual: Usual, first: int) -> bool:
    """Whether a gauge lost its pressure at once while its line kept it, or reads below any zero."""
    values = gauges[gauge]
    if values[first] < -BELOW_ZERO_SHARE * usual.plateau:
        return True
    before = values[max(0, first - BREAKS_SAMPLES) : first]
    others = [gauges[other] for other in same_flow(gauge) if other in gauges]
    with np.errstate(invalid="ignore"):
        kept = any((other[first : first + 2 * BREAKS_SAMPLES] > NO_PRESSURE_PA).all() for other in others)
        return bool(kept and (before > NO_PRESSURE_PA).any())


def same_flow(gauge: Gauge) -> list[Gauge]:
    """Gauges that move whenever this one does: the other catalyst gauge; for the base, both of them.

    Not the base for a catalyst gauge: in a purge the base flows alone.
    """
    return [other for other in PARTS["catalyst"] if gauge in FLUID and other != gauge]


def _of_its_own(
    gauge: Gauge, gauges: dict[Gauge, FloatArray], usual: dict[Gauge, Usual], stays: IntArray
) -> list[tuple[int, int]]:
    """Stays of a gauge that shows its noise, less those in which no gauge does if there are many."""
    quiet = _without_noise(gauge, gauges, usual, stays)
    often = np.count_nonzero(quiet) >= OFTEN
    return [(f, n) for (f, n), still in zip(stays.tolist(), quiet, strict=True) if not (often and still)]


def all_stand_still(
    gauge: Gauge, gauges: dict[Gauge, FloatArray], usual: dict[Gauge, Usual], stays: IntArray
) -> bool:
    """Whether no other gauge shows noise in most of these stays, though it has some. stays : (S, 2)"""
    return len(stays) > 0 and float(_without_noise(gauge, gauges, usual, stays).mean()) > ALL_STILL


def _without_noise(
    gauge: Gauge, gauges: dict[Gauge, FloatArray], usual: dict[Gauge, Usual], stays: IntArray
) -> BoolArray:
    others = [v for o, v in gauges.items() if o not in (gauge, Gauge.AIR) and not usual[o].flat]
    quiet = [
        bool(others) and not any(shows_noise(np.diff(v[f:n])) for v in others) for f, n in stays.tolist()
    ]
    return np.array(quiet, dtype=bool)


def _others_waver(gauge: Gauge, gauges: dict[Gauge, FloatArray], stays: IntArray) -> BoolArray:
    """(S,) stays in which another gauge shows noise."""
    others = [v for other, v in gauges.items() if other not in (gauge, Gauge.AIR)]
    waver = [any(shows_noise(np.diff(v[first:last])) for v in others) for first, last in stays.tolist()]
    return np.array(waver, dtype=bool)


def _may_feel(
    run_us: IntArray,
    gauge: Gauge,
    gauges: dict[Gauge, FloatArray],
    usual: dict[Gauge, Usual],
    stays: IntArray,
) -> BoolArray:
    """(S,) stays in which another gauge moves at all: a quick look, for there may be very many."""
    may = np.zeros(len(stays), dtype=bool)
    first, last = stays.T
    beside = max(1, samples_in(run_us, DIP_S))
    inner = [first + (last - first) * tenth // 10 for tenth in range(1, 10)]
    levels = np.ones(len(stays), dtype=bool)
    for other, values in gauges.items():
        if other in (gauge, Gauge.AIR):
            continue
        with np.errstate(invalid="ignore"):
            moves = np.abs(values[beside:] - values[:-beside]) > DIP_SHARE / 2 * usual[other].plateau
            apart = np.ptp([values[at] for at in inner], axis=0)
            starts = np.concatenate(([0], np.cumsum(moves[1:] & ~moves[:-1])))
            known = np.minimum(np.stack((first, last - 1)), len(starts) - 1)
            if other in same_flow(gauge):
                may |= starts[known[1]] - starts[known[0]] >= DIPS
                may |= apart > DIP_SHARE / 2 * usual[other].plateau
            levels &= apart > MOVES_SHARE / 2 * usual[other].plateau
    return may | levels


def _others_move(
    run_us: IntArray,
    gauge: Gauge,
    gauges: dict[Gauge, FloatArray],
    usual: dict[Gauge, Usual],
    first: int,
    last: int,
) -> bool:
    """Whether the others show that a gauge should have moved: its line dips, or all go to another level."""
    long = run_us[last - 1] - run_us[first] >= REVERSES_S * 1e6
    # A stay begins and ends where all move: one that lags a little is still on its way there.
    first, last = first + (last - first) // 20, last - (last - first) // 20
    for other in same_flow(gauge):
        tells = other in gauges and (long or gauge != Gauge.BASE)
        if tells and dips(gauges[other][first:last], dip(usual[other])) >= DIPS:
            return True
    shares = [
        gauges[other][first:last] / max(usual[other].plateau, 1.0)
        for other in gauges
        if other not in (gauge, Gauge.AIR)
    ]
    # A catalyst line that loses its pressure may be bled after its drum was replaced, while the base stands.
    if gauge == Gauge.BASE and not long and any((share < EMPTY_SHARE).any() for share in shares):
        return False
    # One alone that goes elsewhere may be an imbalance, or a gauge that lies; so may two that part.
    return len(shares) > 1 and all(_moves(share) for share in [*shares, np.mean(shares, axis=0)])


def dip(usual: Usual) -> float:
    """[Pa], what is a dip of a gauge beyond doubt."""
    return max(DIP_SHARE * usual.plateau, NOISE_TIMES * usual.noise)


def dips(values: FloatArray, least: float) -> int:
    """How often a gauge leaves its usual level by `least` [Pa]. values : (N,)

    It is back once it is half as near: noise on a slow rise crosses any one line many times.
    """
    known = values[np.isfinite(values)]
    if not len(known):
        return 0
    off = np.abs(known - np.median(known))
    away = np.concatenate(([0], np.cumsum(off > least)))
    first, last = runs_of(off > least / 2).T
    return int(np.count_nonzero(away[last] > away[first]))


def _moves(shares: FloatArray) -> bool:
    """Whether a level changes: dips, a sixth of the time at most, are no change of level.

    shares : (N,) [1], of the usual pressure
    """
    finite = shares[np.isfinite(shares)]
    return len(finite) > 0 and float(np.ptp(np.quantile(finite, [0.25, 0.75]))) > MOVES_SHARE


def _of_flat(values: FloatArray, felt: list[tuple[int, int]]) -> tuple[BoolArray, BoolArray]:
    """Stuck or clipped stays of a gauge that shows no noise.

    felt : stays in which it should have moved. A ceiling is met again and not passed between, or above all
    that it ever read
    """
    stuck, clipped, inside = (np.zeros(len(values), dtype=bool) for _ in range(3))
    for first, last in felt:
        inside[first:last] = True
    highest = float(np.nanmax(values[~inside], initial=0.0))
    for place, (first, last) in enumerate(felt):
        level = float(values[first])
        if level > CLEAR_ABOVE * highest:
            clipped[first:last] = True
            continue
        stuck[first:last] = True
        for until in [end for start, end in felt[place + 1 :] if level / SAME < values[start] < level * SAME]:
            under = values[first:until]
            if not (under > level * SAME).any():
                clipped[first:until] |= under >= level / SAME
    return stuck & ~clipped, clipped


def _under_ceiling(values: FloatArray, first: int, last: int, tolerance: float, clear: float) -> slice | None:
    """Samples around a still run that keep under it, if it is a ceiling; None if the gauge is stuck.

    A gauge sticks at what it read last, and once. A ceiling cuts off what was above it, or is come back to.
    tolerance : [Pa], what counts as the same; clear : [Pa], a difference out of the noise
    """
    ceiling = float(np.median(values[first:last]))
    with np.errstate(invalid="ignore"):
        above = np.flatnonzero(values > ceiling + tolerance)
        place = int(np.searchsorted(above, first))
        start = int(above[place - 1]) + 1 if place else 0
        end = int(above[place]) if place < len(above) else len(values)
        under = slice(start, end)
        at_top = runs_of(values[under] >= ceiling - tolerance)
        cut = values[first - 1] - ceiling > clear if first else False
    returns = [
        (one, two)
        for (_, one), (two, end_of) in itertools.pairwise(at_top.tolist())
        if end_of - two >= RETURN_SAMPLES
        and np.nanmin(values[under][one:two], initial=ceiling) < ceiling - clear
    ]
    return under if cut or returns else None
