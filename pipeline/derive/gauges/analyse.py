"""What does a recording say, of any length, as it comes or afterwards? Bounded stretches, joined.

A recording is read in stretches of a day at most, each with some time around it, cut where nothing flows.
What is learnt is learnt within a stretch, so an answer does not hang on how long the recording is; where the
cuts lie hangs on the rows alone, so it does not matter in how many pieces they came: rows fed one by one and
a whole file give the same, by the same code.
"""

from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np

from pipeline.derive.gauges import balance, idle, volume
from pipeline.derive.gauges.joining import Finding, Joined, join, quiet_cut
from pipeline.derive.gauges.parts import PARTS
from pipeline.derive.gauges.recording import Recording, joined_rows
from pipeline.derive.gauges.results import GaugeAnalysis
from pipeline.derive.gauges.section import Section, read_section
from pipeline.derive.gauges.settings import GaugeSettings
from pipeline.derive.gauges.timeline import recorded_at

# An offset is read again from so long before it began.
BEFORE_OFFSET_US: Final = 600_000_000


@dataclass(frozen=True)
class Reach:
    """How long a stretch is, and what is read around it.

    least_s, most_s : [s], between which it is cut; before_s, ahead_s : [s], what is read around it
    offset_s : [s], how far back an offset that still lasts is read again; longer is the gauge's new zero
    least_rows, most_rows : a stretch of fewer rows is not cut, one of more is whatever its time
    """

    least_s: float = 20 * 3600.0
    most_s: float = 24 * 3600.0
    before_s: float = 3600.0
    ahead_s: float = 3600.0
    offset_s: float = 24 * 3600.0
    least_rows: int = 20_000
    most_rows: int = 2_500_000

    @property
    def needs_us(self) -> int:
        """How much must have been recorded before a stretch can be cut off."""
        return round((self.most_s + self.ahead_s) * 1e6)


DAY: Final = Reach()


class Analyser:
    """Takes rows as they come, keeps a bounded number of them, and says at any time what they say."""

    def __init__(self, settings: GaugeSettings, reach: Reach = DAY) -> None:
        self._settings = settings
        self._reach = reach
        self._kept: list[Recording] = []
        self._known = 0  # of the rows kept, how many are settled and only kept for what comes after them
        self._rows = 0
        self._first_us = 0
        self._high_us = 0
        self._done = Joined()

    @property
    def rows_kept(self) -> int:
        """Rows in memory."""
        return self._rows

    def feed(self, rows: Recording) -> None:
        """Take more rows, in the order in which they were written."""
        if not len(rows.at_us):
            return
        if self._rows == self._known:
            self._first_us = self._high_us = int(rows.at_us[0])
        self._kept.append(rows)
        self._rows += len(rows.at_us)
        self._high_us = max(self._high_us, int(rows.at_us.max()))
        while self._may_settle() and self._settle():
            pass

    def findings(self) -> GaugeAnalysis:
        """All that was fed so far says, as of a recording that ends here."""
        if self._rows == self._known:
            return concluded(self._done, self._settings)
        section = read_section(self.kept(), self._settings)
        first = _place(section, self._known)
        last = len(section.timeline.run_us)
        if first == last:
            return concluded(self._done, self._settings)
        return concluded(join(self._done, section, first, last, self._settings), self._settings)

    def kept(self) -> Recording:
        """The rows in memory."""
        if len(self._kept) > 1:
            self._kept = [joined_rows(self._kept)]
        return self._kept[0]

    def _may_settle(self) -> bool:
        fresh = self._rows - self._known
        long = fresh >= self._reach.least_rows and self._high_us - self._first_us >= self._reach.needs_us
        return long or fresh >= self._reach.most_rows

    def _settle(self) -> bool:
        """Commit a stretch that nothing to come can change. Returns whether there was one."""
        kept = self.kept()
        high = np.maximum.accumulate(kept.at_us[self._known :][: self._reach.most_rows])
        long_at = int(np.searchsorted(high, high[0] + self._reach.needs_us))
        end = self._known + min(max(long_at + 1, self._reach.least_rows), self._reach.most_rows)
        if end > self._rows:
            return False
        section = read_section(kept.part(0, end), self._settings)
        line = section.timeline
        first = _place(section, self._known)
        # Of a recording with very many rows, the same shares of what there is.
        spans_us = int(line.run_us[-1] - line.run_us[first]) if first < len(line.run_us) else 0
        share = min(1.0, spans_us / self._reach.needs_us) * 1e6
        cut = quiet_cut(section, first, round(self._reach.least_s * share), round(self._reach.most_s * share))
        if first < cut:
            self._done = join(self._done, section, first, cut, self._settings)
        self._drop(section, end if cut >= len(line.run_us) else int(line.order[cut]), cut)
        return True

    def _drop(self, section: Section, settled: int, cut: int) -> None:
        """Forget rows that nothing to come needs. settled : rows; cut : place in the timeline"""
        line, reach = section.timeline, self._reach
        until = int(line.run_us[min(cut, len(line.run_us) - 1)])
        since = until - round(reach.before_s * 1e6)
        lasting = [start for start, end in section.offsets if start < until <= end]
        if lasting:
            since = max(min(since, min(lasting) - BEFORE_OFFSET_US), until - round(reach.offset_s * 1e6))
        start = int(line.order[np.searchsorted(line.run_us, since)])
        start = min(max(start, settled - reach.most_rows), settled)
        kept = self.kept()
        self._kept = [kept.part(start, self._rows)]
        self._rows -= start
        self._known = settled - start
        fresh = kept.at_us[settled:]
        if len(fresh):
            self._first_us, self._high_us = int(fresh[0]), int(fresh.max())


