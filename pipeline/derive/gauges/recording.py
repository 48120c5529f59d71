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

    def part(self, first: int, last: int) -> "Recording":
        """Rows from `first` up to `last`, one past the end: a view, nothing is copied."""
        return Recording(self.at_us[first:last], {g: v[first:last] for g, v in self.gauges.items()})


def joined_rows(pieces: list[Recording]) -> Recording:
    """Pieces of one recording in order. A gauge that some have not is missing there."""
    gauges = dict.fromkeys(gauge for piece in pieces for gauge in piece.gauges)
    return Recording(
        np.concatenate([piece.at_us for piece in pieces]),
        {
            gauge: np.concatenate(
                [piece.gauges.get(gauge, np.full(len(piece.at_us), np.nan)) for piece in pieces]
            )
            for gauge in gauges
        },
    )
