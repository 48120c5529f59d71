"""Is a sample good? Flags and tests as in the open QARTOD manuals, and NAMUR NE 43 for current loops.

The tests here judge samples one by one against limits that the caller gives. faults.py finds spans, with
limits taken from the recording itself.
"""

from enum import IntEnum

import numpy as np
import numpy.typing as npt

from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray

FlagArray = npt.NDArray[np.uint8]


class Flag(IntEnum):
    """QARTOD primary flags, as numbered in IOC Manuals and Guides 54, vol. 3."""

    GOOD, NOT_EVALUATED, SUSPECT, FAIL, MISSING = 1, 2, 3, 4, 9


# Worst last: a test that judged wins over one that could not, a bad word over a good one.
_RANK = np.zeros(10, dtype=np.uint8)
for _rank, _flag in enumerate((Flag.MISSING, Flag.NOT_EVALUATED, Flag.GOOD, Flag.SUSPECT, Flag.FAIL)):
    _RANK[_flag] = _rank
_FLAG_OF_RANK = np.array([9, 2, 1, 3, 4], dtype=np.uint8)


def worst_of(*flags: FlagArray) -> FlagArray:
    """Join tests: per sample the worst, in the order missing, not evaluated, good, suspect, fail.

    flags : each (N,)
    Source: QARTOD manuals, roll-up of flags.
    """
    rank = _RANK[flags[0]]
    for other in flags[1:]:
        rank = np.maximum(rank, _RANK[other])
    return _FLAG_OF_RANK[rank]


def gross_range(
    values: FloatArray, fail: tuple[float, float], suspect: tuple[float, float] | None = None
) -> FlagArray:
    """Outside what the sensor can say (fail) or what the process should (suspect). Bounds are inside.

    values : (N,)
    Source: QARTOD, gross range test.
    """
    flags = np.full(len(values), Flag.GOOD, dtype=np.uint8)
    with np.errstate(invalid="ignore"):
        if suspect is not None:
            flags[(values < suspect[0]) | (values > suspect[1])] = Flag.SUSPECT
        flags[(values < fail[0]) | (values > fail[1])] = Flag.FAIL
    flags[np.isnan(values)] = Flag.MISSING
    return flags


def spike(values: FloatArray, suspect: float, fail: float, *, by: str = "average") -> FlagArray:
    """A sample apart from both neighbours.

    values : (N,); suspect, fail : in the unit of values
    by : "average" holds it against the neighbours' mean; "differential" takes the smaller of the two steps,
        if they turn, so that a sample beside a spike is not blamed for it
    The ends, and samples beside a missing one, are not evaluated.
    Source: QARTOD, spike test.
    """
    flags = np.full(len(values), Flag.NOT_EVALUATED, dtype=np.uint8)
    before, here, after = values[:-2], values[1:-1], values[2:]
    if by == "average":
        apart = np.abs(here - (before + after) / 2)
    else:
        up, down = here - before, here - after
        apart = np.where(up * down > 0, np.minimum(np.abs(up), np.abs(down)), 0.0)
        apart[np.isnan(up + down)] = np.nan
    inner = flags[1:-1]
    with np.errstate(invalid="ignore"):
        inner[~np.isnan(apart)] = Flag.GOOD
        inner[apart > suspect] = Flag.SUSPECT
        inner[apart > fail] = Flag.FAIL
    flags[np.isnan(values)] = Flag.MISSING
    return flags


def rate_of_change(at_us: IntArray, values: FloatArray, suspect: float, fail: float) -> FlagArray:
    """A step faster than the limit, on the true time between the two samples.

    at_us : (N,) [us]; values : (N,); suspect, fail : per second
    The first sample, and one after a missing sample, is good.
    Source: QARTOD, rate of change test.
    """
    flags = np.full(len(values), Flag.GOOD, dtype=np.uint8)
    seconds = np.diff(at_us) / 1e6
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = np.abs(np.diff(values)) / seconds
        flags[1:][rate > suspect] = Flag.SUSPECT
        flags[1:][rate > fail] = Flag.FAIL
    flags[np.isnan(values)] = Flag.MISSING
    return flags


