"""How far do two who judge the same samples agree? Kappa, misses and false alarms, with their intervals."""

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike

_Z95: Final = 1.959963984540054
# J. R. Landis, G. G. Koch, Biometrics 33 (1977) 159-174: the least kappa of each word.
_WORDS: Final = (
    (0.8, "almost perfect"),
    (0.6, "substantial"),
    (0.4, "moderate"),
    (0.2, "fair"),
    (0.0, "slight"),
)


class Interval(Struct, frozen=True):
    """An estimate with its 95 % confidence interval."""

    value: float
    low: float
    high: float


class Agreement(Struct, frozen=True, kw_only=True):
    """A camera held against an eye. The eye is taken for right: nobody has a better truth at the pump.

    misses : the eye failed it and the camera passed it; false_alarms : the other way round
    kappa : None where it is not defined, since one of the two never or always fails
    """

    samples: int
    both_pass: int
    both_fail: int
    misses: int
    false_alarms: int
    kappa: Interval | None
    miss_rate: Interval | None
    false_alarm_rate: Interval | None


def wilson(count: int, total: int) -> Interval | None:
    """A proportion with Wilson's 95 % score interval; None of nothing.

    Source: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212; R. G. Newcombe, Stat. Med. 17 (1998) 857-872.
    """
    if total == 0:
        return None
    share, z2 = count / total, _Z95**2
    middle = (share + z2 / (2 * total)) / (1 + z2 / total)
    reach = _Z95 / (1 + z2 / total) * np.sqrt(share * (1 - share) / total + z2 / (4 * total**2))
    return Interval(share, max(0.0, float(middle - reach)), min(1.0, float(middle + reach)))


def cohen_kappa(table: ArrayLike) -> Interval | None:
    """Agreement beyond chance of two who sort the same cases. table : (K, K), cases by first and by second.

    Returns kappa with its 95 % interval, None where chance alone makes both agree always.
    Source: J. Cohen, Educ. Psychol. Meas. 20 (1960) 37-46; standard error by J. L. Fleiss, J. Cohen,
    B. S. Everitt, Psychol. Bull. 72 (1969) 323-327.
    """
    shares = np.asarray(table, np.float64)
    total = shares.sum()
    if total == 0:
        return None
    shares = shares / total
    first, second = shares.sum(axis=1), shares.sum(axis=0)
    agreed, chance = float(np.trace(shares)), float(first @ second)
    if chance >= 1:
        return None
    kappa = (agreed - chance) / (1 - chance)
    same = np.diag(shares) * (1 - (first + second) * (1 - kappa)) ** 2
    crossed = shares * (second[:, None] + first[None]) ** 2
    apart = (1 - kappa) ** 2 * (crossed.sum() - np.trace(crossed))
    variance = (same.sum() + apart - (kappa - chance * (1 - kappa)) ** 2) / (total * (1 - chance) ** 2)
    reach = _Z95 * float(np.sqrt(max(variance, 0.0)))
    return Interval(kappa, max(-1.0, kappa - reach), min(1.0, kappa + reach))


def kappa_in_words(kappa: float) -> str:
    """Poor to almost perfect, by size."""
    return next((word for least, word in _WORDS if kappa > least), "poor")


def agreement(eye_fails: ArrayLike, camera_fails: ArrayLike) -> Agreement:
    """How a camera agrees with an eye. eye_fails, camera_fails : (N,) bool, of the same samples."""
    eye, camera = np.asarray(eye_fails, bool), np.asarray(camera_fails, bool)
    both_fail, misses = int((eye & camera).sum()), int((eye & ~camera).sum())
    false_alarms, both_pass = int((~eye & camera).sum()), int((~eye & ~camera).sum())
    return Agreement(
        samples=len(eye),
        both_pass=both_pass,
        both_fail=both_fail,
        misses=misses,
        false_alarms=false_alarms,
        kappa=cohen_kappa([[both_pass, false_alarms], [misses, both_fail]]),
        miss_rate=wilson(misses, misses + both_fail),
        false_alarm_rate=wilson(false_alarms, false_alarms + both_pass),
    )
