"""Did the two catalyst gauges run apart while dispensing? Judged on stroke means.

A mean over a stroke does not see a reversal's dip, and a stalled pump has no stroke. What is over within a
few seconds is a transient, not an imbalance.
"""

from typing import Final

import numpy as np

from edge.units import psi_to_pa
from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import FloatArray, IntArray
from pipeline.derive.gauges.results import BalanceEvent
from pipeline.derive.gauges.settings import GaugeSettings

# Strokes back under the limit for no longer than this, in dispensing time, do not end an event: the operator
# mends it once.
REST_S: Final = 20.0
REST_STROKES: Final = 3


def find_balance_events(
    start_us: IntArray,
    end_us: IntArray,
    dispensing_s: FloatArray,
    balance_pa: FloatArray,
    settings: GaugeSettings,
) -> list[BalanceEvent]:
    """Spans in which strokes ran apart, neighbours as one.

    start_us, end_us : (S,) [us] of each stroke's dispensing; dispensing_s : (S,) [s], how long it dispensed
    balance_pa : (S,) [Pa], NaN where not known
    """
    caution, out = psi_to_pa(settings.balance_caution_psi), psi_to_pa(settings.balance_out_psi)
    events = []
    for sign in (1.0, -1.0):
        apart = np.nan_to_num(sign * balance_pa, nan=0.0)
        for first, last in _joined(runs_of(apart > caution), start_us, end_us, dispensing_s, settings):
            over = np.flatnonzero(apart[first:last] > caution) + first
            if dispensing_s[over].sum() < settings.balance_min_s:
                continue
            peak = float(apart[over].max())
            events.append(
                BalanceEvent(
                    int(start_us[first]),
                    int(end_us[last - 1]),
                    "out_of_balance" if peak > out else "caution",
                    peak,
                )
            )
    return sorted(events, key=lambda event: event.start_us)


def _joined(
    runs: IntArray, start_us: IntArray, end_us: IntArray, dispensing_s: FloatArray, settings: GaugeSettings
) -> list[tuple[int, int]]:
    """Runs of strokes with a short rest between them as one; a stop that counts as idle parts them."""
    joined: list[tuple[int, int]] = []
    idle_us = settings.idle_min * 60e6
    for first, last in runs:
        if joined:
            rest = slice(joined[-1][1], first)
            short = dispensing_s[rest].sum() <= REST_S or first - joined[-1][1] <= REST_STROKES
            if short and start_us[first] - end_us[joined[-1][1] - 1] <= idle_us:
                joined[-1] = (joined[-1][0], int(last))
                continue
        joined.append((int(first), int(last)))
    return joined
