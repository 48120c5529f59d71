"""Which gauge's zero moved, at once (jump) or slowly (drift)? Told against the other gauges.

An imbalance needs flow: standing, both catalyst gauges feel one line's pressure. A gauge that reads off does
so in every state. So an offset between the two counts as a gauge's fault where it is there standing as well as
dispensing, or where it comes within a sample in the midst of steady flow, as no liquid can.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from edge.words import Fault, Gauge
from pipeline.derive.gauges.frames import Frames, Signal
from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray

# An offset worth naming: this share of the usual pressure, and this many deviations of the noise.
OFFSET_SHARE: Final = 0.02
OFFSET_NOISE: Final = 6.0
# A jump is over within this; what takes longer is a pressure.
JUMP_S: Final = 0.25
# Levels before and after are read over this long.
READ_S: Final = 1.5
# The other gauge, or the other state, has to follow by less (more) than this share to be unlike (alike).
UNLIKE: Final = 0.3
ALIKE: Final = 0.6


@dataclass(frozen=True)
class Offset:
    """A gauge off from `first` to `last` frame, one past the end."""

    gauge: Gauge
    first: int
    last: int
    type: Fault


def find_offsets(frames: Frames, flow: BoolArray, standing: BoolArray) -> list[Offset]:
    """Jumps and drifts of one catalyst gauge against the other.

    flow : (F,), catalyst flows; standing : (F,), under pressure without flow
    """
    pair = [frames.signals.get(gauge) for gauge in (Gauge.CATALYST_1, Gauge.CATALYST_2)]
    if pair[0] is None or pair[1] is None:
        return []
    one, two = pair[0], pair[1]
    apart = one.level - two.level
    floor = max(
        OFFSET_SHARE * float(np.nanmean([one.plateau, two.plateau])),
        OFFSET_NOISE * float(np.hypot(one.noise, two.noise)),
    )
    jumps = _jumps(frames, one, two, apart, floor, flow, standing)
    mended = apart.copy()
    for offset, size in jumps:
        mended[offset.first : offset.last] -= size
    drift = _drift(frames, one, two, mended, floor, flow, standing)
    return [offset for offset, _ in jumps] + drift


def _jumps(
    frames: Frames,
    one: Signal,
    two: Signal,
    apart: FloatArray,
    floor: float,
    flow: BoolArray,
    standing: BoolArray,
) -> list[tuple[Offset, float]]:
    """Each jump with the size by which it moves catalyst_1 less catalyst_2."""
    near, read = frames.count(JUMP_S), frames.count(READ_S)
    if len(apart) <= 2 * (near + read):
        return []
    with np.errstate(invalid="ignore"):
        steps = np.abs(apart[near:] - apart[:-near]) > floor
    found: list[tuple[int, Gauge, float]] = []
    for first, last in runs_of(steps):
        at = int(first + last) // 2 + near // 2 + 1
        before = slice(max(0, first - read), first + 1)
        after = slice(last + near - 1, last + near + read)
        if (
            last - first > 2 * near + 1
            or flow[before.start : after.stop].any() != flow[before.start : after.stop].all()
        ):
            continue
        sizes = [_step(signal.level, before, after) for signal in (one, two)]
        size = sizes[0] - sizes[1]
        if not abs(size) > floor:
            continue
        if abs(sizes[1]) < UNLIKE * abs(sizes[0]):
            found.append((at, Gauge.CATALYST_1, size))
        elif abs(sizes[0]) < UNLIKE * abs(sizes[1]):
            found.append((at, Gauge.CATALYST_2, size))
    return _paired(found, apart, standing)


def _step(level: FloatArray, before: slice, after: slice) -> float:
    if not (np.isfinite(level[before]).any() and np.isfinite(level[after]).any()):
        return np.nan
    return float(np.nanmedian(level[after]) - np.nanmedian(level[before]))


def _paired(
    found: list[tuple[int, Gauge, float]], apart: FloatArray, standing: BoolArray
) -> list[tuple[Offset, float]]:
    """Jumps with the jump back that ends them, or the recording's end; without those that need flow."""
    jumps: list[tuple[Offset, float]] = []
    used: set[int] = set()
    for place, (at, gauge, size) in enumerate(found):
        if place in used:
            continue
        end = len(apart)
        for later in range(place + 1, len(found)):
            then, whose, by = found[later]
            if whose == gauge and later not in used and abs(by + size) < UNLIKE * abs(size):
                used.add(later)
                end = then
                break
        # Where there is standing time before and within, the offset must be there as well.
        before = _median(apart, standing, 0, at)
        within = _median(apart, standing, at, end)
        if np.isfinite(before) and np.isfinite(within) and (within - before) / size < ALIKE:
            continue
        jumps.append((Offset(gauge, at, end, Fault.JUMP), size))
    return jumps


