"""What is each sample worth? The QARTOD flag of every gauge and row, and the test that gave it.

Faults are found over minutes and hours; here they are laid back onto the samples they are made of, so that
who takes the pressures elsewhere can leave out what the analysis left out.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from edge.words import PRESSURE_GAUGES, Fault, Gauge
from pipeline.derive.gauges.quality import Flag, FlagArray, gap
from pipeline.derive.gauges.recording import FloatArray, Recording
from pipeline.derive.gauges.results import SensorFault

# Tests by number, the mildest first; 0 is none, and a sample keeps the last that spoke.
TESTS: Final[tuple[Fault, ...]] = (
    Fault.GAP,
    Fault.DUPLICATE,
    Fault.OUT_OF_ORDER,
    Fault.CLOCK_STEP,
    Fault.SATURATION,
    Fault.DRIFT,
    Fault.JUMP,
    Fault.SPIKE,
    Fault.STUCK,
    Fault.WIRE_BREAK,
    Fault.MISSING,
)
# A saturated reading is a bound; where it is the time that is doubted the pressure may be sound.
SUSPECT: Final = (Fault.GAP, Fault.DUPLICATE, Fault.OUT_OF_ORDER, Fault.CLOCK_STEP, Fault.SATURATION)
# These are told by the sample itself: a span of theirs may hold sound samples.
BY_SAMPLE: Final = (Fault.GAP, Fault.MISSING)


@dataclass(frozen=True)
class SampleFlags:
    """A gauge's samples judged. flags : (N,) QARTOD; tests : (N,), place in TESTS plus one, 0 for none"""

    flags: FlagArray
    tests: npt.NDArray[np.uint8]


def sample_flags(
    rows: Recording, faults: list[SensorFault], gap_s: float, before_us: int | None = None
) -> dict[Gauge, SampleFlags]:
    """Flags of each pressure gauge over some rows of a recording.

    faults : of the whole recording, at recorded times; gap_s : [s], the shortest gap between rows that counts
    before_us : time of the row before these, None if they are the first
    A sample is missing (9) where it is no number; failed (4) where its gauge was stuck, spiking, off its
    zero or broken; suspect (3) where the gauge was saturated, the row's time is in doubt, or it is the first
    after a gap; good (1) else. While a clock was set back an hour is there twice, and a fault marks both.
    """
    at_us = rows.at_us if before_us is None else np.concatenate(([before_us], rows.at_us))
    after_gap = (gap(at_us, gap_s, np.inf) == Flag.SUSPECT)[len(at_us) - len(rows.at_us) :]
    flagged: dict[Gauge, SampleFlags] = {}
    for gauge in PRESSURE_GAUGES:
        if gauge in rows.gauges:
            own = [f for f in faults if f.gauge in (None, gauge) and f.type not in BY_SAMPLE]
            flagged[gauge] = _flag(rows, rows.gauges[gauge], own, after_gap)
    return flagged


def _flag(
    rows: Recording, values: FloatArray, faults: list[SensorFault], after_gap: npt.NDArray[np.bool_]
) -> SampleFlags:
    tests = np.zeros(len(values), dtype=np.uint8)
    tests[after_gap] = TESTS.index(Fault.GAP) + 1
    low, high = (int(rows.at_us.min()), int(rows.at_us.max())) if len(values) else (0, 0)
    for fault in sorted(faults, key=lambda one: TESTS.index(one.type)):
        if fault.start_us <= high and low <= fault.end_us:
            tests[(fault.start_us <= rows.at_us) & (rows.at_us <= fault.end_us)] = TESTS.index(fault.type) + 1
    tests[np.isnan(values)] = TESTS.index(Fault.MISSING) + 1
    return SampleFlags(_FLAG_OF[tests], tests)


_FLAG_OF: Final = np.array(
    [Flag.GOOD, *(Flag.SUSPECT if test in SUSPECT else Flag.FAIL for test in TESTS[:-1]), Flag.MISSING],
    dtype=np.uint8,
)
