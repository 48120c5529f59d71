"""Which words do both sides use? The trade's names for gauges, states and verdicts, once."""

from enum import StrEnum
from typing import Final


class Gauge(StrEnum):
    """A gauge at the pump; the value is its name on the wire and in a file's header."""

    BASE = "base"
    CATALYST_1 = "catalyst_1"
    CATALYST_2 = "catalyst_2"
    AIR = "air"
    AMBIENT_TEMP = "ambient_temp"
    AMBIENT_RH = "ambient_rh"


PRESSURE_GAUGES: Final = (Gauge.BASE, Gauge.CATALYST_1, Gauge.CATALYST_2, Gauge.AIR)

# SenML unit (RFC 8428, section 12.1) each gauge must come in.
GAUGE_UNIT: Final[dict[Gauge, str]] = {
    **dict.fromkeys(PRESSURE_GAUGES, "Pa"),
    Gauge.AMBIENT_TEMP: "Cel",
    Gauge.AMBIENT_RH: "%RH",
}

# Column of the history each gauge is kept in.
GAUGE_COLUMN: Final[dict[Gauge, str]] = {
    **{gauge: f"{gauge.value}_pa" for gauge in PRESSURE_GAUGES},
    Gauge.AMBIENT_TEMP: "ambient_temp_degc",
    Gauge.AMBIENT_RH: "ambient_rh_pct",
}


class PumpState(StrEnum):
    """What the pump does, second by second."""

    DISPENSING = "dispensing"
    STALLED = "stalled"
    PURGING = "purging"
    OFF = "off"
    NO_DATA = "no_data"


class Verdict(StrEnum):
    """What a smear photograph says."""

    PASS = "pass"
    FAIL = "fail"
    RETAKE = "retake"


class ReleaseState(StrEnum):
    """Whether the pump may make units now."""

    RELEASE = "release"
    HOLD = "hold"


class Fault(StrEnum):
    """What is wrong with a gauge's readings over a span."""

    GAP = "gap"
    MISSING = "missing"
    STUCK = "stuck"
    SPIKE = "spike"
    JUMP = "jump"
    DRIFT = "drift"
    SATURATION = "saturation"
    WIRE_BREAK = "wire_break"
    DUPLICATE = "duplicate"
    OUT_OF_ORDER = "out_of_order"
    CLOCK_STEP = "clock_step"


CAUTIONS: Final = (
    (
        "beadbook does not replace the sealant manufacturer's written procedures, the project specification, "
        "adhesion and compatibility testing, or a façade engineer's judgement."
    ),
    "Local codes and licensed practice come first.",
    "Pumps hold hazardous pressure: relieve it before opening anything.",
    "A release is advice to a responsible person.",
)
