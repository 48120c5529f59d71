"""Was the gun base-purged whenever the pump stood?

A stop runs from the end of dispensing to the next dispensing (or the recording's end). Only a stop that
follows dispensing counts: before it, no mixed material is known to stand in the mixer. It counts from the
limit on (5 min), and is `purged` if a base purge began within the limit of its start. A later purge is
reported with its times, and the stop is not purged: the material had stood too long by then.

Nothing recorded is not a stop by itself, but a stop in which it stood before and after goes on through it.
"""

from edge.words import PumpState
from pipeline.derive.gauges.results import IdleSpan, Purge, PurgeDue, StateSpan
from pipeline.derive.gauges.settings import GaugeSettings


def find_purges(states: list[StateSpan]) -> list[Purge]:
    """Each base purge."""
    return [Purge(span.start_us, span.end_us) for span in states if span.type == PumpState.PURGING]


def find_idle_spans(states: list[StateSpan], settings: GaugeSettings) -> list[IdleSpan]:
    """Stops longer than the limit."""
    limit_us = round(settings.idle_min * 60e6)
    spans = []
    for stop in _stops(states):
        start, end = stop[0].start_us, stop[-1].end_us
        if end - start <= limit_us:
            continue
        purge = next((span for span in stop if span.type == PumpState.PURGING), None)
        spans.append(
            IdleSpan(
                start,
                end,
                purged=purge is not None and purge.start_us - start <= limit_us,
                purge_start_us=purge.start_us if purge else None,
                purge_end_us=purge.end_us if purge else None,
            )
        )
    return spans


def purge_due(states: list[StateSpan], settings: GaugeSettings) -> PurgeDue | None:
    """When a purge is due, of a pump that stands at the recording's end and was not purged; else None.

    A time that is past stays: the purge is still due.
    """
    if not states or states[-1].type in (PumpState.DISPENSING, PumpState.PURGING):
        return None
    stop: list[StateSpan] = []
    for span in reversed(states):
        if span.type == PumpState.PURGING:
            return None
        if span.type == PumpState.DISPENSING:
            since = stop[-1].start_us
            return PurgeDue(since, since + round(settings.idle_min * 60e6))
        stop.append(span)
    return None


def _stops(states: list[StateSpan]) -> list[list[StateSpan]]:
    """What lies between dispensings, without unrecorded time at either end."""
    stops: list[list[StateSpan]] = []
    dispensed = False
    for span in states:
        if span.type == PumpState.DISPENSING:
            dispensed = True
            stops.append([])
        elif dispensed:
            stops[-1].append(span)
    trimmed = []
    for stop in stops:
        while stop and stop[0].type == PumpState.NO_DATA:
            stop.pop(0)
        while stop and stop[-1].type == PumpState.NO_DATA:
            stop.pop()
        if stop:
            trimmed.append(stop)
    return trimmed
