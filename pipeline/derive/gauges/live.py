"""What does the pump do now? Rows as they come, an answer a second behind them.

All that is found so far comes from analyse.py, the same as after the fact; it is looked at every two minutes
of rows. In between only the last minutes are read, and what they say of the moment is provisional.
"""

from typing import Final

import msgspec
import numpy as np

from edge.words import PumpState
from pipeline.derive.gauges.analyse import DAY, Analyser, Reach
from pipeline.derive.gauges.idle import purge_due
from pipeline.derive.gauges.recording import Recording, joined_rows
from pipeline.derive.gauges.results import GaugeAnalysis, PurgeDue, StateSpan, Stroke
from pipeline.derive.gauges.section import read_section
from pipeline.derive.gauges.settings import GaugeSettings

LOOK_US: Final = 120_000_000
TAIL_US: Final = 300_000_000
# What the tail says of its own beginning is not taken: a level is told by what is around it.
EDGE_US: Final = 60_000_000


class Now(msgspec.Struct, frozen=True):
    """A pump at the last row.

    state, since_us : what it does, and since when; balance_pa : of the last stroke that has one, None before
    purge_due : while it stands unpurged after dispensing, else None
    """

    at_us: int
    state: PumpState
    since_us: int
    purge_due: PurgeDue | None
    balance_pa: float | None


class Live:
    """Follows a pump. Memory and work a row stay bounded, however long it is followed."""

    def __init__(self, settings: GaugeSettings, reach: Reach = DAY) -> None:
        self._settings = settings
        self._analyser = Analyser(settings, reach)
        self._tail: list[Recording] = []
        self._looked: GaugeAnalysis | None = None

    def feed(self, rows: Recording) -> None:
        """Take more rows, in the order in which they were written."""
        if not len(rows.at_us):
            return
        self._analyser.feed(rows)
        self._tail.append(rows)
        until = int(rows.at_us[-1])
        while int(self._tail[0].at_us[-1]) < until - TAIL_US:
            self._tail.pop(0)
        first = self._tail[0]
        self._tail[0] = first.part(int(np.argmax(first.at_us >= until - TAIL_US)), len(first.at_us))
        looked = None if self._looked is None else self._looked.last_at_us
        # A clock that was set back asks for another look, too.
        if looked is None or not 0 <= until - looked < LOOK_US:
            self._looked = self._analyser.findings()

    def findings(self) -> GaugeAnalysis:
        """All that is known up to the last row: what `analyse` says of these rows."""
        return self._analyser.findings()

    def now(self) -> Now | None:
        """The pump at the last row, None before the first."""
        if self._looked is None or not self._tail:
            return None
        section = read_section(joined_rows(self._tail), self._settings)
        if section.timeline.steps:
            # Times before and after a step of the clock do not go together: look at everything.
            self._looked = self._analyser.findings()
            return _now(self._looked.states, _balance(self._looked.strokes), self._settings)
        joint = max(int(section.timeline.run_us[0]) + EDGE_US, self._looked.first_at_us or 0)
        looked = [span for span in self._looked.states if span.start_us < joint]
        states = [*looked[:-1], *_until(looked[-1:], joint), *_since(section.states, joint)]
        balance = _balance(section.strokes)
        return _now(states, _balance(self._looked.strokes) if balance is None else balance, self._settings)


def _now(states: list[StateSpan], balance_pa: float | None, settings: GaugeSettings) -> Now | None:
    if not states:
        return None
    last = len(states) - 1
    while last and states[last - 1].type == states[-1].type:
        last -= 1
    return Now(
        states[-1].end_us, states[-1].type, states[last].start_us, purge_due(states, settings), balance_pa
    )


def _until(spans: list[StateSpan], at_us: int) -> list[StateSpan]:
    return [msgspec.structs.replace(span, end_us=min(span.end_us, at_us)) for span in spans]


def _since(spans: list[StateSpan], at_us: int) -> list[StateSpan]:
    later = [span for span in spans if span.end_us > at_us]
    return [msgspec.structs.replace(span, start_us=max(span.start_us, at_us)) for span in later]


def _balance(strokes: list[Stroke]) -> float | None:
    known = [s for s in strokes if s.part == "catalyst" and s.balance_pa is not None]
    return known[-1].balance_pa if known else None
