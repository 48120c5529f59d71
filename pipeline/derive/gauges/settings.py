"""What may a site set for its gauges? Each with its default and where that comes from."""

from typing import Annotated

from msgspec import Meta, Struct

Psi = Annotated[float, Meta(gt=0, le=100_000)]
Minutes = Annotated[float, Meta(gt=0, le=1440)]
Seconds = Annotated[float, Meta(gt=0, le=3600)]
Share = Annotated[float, Meta(gt=0, lt=10)]
Millilitres = Annotated[float, Meta(gt=0, le=100_000)]


class GaugeSettings(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a site may set. Pressures in psi, as the shop's gauges show them."""

    balance_caution_psi: Psi = 200.0  # common practice, no source
    balance_out_psi: Psi = 300.0  # common practice, no source
    # Shorter is a transient: air in the line or a trigger's jolt, over before anyone could act on it.
    # What is held beyond balance_out_psi is told after 6 s whatever stands here (strokes.py: HELD_S).
    balance_min_s: Seconds = 10.0
    idle_min: Minutes = 5.0  # common practice, no source: a base purge is due when the pump stands longer
    # Top of the transmitters' 4..20 mA span; without it wire break and saturation are told by physics alone.
    pressure_span_psi: Psi | None = None
    base_stroke_ml: Millilitres | None = None
    catalyst_stroke_ml: Millilitres | None = None
    # Shortest stay that counts as a state of its own; shorter ones are joined to their neighbours.
    dispensing_min_s: Seconds = 0.8  # a trigger pull is a few seconds
    stalled_min_s: Seconds = 0.8
    purging_min_s: Seconds = 6.0  # a purge runs until the gun shows white, many seconds
    off_min_s: Seconds = 5.0
    no_data_min_s: Seconds = 1.0
    clogging_rise: Share = 0.12  # running pressure above its level with the mixer new; no source
    wear_pressure_share: Share = 0.04  # one direction below the other; no source
    wear_slip_share: Share = 0.08  # of a travel, let back by a check valve in one direction; no source
    wear_min_strokes: Annotated[int, Meta(ge=6)] = 24
