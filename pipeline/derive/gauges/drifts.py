"""Whose zero moves slowly? An offset between two gauges that standing and dispensing share.

An imbalance and a clogging mixer need flow: standing, each part's pressure is what the air makes it. A gauge
that drifts reads off in both states alike. Of three gauges the one that is off against both others drifts.
"""

from typing import Final

import numpy as np

from edge.words import Gauge
from pipeline.derive.gauges.frames import Frames, Signal
from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray

# An offset worth naming: this share of the usual pressure, and this many deviations of the noise.
OFFSET_SHARE: Final = 0.02
OFFSET_NOISE: Final = 6.0
# A drift reaches this many times the floor, and lasts.
PEAK_FLOORS: Final = 1.5
LAST_S: Final = 60.0
# It is dated from where it shows by this many floors.
SHOWS: Final = 0.25
# Standing and dispensing are alike within this share of the larger offset.
ALIKE: Final = 0.4
FLUID: Final = (Gauge.BASE, Gauge.CATALYST_1, Gauge.CATALYST_2)


def find_drifts(frames: Frames, flow: BoolArray, standing: BoolArray) -> list[tuple[Gauge, int, int]]:
    """Gauge, first frame and one past the last of each drift. Needs three gauges.

    flow : (F,), dispensing; standing : (F,), under pressure without flow
    """
    if any(gauge not in frames.signals for gauge in FLUID):
        return []
    base, one, two = (frames.signals[gauge] for gauge in FLUID)
    to_one = _off(frames, base, one, flow, standing)
    to_two = _off(frames, base, two, flow, standing)
    between = _off(frames, one, two, flow, standing)
    both = np.where(to_one * to_two > 0, np.minimum(np.abs(to_one), np.abs(to_two)), 0.0)
    drifts = [(Gauge.BASE, *span) for span in _spans(frames, both * (np.abs(between) < 1))]
    for first, last in _spans(frames, np.abs(between)):
        nearer = np.abs(to_one[first:last]).mean() < np.abs(to_two[first:last]).mean()
        drifts.append((Gauge.CATALYST_2 if nearer else Gauge.CATALYST_1, first, last))
    return drifts


def _spans(frames: Frames, size: FloatArray) -> list[tuple[int, int]]:
    """Where an offset is worth naming, from where it began to show until it no longer does.

    size : (F,) in floors
    """
    shows = runs_of(size > SHOWS)
    named = [size[first:last].max() >= PEAK_FLOORS for first, last in shows.tolist()]
    long = shows[:, 1] - shows[:, 0] >= frames.count(LAST_S)
    return [(first, last) for first, last in shows[np.array(named, dtype=bool) & long].tolist()]


def _off(frames: Frames, one: Signal, two: Signal, flow: BoolArray, standing: BoolArray) -> FloatArray:
    """(F,) offset between two gauges that both states share, in floors; 0 where they do not."""
    apart = one.level - two.level * (one.plateau / two.plateau)
    floor = max(OFFSET_SHARE * one.plateau, OFFSET_NOISE * float(np.hypot(one.noise, two.noise)))
    states = []
    for where in (standing, flow):
        at, levels = _by_stay(apart, where, frames)
        if len(at) < 4:
            return np.zeros(len(apart))
        start = float(np.median(levels[: max(3, len(levels) // 20)]))
        states.append(np.interp(np.arange(len(apart)), at, levels) - start)
    rest, work = states
    size = np.minimum(np.abs(rest), np.abs(work))
    alike = (rest * work > 0) & (np.abs(rest - work) <= ALIKE * np.maximum(np.abs(rest), np.abs(work)))
    shared: FloatArray = np.where(alike, np.sign(rest) * size / floor, 0.0)
    return shared


def _by_stay(values: FloatArray, where: BoolArray, frames: Frames) -> tuple[IntArray, FloatArray]:
    """Median of each stay of 3 s or more, less its first second; and the frame in its middle."""
    settle, least = frames.count(1.0), frames.count(3.0)
    at, levels = [], []
    for first, last in runs_of(where).tolist():
        inside = values[first + settle : last]
        inside = inside[np.isfinite(inside)]
        if last - first >= least and len(inside):
            at.append((first + last) // 2)
            levels.append(float(np.median(inside)))
    return np.array(at, dtype=np.int64), np.array(levels)
