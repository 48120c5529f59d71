"""How much did the pumps dispense, and in what ratio? Strokes times displacement.

A pump counts strokes, not sealant: what a leaking valve lets back and what a purge used are in it. So a ratio
told by strokes is an indicator beside the weighed one, and never a test of it.
"""

from typing import Final

import numpy as np

from edge.words import PumpState
from pipeline.derive.gauges.results import Part, Purge, RatioByStrokes, Reversal, StateSpan, Volume
from pipeline.derive.gauges.settings import GaugeSettings

M3_PER_ML: Final = 1e-6
HOUR_US: Final = 3_600_000_000
# One stroke more or less is 5 % of so many: of fewer a ratio says nothing.
RATIO_STROKES_MIN: Final = 20


def dispensed(base_strokes: int, catalyst_strokes: int, settings: GaugeSettings) -> Volume | None:
    """Volume of each part, None where its displacement is not set; None altogether if neither is."""
    if settings.base_stroke_ml is None and settings.catalyst_stroke_ml is None:
        return None
    return Volume(
        _volume(base_strokes, settings.base_stroke_ml), _volume(catalyst_strokes, settings.catalyst_stroke_ml)
    )


def _volume(strokes: int, stroke_ml: float | None) -> float | None:
    return None if stroke_ml is None else strokes * stroke_ml * M3_PER_ML


def ratio_by_strokes(
    reversals: list[Reversal], states: list[StateSpan], purges: list[Purge], settings: GaugeSettings
) -> list[RatioByStrokes]:
    """Base over catalyst by volume, of each clock hour in which both stroked often enough.

    Counted at reversals while dispensing. A piston may stand anywhere in its travel when the hour begins and
    ends, and moves an unknown way in a purge: by one stroke for each the ratio may be off, low to high.
    """
    base_ml, catalyst_ml = settings.base_stroke_ml, settings.catalyst_stroke_ml
    flows = [span for span in states if span.type == PumpState.DISPENSING]
    if base_ml is None or catalyst_ml is None or not flows:
        return []
    starts, ends = (np.array([getattr(span, at) for span in flows]) for at in ("start_us", "end_us"))
    hours: dict[Part, dict[int, int]] = {"base": {}, "catalyst": {}}
    for part, counts in hours.items():
        at = np.array([r.at_us for r in reversals if r.part == part], dtype=np.int64)
        inside = np.searchsorted(starts, at, side="right") - 1
        at = at[(inside >= 0) & (at <= ends[inside])]
        of_hour, strokes = np.unique(at // HOUR_US, return_counts=True)
        counts.update(zip(of_hour.tolist(), strokes.tolist(), strict=True))
    found = []
    for hour in sorted(hours["base"].keys() & hours["catalyst"].keys()):
        base, catalyst = hours["base"][hour], hours["catalyst"][hour]
        if min(base, catalyst) < RATIO_STROKES_MIN:
            continue
        start, end = hour * HOUR_US, (hour + 1) * HOUR_US
        off = 1 + sum(start <= purge.start_us < end for purge in purges)
        each = base_ml / catalyst_ml
        found.append(
            RatioByStrokes(
                start,
                end,
                ratio=base / catalyst * each,
                low=(base - off) / (catalyst + 1) * each,
                high=(base + off) / (catalyst - 1) * each,
            )
        )
    return found
