"""Was the weighed ratio right, and how sure is that? Catches of both parts, with a confidence interval.

The ratio is that of the sums. Its standard error is the ratio estimator's, from how the catches scatter about
it (W. G. Cochran, *Sampling Techniques*, 6.3), and never less than what the scale alone leaves in doubt
(JCGM 100:2008, 5.1.6: relative variances of a quotient add).
"""

import math
from collections.abc import Sequence
from typing import Literal

from msgspec import Struct
from scipy.special import stdtrit

from edge.records import Catch
from pipeline.derive.cure.limits import CureLimits


class RatioResult(Struct, frozen=True, kw_only=True):
    """Base to curing agent. low, high : 95 % interval, None for a single catch; by_volume : with densities.

    verdict : 'in' where the whole interval lies within the tolerance, 'out' where the ratio itself lies
    beyond it, else 'unsure', which asks for more catches
    """

    ratio: float
    deviation_pct: float
    low: float | None
    high: float | None
    by_volume: float | None
    by_volume_low: float | None
    by_volume_high: float | None
    verdict: Literal["in", "out", "unsure"]
    why: str = ""


def weighed_ratio(catches: Sequence[Catch], limits: CureLimits) -> RatioResult:
    """The ratio over all catches, at least one."""
    n = len(catches)
    base, curing_agent = sum(c.base_g for c in catches), sum(c.curing_agent_g for c in catches)
    ratio = base / curing_agent
    wanted, tolerance = limits.ratio_by_mass, limits.ratio_tolerance_pct
    half = None
    if n > 1:
        scatter = math.sqrt(sum((c.base_g - ratio * c.curing_agent_g) ** 2 for c in catches) / (n - 1))
        error = max(scatter / math.sqrt(n) / (curing_agent / n), scale_error(base, curing_agent, n, limits))
        half = float(stdtrit(n - 1, 0.975)) * error
    deviation = 100 * (ratio / wanted - 1)
    verdict: Literal["in", "out", "unsure"] = "in"
    why = ""
    if abs(deviation) > tolerance:
        verdict = "out"
    elif n < limits.ratio_catches_min:
        verdict, why = "unsure", f"{n} of {limits.ratio_catches_min} catches"
    elif half is not None and abs(deviation) + 100 * half / wanted > tolerance:
        verdict, why = "unsure", "the catches scatter too far to tell: weigh more"
    # Volume of each part is its mass over its density.
    by_volume = (
        limits.curing_agent_density / limits.base_density
        if limits.base_density and limits.curing_agent_density
        else None
    )
    return RatioResult(
        ratio=ratio,
        deviation_pct=deviation,
        low=None if half is None else ratio - half,
        high=None if half is None else ratio + half,
        by_volume=None if by_volume is None else ratio * by_volume,
        by_volume_low=None if by_volume is None or half is None else (ratio - half) * by_volume,
        by_volume_high=None if by_volume is None or half is None else (ratio + half) * by_volume,
        verdict=verdict,
        why=why,
    )


def scale_error(base_g: float, curing_agent_g: float, weighings: int, limits: CureLimits) -> float:
    """Standard uncertainty of a ratio by the scale alone. base_g, curing_agent_g : [g], sums."""
    u = limits.scale_g * math.sqrt(weighings)
    return base_g / curing_agent_g * math.hypot(u / base_g, u / curing_agent_g)
