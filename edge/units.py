"""Which unit is which? Conversions between the shop's units and SI, exact by definition.

Pressures are held in pascal [Pa], temperatures in degree Celsius [Cel] on the wire (RFC 8428), relative
humidity in percent [%RH]. Sources: NIST SP 811 (psi, bar); the definitions of the pound, g and the inch.
"""

from collections.abc import Callable
from typing import Final

# lb * g / in^2, all three exact by definition, so the quotient is too.
PA_PER_PSI: Final = 0.45359237 * 9.80665 / 0.0254**2
PA_PER_BAR: Final = 100_000.0

PASCALS: Final[dict[str, float]] = {
    "psi": PA_PER_PSI,
    "bar": PA_PER_BAR,
    "kPa": 1e3,
    "MPa": 1e6,
    "Pa": 1.0,
}

# Unit of a gauge file's column -> (SenML unit, conversion into it).
FROM_FILE: Final[dict[str, tuple[str, Callable[[float], float]]]] = {
    **{unit: ("Pa", lambda x, f=factor: x * f) for unit, factor in PASCALS.items()},  # type: ignore[misc]
    "degC": ("Cel", lambda x: x),
    "degF": ("Cel", lambda x: (x - 32.0) * 5.0 / 9.0),
    "pct": ("%RH", lambda x: x),
}


def psi_to_pa(psi: float) -> float:
    """Pressure [psi] in [Pa]."""
    return psi * PA_PER_PSI


def pa_to_psi(pa: float) -> float:
    """Pressure [Pa] in [psi]."""
    return pa / PA_PER_PSI
