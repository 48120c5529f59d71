"""Did the sealant tear before it let go? Peel and tensile coupons, by failure mode and strength.

What counts is where the failed face tore: inside the sealant (cohesive) is good, off the substrate
(adhesive) is
bad. Methods: ASTM C794 for peel, ASTM C1135 for tensile. The minimums and their origin stand in limits.py.
"""

from typing import Literal

from msgspec import Struct

from edge.records import AdhesionResult
from pipeline.derive.cure.limits import CureLimits


class CouponResult(Struct, frozen=True):
    """Whether a coupon passed, and why not."""

    passed: bool
    why: tuple[str, ...]
    mode: Literal["cohesive", "adhesive", "substrate", "mixed"]


def coupon_result(record: AdhesionResult, limits: CureLimits) -> CouponResult:
    """A coupon held against the minimums. The person's own 'fail' stands, whatever the numbers say."""
    why = []
    if record.result == "fail":
        why.append(f"failed by {record.by}")
    # A substrate that breaks first has shown a bond stronger than itself.
    sound = record.cohesive_pct + (record.substrate_pct or 0.0)
    if sound < limits.cohesive_min_pct:
        why.append(
            f"{record.cohesive_pct:g} % cohesive failure, wanted {limits.cohesive_min_pct:g} % or more"
        )
    if record.method == "tensile" and record.strength_pa is not None:
        if record.strength_pa < limits.tensile_min_pa:
            why.append(
                f"tore at {record.strength_pa / 1e3:.0f} kPa, wanted {limits.tensile_min_pa / 1e3:g} or more"
            )
    elif record.method == "peel":
        peeled, least = record.peel_n_per_m, limits.peel_min_n_per_m
        if peeled is not None and least is not None and peeled < least:
            why.append(f"peeled at {peeled / 1e3:.2f} N/mm, wanted {least / 1e3:g} or more")
    return CouponResult(not why, tuple(why), failure_mode(record))


def failure_mode(record: AdhesionResult) -> Literal["cohesive", "adhesive", "substrate", "mixed"]:
    """The mode that takes more than half of the failed face; what is not said is adhesive."""
    substrate = record.substrate_pct or 0.0
    shares: dict[Literal["cohesive", "adhesive", "substrate"], float] = {
        "cohesive": record.cohesive_pct,
        "substrate": substrate,
        "adhesive": 100.0 - record.cohesive_pct - substrate,
    }
    return next((mode for mode, share in shares.items() if share > 50.0), "mixed")
