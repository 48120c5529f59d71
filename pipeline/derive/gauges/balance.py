"""Did the two catalyst gauges run apart while dispensing? Judged on stroke means.

A mean over a stroke does not see a reversal's dip, and a stalled pump has no stroke: an imbalance that is
there again after a stop, from the first stroke on, is the same one. What is over within a few seconds is a
transient, not an imbalance, though it may carry a whole stroke's mean over the limit. What is held beyond the
outer limit for longer than a transient is told, though it may begin and end within strokes.
"""

from typing import Final

import numpy as np

from edge.units import psi_to_pa
from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import FloatArray
from pipeline.derive.gauges.results import BalanceEvent, Stroke
from pipeline.derive.gauges.settings import GaugeSettings
from pipeline.derive.gauges.strokes import HELD_S

# Strokes back under the limit for no longer than this, in dispensing time, or for no more than so many
# strokes do not end an event: the operator mends it once.
REST_S: Final = 20.0
REST_STROKES: Final = 3
# Nor do strokes that stay over this share of the limit: noise about it is one event, not many.
NEARLY: Final = 0.8


def find_balance_events(strokes: list[Stroke], settings: GaugeSettings) -> list[BalanceEvent]:
    """Spans in which strokes ran apart by more than the caution, neighbours as one.

    strokes : the catalyst's, in order; those whose balance is not known neither begin nor bridge an event
    """
    known = [stroke for stroke in strokes if stroke.balance_pa is not None]
    mean = np.array([stroke.balance_pa for stroke in known], dtype=np.float64)
    sustained = np.array([stroke.balance_sustained_pa for stroke in known], dtype=np.float64)
    held = np.array([stroke.balance_held_pa for stroke in known], dtype=np.float64)
    caution, out = psi_to_pa(settings.balance_caution_psi), psi_to_pa(settings.balance_out_psi)
    events = []
    for sign in (1.0, -1.0):
        apart = sign * mean
        held_out = sign * held > out
        over = (apart > caution) | held_out
        lasting = over & (sign * sustained > NEARLY * caution) | held_out
        spans: list[tuple[int, int]] = []
        for first, last in runs_of(over).tolist():
            near = spans and apart[spans[-1][1] : first].min(initial=np.inf) > NEARLY * caution
            if spans and _same_event(known, spans[-1][1], first, bool(near), settings):
                spans[-1] = (spans[-1][0], last)
            else:
                spans.append((first, last))
        for first, last in spans:
            apart_s = sum(known[n].flowing_s for n in range(first, last) if lasting[n])
            if apart_s < settings.balance_min_s and not held_out[first:last].any():
                continue
            strokes_over = np.flatnonzero(lasting[first:last]) + first
            # A transient within an imbalance lifts a stroke's mean, not what the stroke keeps.
            level = np.where(
                sign * sustained[strokes_over] < NEARLY * apart[strokes_over],
                sign * sustained[strokes_over],
                apart[strokes_over],
            )
            level = np.where(held_out[strokes_over], np.maximum(level, sign * held[strokes_over]), level)
            flowing = np.array([known[n].flowing_s for n in strokes_over])
            peak = _kept(level, flowing, min(HELD_S, settings.balance_min_s))
            events.append(
                BalanceEvent(
                    known[first].start_us,
                    known[last - 1].end_us,
                    "out_of_balance" if peak > out else "caution",
                    peak,
                )
            )
    return sorted(events, key=lambda event: event.start_us)


def _kept(level: FloatArray, seconds: FloatArray, least_s: float) -> float:
    """The highest level that was reached or passed for `least_s` in all: what is over sooner is a transient.

    level : (S,) [Pa]; seconds : (S,) [s], how long each lasted, `least_s` in all at least
    """
    highest = np.argsort(-level)
    place = int(np.searchsorted(np.cumsum(seconds[highest]), least_s - 1e-6))
    return float(level[highest[min(place, len(level) - 1)]])


def _same_event(strokes: list[Stroke], end: int, first: int, near: bool, settings: GaugeSettings) -> bool:
    """Whether strokes from `first` go on with the event that ended before `end`.

    near : the strokes between were nearly over the limit
    """
    rest = sum(stroke.flowing_s for stroke in strokes[end:first])
    stood_us = strokes[first].start_us - strokes[end - 1].end_us
    brief = (rest <= REST_S or first - end <= REST_STROKES) and stood_us <= settings.idle_min * 60e6
    return near or brief
