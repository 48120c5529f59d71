"""What is a recording? Times and pressures as arrays, as they came."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from edge.words import Gauge

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Recording:
    """One pump's gauges over some time, in the order in which the rows were written.

    at_us : (N,) microseconds since 1970 in UTC; may repeat or go back, as a logger's clock does
    gauges : each (N,) in SI (Pa, Cel, %RH), NaN where missing; a gauge the pump does not have is not there
    """

    at_us: IntArray
    gauges: dict[Gauge, FloatArray]

    def __post_init__(self) -> None:
        for gauge, values in self.gauges.items():
            if len(values) != len(self.at_us):
                raise ValueError(f"{gauge} has {len(values)} samples where there are {len(self.at_us)} times")