def gap(at_us: IntArray, suspect_s: float, fail_s: float) -> FlagArray:
    """The first sample after a time without any.

    at_us : (N,) [us]; suspect_s, fail_s : [s], longest step that still passes
    The first sample of all is good, and so is one whose time goes back: other tests see to those.
    Source: QARTOD, timing and gap test.
    """
    flags = np.full(len(at_us), Flag.GOOD, dtype=np.uint8)
    seconds = np.diff(at_us) / 1e6
    flags[1:][seconds > suspect_s] = Flag.SUSPECT
    flags[1:][seconds > fail_s] = Flag.FAIL
    return flags


def flat_line(
    at_us: IntArray, values: FloatArray, suspect_s: float, fail_s: float, tolerance: float
) -> FlagArray:
    """Values that stay within a tolerance for too long.

    at_us : (N,) [us], rising; values : (N,)
    suspect_s, fail_s : [s], how long the values up to a sample have kept within less than `tolerance`
    Source: QARTOD, flat line test.
    """
    flags = np.full(len(values), Flag.GOOD, dtype=np.uint8)
    for seconds, flag in ((suspect_s, Flag.SUSPECT), (fail_s, Flag.FAIL)):
        flags[_flat_for(at_us, values, round(seconds * 1e6), tolerance)] = flag
    flags[np.isnan(values)] = Flag.MISSING
    return flags


def _flat_for(at_us: IntArray, values: FloatArray, stay_us: int, tolerance: float) -> BoolArray:
    flat = np.zeros(len(values), dtype=bool)
    with np.errstate(invalid="ignore"):
        still = np.abs(np.diff(values)) < tolerance
    for first, last in runs_of(still):
        # `still` is between samples: the run's samples are first .. last, both in.
        if at_us[last] - at_us[first] < stay_us:
            continue
        times, run = at_us[first : last + 1], values[first : last + 1]
        since = np.searchsorted(times, times - stay_us, side="right") - 1
        for sample in np.flatnonzero(since >= 0):
            window = run[since[sample] : sample + 1]
            flat[first + sample] = np.ptp(window) < tolerance
    return flat


def ne43(values: FloatArray, low: float, high: float) -> FlagArray:
    """What a 4..20 mA transmitter's reading says of its own health.

    values : (N,), in the unit of low and high, which stand for 4 and 20 mA
    Good from 3.8 to 20.5 mA, fail at 3.6 and below or 21 and above, suspect between.
    Source: NAMUR NE 43; published restatements differ on the gap, so it is suspect and the rest is failed.
    """
    amps = 4.0 + (values - low) / (high - low) * 16.0
    # 3.8 mA comes back from bar or psi as 3.7999999: give the bounds a nanoampere.
    edge = 1e-6
    flags = np.full(len(values), Flag.GOOD, dtype=np.uint8)
    with np.errstate(invalid="ignore"):
        flags[(amps < 3.8 - edge) | (amps > 20.5 + edge)] = Flag.SUSPECT
        flags[(amps <= 3.6 + edge) | (amps >= 21.0 - edge)] = Flag.FAIL
    flags[np.isnan(values)] = Flag.MISSING
    return flags


def runs_of(mask: BoolArray) -> IntArray:
    """Where a mask stays true. Returns (R, 2): first of each run, and one past its last."""
    turns = np.flatnonzero(mask[1:] ^ mask[:-1]) + 1
    ends = [np.arange(1)] if len(mask) and mask[0] else []
    open_end = [np.array([len(mask)])] if len(mask) and mask[-1] else []
    runs: IntArray = np.concatenate((*ends, turns, *open_end)).reshape(-1, 2)
    return runs
