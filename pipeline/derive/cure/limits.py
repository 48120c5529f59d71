"""What are the day's tests held against? The limits of one pump, from data sheets and published sources.

Each field names its origin: a published source, the sealant's data sheet (set in site.toml), or common
practice.
"""

from typing import Annotated, Final, Literal, get_args

from msgspec import Meta, Struct

Minutes = Annotated[float, Meta(gt=0, le=1440, description="[min]")]
Share = Annotated[float, Meta(gt=0, le=100, description="[%]")]
Density = Annotated[float, Meta(gt=300, le=5000, description="[kg/m3]")]
DegC = Annotated[float, Meta(ge=-40, le=80, description="[degC]")]

# What is kept on control charts; snap_time_adjusted is the time at the reference temperature; shade
# is the distance to the material's own and knows no direction, lightness needs none to be set and knows one.
Measure = Literal["snap_time", "snap_time_adjusted", "shade", "lightness", "cov", "balance", "hardness"]
MEASURES: Final[tuple[Measure, ...]] = get_args(Measure)
# Common practice, no published source: how far the stick is lifted at a snap test.
LIFT_MM: Final = (13.0, 25.0)


class CureLimits(Struct, frozen=True, kw_only=True):
    """Limits for one pump. None : not set, so nothing is judged by it."""

    # The sealant's data sheet; a lot's own certificate, on its changeover record, goes before it.
    snap_min_min: Minutes = 30.0
    snap_max_min: Minutes = 60.0
    # The temperature at which data sheets state times: standard laboratory conditions.
    snap_reference_degc: DegC = 23.0
    # The sealant's data sheet.
    ratio_by_mass: Annotated[float, Meta(gt=0, le=100, description="[1]")] = 10.0
    ratio_tolerance_pct: Share = 5.0
    base_density: Density | None = None
    curing_agent_density: Density | None = None
    # Common practice: one catch says nothing of how far the next would lie from it.
    ratio_catches_min: Annotated[int, Meta(ge=1, le=50)] = 3
    # What the scale may be off by, as a standard uncertainty [g].
    scale_g: Annotated[float, Meta(ge=0, le=100, description="[g]")] = 0.1
    # Common practice: 5 or more Shore A points below the bead's norm at 24 h is a soft spot.
    soft_spot_shore_a: Annotated[float, Meta(gt=0, le=50, description="[Shore A]")] = 5.0
    # ISO 48-4:2018, 9.3: three readings for a known material (five, as ASTM D2240 has it, for an unknown
    # one).
    bead_readings_min: Annotated[int, Meta(ge=1, le=20)] = 3
    # ETAG 002-1, from memory: rupture at least 90 % within the sealant. Read it before relying on it.
    cohesive_min_pct: Share = 90.0
    # ASTM C1184, from memory: tensile strength at least 345 kPa (50 psi). Read it before relying on it.
    tensile_min_pa: Annotated[float, Meta(gt=0, le=1e8, description="[Pa]")] = 345e3
    # No minimum was found in text: the project specification's, where it has one.
    peel_min_n_per_m: Annotated[float, Meta(gt=0, le=1e6, description="[N/m]")] | None = None