def _median(values: FloatArray, where: BoolArray, first: int, last: int) -> float:
    inside = values[first:last][where[first:last]]
    inside = inside[np.isfinite(inside)]
    return float(np.median(inside)) if len(inside) else np.nan


def _drift(
    frames: Frames,
    one: Signal,
    two: Signal,
    apart: FloatArray,
    floor: float,
    flow: BoolArray,
    standing: BoolArray,
) -> list[Offset]:
    """A slow offset that standing and dispensing share."""
    at_rest = _by_stay(apart, standing, frames)
    at_work = _by_stay(apart, flow, frames)
    if len(at_rest[0]) < 4 or len(at_work[0]) < 4:
        return []
    rest = np.interp(np.arange(len(apart)), at_rest[0], at_rest[1])
    work = np.interp(np.arange(len(apart)), at_work[0], at_work[1])
    rest -= _start_of(at_rest[1])
    work -= _start_of(at_work[1])
    shared = np.where(rest * work > 0, np.sign(rest) * np.minimum(np.abs(rest), np.abs(work)), 0.0)
    alike = np.abs(rest - work) <= (1 - ALIKE) * np.maximum(np.abs(rest), np.abs(work))
    off = alike & (np.abs(shared) > floor)
    offsets = []
    for first, last in runs_of(off):
        peak = first + int(np.argmax(np.abs(shared[first:last])))
        if abs(shared[peak]) < 1.5 * floor or last - first < frames.count(60.0):
            continue
        begin = first
        while begin > 0 and np.abs(shared[begin - 1]) > floor / 4:
            begin -= 1
        moved = [_moved(signal, standing, begin, peak, frames) for signal in (one, two)]
        gauge = Gauge.CATALYST_1 if moved[0] >= moved[1] else Gauge.CATALYST_2
        offsets.append(Offset(gauge, begin, int(last), Fault.DRIFT))
    return offsets


def _by_stay(values: FloatArray, where: BoolArray, frames: Frames) -> tuple[IntArray, FloatArray]:
    """Median of each stay of 2 s or more, less its first second; and the frame in its middle."""
    settle, least = frames.count(1.0), frames.count(2.0)
    at, levels = [], []
    for first, last in runs_of(where):
        inside = values[first + settle : last]
        inside = inside[np.isfinite(inside)]
        if last - first >= least + settle and len(inside):
            at.append((first + last) // 2)
            levels.append(float(np.median(inside)))
    return np.array(at, dtype=np.int64), np.array(levels)


def _start_of(levels: FloatArray) -> float:
    return float(np.median(levels[: max(3, len(levels) // 20)]))


def _moved(signal: Signal, standing: BoolArray, begin: int, peak: int, frames: Frames) -> float:
    """How far a gauge's standing level at the peak lies from that before the drift [Pa]."""
    reach = frames.count(600.0)
    before = _median(signal.level, standing, max(0, begin - reach), begin + 1)
    at_peak = _median(signal.level, standing, max(begin, peak - reach // 4), peak + reach // 4)
    return abs(at_peak - before) if np.isfinite(at_peak - before) else 0.0
