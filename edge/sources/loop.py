"""What does a transmitter's raw number say? Scaled, its 4-20 mA loop watched, calibrated, in SI units.

Sources: NAMUR NE 43 for the loop's limits (measuring 3.8 to 20.5 mA; failure at 3.6 and below, at 21 and
above; between them neither); the live zero is linear, 4 mA at the low end of the range and 20 mA at the high.
"""

import math
from datetime import date
from enum import StrEnum
from typing import Annotated

from msgspec import Meta, Struct

from edge.units import FROM_FILE
from edge.words import GAUGE_UNIT, Gauge

_ZERO_MA, _SPAN_MA = 4.0, 16.0
_FAIL_LOW_MA, _VALID_LOW_MA, _VALID_HIGH_MA, _FAIL_HIGH_MA = 3.6, 3.8, 20.5, 21.0

Finite = Annotated[float, Meta(ge=-1e12, le=1e12)]


class Loop(StrEnum):
    """What a loop current is."""

    VALID = "valid"
    SUSPECT = "suspect"  # neither a measurement nor a failure signal
    FAIL = "fail"


def judge_loop(current_ma: float) -> Loop:
    """Class of a current [mA] by NAMUR NE 43. What is no number has failed."""
    if not _FAIL_LOW_MA < current_ma < _FAIL_HIGH_MA:
        return Loop.FAIL
    return Loop.VALID if _VALID_LOW_MA <= current_ma <= _VALID_HIGH_MA else Loop.SUSPECT


class Calibration(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Two points at which a reference was held beside the gauge, in the channel's unit; due : do it again."""

    read_low: Finite
    true_low: Finite
    read_high: Finite
    true_high: Finite
    due: date

    def correct(self, reading: float) -> float:
        """The reading as the reference would have shown it: on the line through the two points."""
        slope = (self.true_high - self.true_low) / (self.read_high - self.read_low)
        return self.true_low + (reading - self.read_low) * slope


class Channel(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One gauge at an input. unit : as in a gauge file's header (psi, bar, degC, ...).

    factor, offset : from the raw number to the unit, or to mA where the input measures a loop
    loop_low, loop_high : the transmitter's range in the unit, at 4 and at 20 mA; both or neither
    """

    gauge: Gauge
    unit: str
    factor: Finite = 1.0
    offset: Finite = 0.0
    loop_low: Finite | None = None
    loop_high: Finite | None = None
    calibration: Calibration | None = None

    def mistake(self) -> str | None:
        """What is wrong with the settings, if anything is."""
        if self.unit not in FROM_FILE:
            return f"unknown unit {self.unit!r}, take one of {', '.join(FROM_FILE)}"
        if FROM_FILE[self.unit][0] != GAUGE_UNIT[self.gauge]:
            return f"{self.gauge} can't be in {self.unit}"
        if (self.loop_low is None) != (self.loop_high is None):
            return "loop_low and loop_high go together"
        if self.loop_low is not None and self.loop_low == self.loop_high:
            return "loop_low and loop_high are the same"
        if self.calibration and self.calibration.read_low == self.calibration.read_high:
            return "the two points of the calibration are one"
        return None

    def reading(self, raw: float) -> float | None:
        """The reading in the gauge's SI unit; None where there is none, as from a loop that has failed."""
        value = raw * self.factor + self.offset
        if self.loop_low is not None and self.loop_high is not None:
            if judge_loop(value) is Loop.FAIL:
                return None
            value = self.loop_low + (value - _ZERO_MA) / _SPAN_MA * (self.loop_high - self.loop_low)
        if self.calibration is not None:
            value = self.calibration.correct(value)
        converted = FROM_FILE[self.unit][1](value)
        return converted if math.isfinite(converted) else None
