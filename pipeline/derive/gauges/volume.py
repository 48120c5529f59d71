"""How much did the pumps dispense? Strokes times displacement."""

from pipeline.derive.gauges.results import Volume
from pipeline.derive.gauges.settings import GaugeSettings

M3_PER_ML = 1e-6


def dispensed(base_strokes: int, catalyst_strokes: int, settings: GaugeSettings) -> Volume | None:
    """Volume of each part, None where its displacement is not set; None altogether if neither is.

    What a leaking valve lets back and what a purge used are in it: a pump counts strokes, not sealant.
    """
    if settings.base_stroke_ml is None and settings.catalyst_stroke_ml is None:
        return None
    return Volume(
        _volume(base_strokes, settings.base_stroke_ml), _volume(catalyst_strokes, settings.catalyst_stroke_ml)
    )


def _volume(strokes: int, stroke_ml: float | None) -> float | None:
    return None if stroke_ml is None else strokes * stroke_ml * M3_PER_ML
