"""Which of a million samples does a picture need? The lowest and highest of each moment, and no more.

A recording comes in pieces of any number; what is kept stays bounded, and no dip or spike is lost, for the
extremes of extremes are the extremes. All of a shift at 20 Hz is kept; of a week, two samples every 2 s.
"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt
from tsdownsample import MinMaxDownsampler

# Samples a gauge, so that a week's page stays under 20 MB and is drawn without a wait.
MOST: Final = 600_000
_THIN: Final = MinMaxDownsampler()  # type: ignore[no-untyped-call]


@dataclass
class Trace:
    """One gauge's samples, in order of time when read by `points`. Times [us], values as they were given."""

    most: int = MOST
    _at: list[npt.NDArray[np.int64]] = field(default_factory=list)
    _count: int = 0
    _values: list[npt.NDArray[np.float64]] = field(default_factory=list)

    def add(self, at_us: npt.NDArray[np.int64], values: npt.NDArray[np.float64]) -> None:
        """Take more samples; what is missing is left out."""
        known = np.isfinite(values)
        self._count += int(np.count_nonzero(known))
        self._at.append(at_us[known])
        self._values.append(values[known])
        if sum(map(len, self._at)) > 4 * self.most:
            at, kept = thinned(*self._joined(), 2 * self.most)
            self._at, self._values = [at], [kept]

    def points(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
        """Times and values, `most` at most."""
        return thinned(*self._joined(), self.most)

    @property
    def moment_us(self) -> int:
        """[us], of which moments `points` holds the lowest and highest; 0 if it holds all."""
        at, _ = self._joined()
        return 2 * int(at[-1] - at[0]) // self.most if self._count > self.most else 0

    def _joined(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
        at = np.concatenate([np.zeros(0, np.int64), *self._at])
        values = np.concatenate([np.zeros(0), *self._values])
        if (np.diff(at) < 0).any():
            # A clock that was set back writes over its own trace.
            order = np.argsort(at, kind="stable")
            at, values = at[order], values[order]
        return at, values


def thinned(
    at_us: npt.NDArray[np.int64], values: npt.NDArray[np.float64], most: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """The lowest and highest value of each of most / 2 equal spans of time, all where there are no more."""
    if len(values) <= most:
        return at_us, values
    # Where nothing moves, the lowest is the highest.
    kept = np.unique(_THIN.downsample(at_us, values, n_out=most - most % 2).astype(np.int64))
    return at_us[kept], values[kept]
