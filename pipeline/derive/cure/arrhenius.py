"""How does a cure time hang on temperature? An Arrhenius term fitted to the material's own history.

ln t = ln t_lot + (Ea / R) (1/T - 1/T_ref): each pair of lots has a level of its own, the activation energy
Ea is theirs together. A fit speaks only once there is history enough, and only of what came before it.
"""

import math
from collections.abc import Hashable
from dataclasses import dataclass, field
from typing import Final

from msgspec import Struct
from scipy.special import stdtrit

GAS_CONSTANT: Final = 8.314462618  # [J/(mol K)], exact to these digits by the SI
ZERO_DEGC: Final = 273.15  # [K]
# beadbook's own: with fewer tests, or a narrower span of temperature, the slope is the noise's.
FIT_TESTS: Final = 12
FIT_SPAN_K: Final = 6.0
# beadbook's own: a fit whose 95 % interval is wider than this share of Ea on either side adjusts nothing.
FIT_HALF_WIDTH_SHARE: Final = 0.5


class Fit(Struct, frozen=True):
    """Activation energy [J/mol], its 95 % interval, from how many tests over which temperatures [degC]."""

    ea: float
    low: float
    high: float
    tests: int
    coldest: float
    warmest: float


def at_reference(minutes: float, degc: float, reference_degc: float, ea: float) -> float:
    """A time taken at `degc` as it would be at the reference temperature. ea : [J/mol]."""
    return minutes * math.exp(ea / GAS_CONSTANT * inverse_kelvin(reference_degc, degc))


def inverse_kelvin(reference_degc: float, degc: float) -> float:
    """1/T_ref - 1/T [1/K]."""
    return 1 / (reference_degc + ZERO_DEGC) - 1 / (degc + ZERO_DEGC)


@dataclass
class _Sums:
    n: int = 0
    x: float = 0.0
    y: float = 0.0
    xx: float = 0.0
    xy: float = 0.0
    yy: float = 0.0


@dataclass
class History:
    """The tests so far, as sums: asking for the fit takes the same time however many there are."""

    reference_degc: float
    _lots: dict[Hashable, _Sums] = field(default_factory=dict)
    _coldest: float = math.inf
    _warmest: float = -math.inf

    def add(self, minutes: float, degc: float, lots: Hashable) -> None:
        """One more valid test. lots : what tells one pair of lots from another."""
        sums = self._lots.setdefault(lots, _Sums())
        # Centred on the reference, so that the sums keep their digits; minus, for warm is quick.
        x, y = -inverse_kelvin(self.reference_degc, degc) / GAS_CONSTANT, math.log(minutes)
        sums.n += 1
        sums.x += x
        sums.y += y
        sums.xx += x * x
        sums.xy += x * y
        sums.yy += y * y
        self._coldest, self._warmest = min(self._coldest, degc), max(self._warmest, degc)

    def fit(self) -> Fit | None:
        """Least squares within the pairs of lots; None while the history does not support it."""
        tests = sum(s.n for s in self._lots.values())
        free = tests - len(self._lots) - 1
        if tests < FIT_TESTS or free < FIT_TESTS // 2 or self._warmest - self._coldest < FIT_SPAN_K:
            return None
        xx = sum(s.xx - s.x * s.x / s.n for s in self._lots.values())
        xy = sum(s.xy - s.x * s.y / s.n for s in self._lots.values())
        yy = sum(s.yy - s.y * s.y / s.n for s in self._lots.values())
        if xx <= 0:
            return None
        ea = xy / xx
        error = math.sqrt(max(yy - ea * xy, 0.0) / free / xx)
        half = float(stdtrit(free, 0.975)) * error
        if ea <= 0 or half > FIT_HALF_WIDTH_SHARE * ea:
            return None
        return Fit(ea, ea - half, ea + half, tests, self._coldest, self._warmest)