def analyse(recording: Recording, settings: GaugeSettings, reach: Reach = DAY) -> GaugeAnalysis:
    """All that a recording says. Looks at nothing but its arguments: the same in, the same out.

    recording : pressures [Pa]; gauges may be missing, of the recording's or for a while
    """
    analyser = Analyser(settings, reach)
    analyser.feed(recording)
    return analyser.findings()


def _place(section: Section, row: int) -> int:
    """The first place in a section's timeline that is of this row or a later one."""
    order = section.timeline.order
    later = order >= row
    return int(np.argmax(later)) if later.any() else len(order)


def concluded(joined: Joined, settings: GaugeSettings) -> GaugeAnalysis:
    """What follows from strokes and states: balance, stops, volumes. At recorded times, in order."""
    steps = list(joined.steps)
    states = list(joined.states)
    catalyst = [stroke for stroke in joined.strokes if stroke.part == "catalyst"]
    of_parts = [reversal.part for reversal in joined.reversals]
    turns = {part: of_parts.count(part) for part in PARTS}

    def recorded(found: list[Finding]) -> list[Finding]:
        return [_recorded(one, steps) for one in found] if steps else found

    purges = idle.find_purges(states)
    due = idle.purge_due(states, settings)
    ratios = volume.ratio_by_strokes(list(joined.reversals), states, purges, settings)
    clogging = msgspec.structs.replace(joined.clogging, spans=recorded(joined.clogging.spans))
    faults = recorded(list(joined.faults)) + list(joined.recorded_faults)
    return GaugeAnalysis(
        states=recorded(states),
        reversals=recorded(list(joined.reversals)),
        strokes=recorded(list(joined.strokes)),
        balance_events=recorded(balance.find_balance_events(catalyst, settings)),
        idle_spans=recorded(idle.find_idle_spans(states, settings)),
        purges=recorded(purges),
        changeovers=recorded(list(joined.changeovers)),
        sensor_faults=sorted(faults, key=lambda fault: fault.start_us),
        wear=recorded(list(joined.wear)),
        clogging=clogging,
        volume=volume.dispensed(turns["base"], turns["catalyst"], settings),
        volume_ratio=recorded(ratios),
        leaks=recorded(list(joined.leaks)),
        purge_due=None if due is None else _recorded(due, steps),
        samples=joined.samples,
        first_at_us=joined.first_at_us,
        last_at_us=joined.last_at_us,
    )


def _recorded(one: Finding, steps: list[tuple[int, int]]) -> Finding:
    times = {
        name: recorded_at(steps, value)
        for name, value in msgspec.structs.asdict(one).items()
        if name.endswith("_us") and value is not None
    }
    if "end_us" in times:
        times["end_us"] = max(times["start_us"], times["end_us"])
    return msgspec.structs.replace(one, **times)
