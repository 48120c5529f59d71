"""What does the analysis of a recording say? One struct a kind of finding, ready for a table or for JSON.

Times are microseconds since 1970 in UTC, pressures pascal. JSON's names and units are report.py's.
"""

from typing import Literal

from msgspec import Struct

from edge.words import Fault, Gauge, PumpState

Part = Literal["base", "catalyst"]


class Reversal(Struct, frozen=True, gc=False):
    """A pump's change of direction: the bottom of its dip."""

    at_us: int
    part: Part


class Stroke(Struct, frozen=True, gc=False):
    """One travel of a pump, from reversal to reversal, as far as it dispensed.

    no : counts from 1 in the recording, per part; direction : 0 and 1 in turn (which is up is not known)
    base_pa, catalyst_1_pa, catalyst_2_pa : means over its dispensing time, None without a usable sample
    balance_pa : mean of catalyst_1 less catalyst_2 over the same time, None without a usable sample
    balance_sustained_pa : what the difference keeps for all but a quarter of the time: no transient moves it
    balance_held_pa : the furthest it kept for HELD_S of dispensing on end (strokes.py), partly in this stroke
    flowing_s : [s], how long it dispensed; whole : both its reversals were seen
    """

    part: Part
    no: int
    start_us: int
    end_us: int
    base_pa: float | None
    catalyst_1_pa: float | None
    catalyst_2_pa: float | None
    balance_pa: float | None
    balance_sustained_pa: float | None
    balance_held_pa: float | None
    direction: int
    flowing_s: float
    whole: bool


class StateSpan(Struct, frozen=True, gc=False):
    """What the pump did over a span. Spans stand back to back."""

    start_us: int
    end_us: int
    type: PumpState


class BalanceEvent(Struct, frozen=True):
    """The catalyst gauges ran apart while dispensing. peak_pa : what strokes kept, without sign."""

    start_us: int
    end_us: int
    type: Literal["caution", "out_of_balance"]
    peak_pa: float


class Purge(Struct, frozen=True):
    """Base alone ran through the gun."""

    start_us: int
    end_us: int


class IdleSpan(Struct, frozen=True):
    """A stop longer than the limit. purge_* : the first purge in it, whether in time or not."""

    start_us: int
    end_us: int
    purged: bool
    purge_start_us: int | None
    purge_end_us: int | None


class SensorFault(Struct, frozen=True):
    """What is wrong with a gauge's readings over a span. gauge : None where it is the whole row."""

    start_us: int
    end_us: int
    gauge: Gauge | None
    type: Fault


class ChangeoverSeen(Struct, frozen=True):
    """What looks like a drum or pail replaced: proposed to a person, never a record by itself."""

    start_us: int
    end_us: int
    part: Part


class Wear(Struct, frozen=True):
    """A pump whose two directions run unlike each other, as with a check valve that leaks.

    pressure_share : by which one direction's pressure keeps under the other's, 0 where it may be chance
    duration_share : the same of the strokes' flowing time
    slip_share : what a travel in the worse direction lets back, by both
    strokes : how many it rests on
    """

    part: Part
    start_us: int
    end_us: int
    pressure_share: float
    duration_share: float
    slip_share: float
    strokes: int


class CloggingSpan(Struct, frozen=True):
    """Running pressure at equal flow stood above its level with the mixer new. rise : share, at most."""

    start_us: int
    end_us: int
    rise: float


class Clogging(Struct, frozen=True):
    """How running pressure at equal flow went. rise : share above its level at the start, at the end."""

    reference_pa: float | None = None
    latest_pa: float | None = None
    rise: float | None = None
    spans: list[CloggingSpan] = []


class Volume(Struct, frozen=True):
    """What the pumps dispensed [m3]; None where the displacement is not known."""

    base_m3: float | None
    catalyst_m3: float | None


class RatioByStrokes(Struct, frozen=True):
    """Base over catalyst by volume in one clock hour, and between what it may lie. An indicator, no test."""

    start_us: int
    end_us: int
    ratio: float
    low: float
    high: float


class Leak(Struct, frozen=True):
    """How fast a gauge's pressure fell in one stall, top-ups left out. pa_per_s : positive where it falls."""

    start_us: int
    end_us: int
    gauge: Gauge
    pa_per_s: float


class PurgeDue(Struct, frozen=True):
    """The pump has stood since, unpurged, after dispensing: a base purge is due at the latest then."""

    since_us: int
    due_us: int


class GaugeAnalysis(Struct, frozen=True):
    """All that a recording says."""

    states: list[StateSpan]
    reversals: list[Reversal]
    strokes: list[Stroke]
    balance_events: list[BalanceEvent]
    idle_spans: list[IdleSpan]
    purges: list[Purge]
    changeovers: list[ChangeoverSeen]
    sensor_faults: list[SensorFault]
    wear: list[Wear]
    clogging: Clogging
    volume: Volume | None
    volume_ratio: list[RatioByStrokes]
    leaks: list[Leak]
    purge_due: PurgeDue | None
    samples: int
    first_at_us: int | None
    last_at_us: int | None
