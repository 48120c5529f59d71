"""What does a recording say? Joins the rooms: quality, strokes, states, balance, stops, condition."""

from typing import Final, TypeVar

import msgspec
import numpy as np

from edge.words import PRESSURE_GAUGES, Gauge
from pipeline.derive.gauges import balance, condition, idle, states, strokes, volume
from pipeline.derive.gauges.dips import APART_S, find_dips, relative_depth
from pipeline.derive.gauges.faults import check_gauges
from pipeline.derive.gauges.flow import find_flow
from pipeline.derive.gauges.frames import make_frames
from pipeline.derive.gauges.quality import Flag
from pipeline.derive.gauges.recording import BoolArray, FloatArray, IntArray, Recording
from pipeline.derive.gauges.results import BalanceEvent, Clogging, GaugeAnalysis, Part, Reversal, Stroke, Wear
from pipeline.derive.gauges.settings import GaugeSettings
from pipeline.derive.gauges.timeline import Timeline, find_timeline

Span = TypeVar("Span", bound=msgspec.Struct)

PARTS: Final[dict[Part, tuple[Gauge, ...]]] = {
    "base": (Gauge.BASE,),
    "catalyst": (Gauge.CATALYST_1, Gauge.CATALYST_2),
}


def analyse(recording: Recording, settings: GaugeSettings) -> GaugeAnalysis:
    """All that a recording says. Deterministic; looks at nothing but its arguments."""
    gauges = {g: recording.gauges[g] for g in PRESSURE_GAUGES if g in recording.gauges}
    if not len(recording.at_us):
        return _nothing()
    timeline = find_timeline(recording.at_us, np.array(list(gauges.values())).reshape(len(gauges), -1))
    return _analyse(timeline, {gauge: values[timeline.order] for gauge, values in gauges.items()}, settings)


def _nothing() -> GaugeAnalysis:
    return GaugeAnalysis([], [], [], [], [], [], [], [], [], Clogging(), None, 0, None, None)


def _analyse(timeline: Timeline, gauges: dict[Gauge, FloatArray], settings: GaugeSettings) -> GaugeAnalysis:
    end_us = int(timeline.run_us[-1])
    checked = check_gauges(timeline.run_us, gauges, settings)
    good = {g: np.where(checked[g].flags == Flag.GOOD, values, np.nan) for g, values in gauges.items()}
    frames = make_frames(timeline, good)
    count = len(frames.first)

    depth: dict[Part, FloatArray] = {}
    flow: dict[Part, BoolArray] = {}
    reversals: dict[Part, IntArray] = {}
    for part, names in PARTS.items():
        signals = [frames.signals[g] for g in names if g in frames.signals]
        if not signals:
            continue
        depth[part] = relative_depth(signals)
        dips = find_dips(depth[part], frames.count(APART_S))
        flow[part] = np.zeros(count, dtype=bool)
        for signal in signals:
            flow[part] |= find_flow(frames, signal, dips)
        reversals[part] = strokes.find_reversals(frames, depth[part], dips, flow[part])

    fluid = [frames.signals[g] for names in PARTS.values() for g in names if g in frames.signals]
    no_pressure = np.ones(count, dtype=bool)
    nothing = np.ones(count, dtype=bool)
    for signal in fluid:
        silent = np.isnan(signal.level)
        nothing &= silent
        no_pressure &= signal.no_pressure | silent
    codes = states.find_states(frames, flow.get("base"), flow.get("catalyst"), no_pressure, nothing, settings)
    least_us = settings.no_data_min_s * 1e6
    gaps = [
        (int(timeline.run_us[gap]), int(timeline.run_us[gap + 1]))
        for gap in timeline.gaps
        if timeline.run_us[gap + 1] - timeline.run_us[gap] >= least_us
    ]
    spans = states.state_spans(frames, codes, gaps, end_us)

    dispensing = codes == states.DISPENSING
    made: list[Stroke] = []
    events: list[BalanceEvent] = []
    wear: list[Wear] = []
    clogging = Clogging()
    for part, marks in reversals.items():
        numbers = strokes.stroke_numbers(frames, marks, dispensing)
        total = len(marks) + 1
        level = {g: frames.signals[g].level for g in PARTS["base"] + PARTS["catalyst"] if g in frames.signals}
        blank = np.full(count, np.nan)
        one, two = (level.get(g, blank) for g in PARTS["catalyst"])
        means = {
            "base_pa": strokes.stroke_means(level.get(Gauge.BASE, blank), numbers, total),
            "catalyst_1_pa": strokes.stroke_means(one, numbers, total),
            "catalyst_2_pa": strokes.stroke_means(two, numbers, total),
            "balance_pa": strokes.stroke_means(one - two, numbers, total),
        }
        records = strokes.make_strokes(frames, part, marks, numbers, means, end_us)
        made += records
        if not records:
            continue
        start = np.array([stroke.start_us for stroke in records])
        end = np.array([stroke.end_us for stroke in records])
        has = np.array([stroke.no - 1 for stroke in records])
        seconds = np.bincount(numbers[numbers >= 0], minlength=total)[has] * frames.seconds
        if part == "catalyst":
            events = balance.find_balance_events(start, end, seconds, means["balance_pa"][has], settings)
        whole = (has > 0) & (has < total - 1)
        pressure = means["base_pa" if part == "base" else "catalyst_1_pa"][has]
        worn = condition.find_wear(part, start[whole], end[whole], seconds[whole], pressure[whole], settings)
        wear += [worn] if worn else []
        if part == "base":
            fresh = np.zeros(int(whole.sum()), dtype=bool)
            clogging = condition.find_clogging(
                start[whole], end[whole], seconds[whole], pressure[whole], fresh, settings
            )

    faults = timeline.faults + [
        _at_recorded(fault, timeline) for checks in checked.values() for fault in checks.faults
    ]
    return GaugeAnalysis(
        states=[_at_recorded(span, timeline) for span in spans],
        reversals=sorted(
            (
                Reversal(timeline.recorded(int(frames.run_us[mark])), part)
                for part, marks in reversals.items()
                for mark in marks
            ),
            key=lambda reversal: reversal.at_us,
        ),
        strokes=[_at_recorded(stroke, timeline) for stroke in made],
        balance_events=[_at_recorded(event, timeline) for event in events],
        idle_spans=[_at_recorded(span, timeline) for span in idle.find_idle_spans(spans, settings)],
        purges=[_at_recorded(purge, timeline) for purge in idle.find_purges(spans)],
        changeovers=[],
        sensor_faults=sorted(faults, key=lambda fault: fault.start_us),
        wear=[_at_recorded(worn, timeline) for worn in wear],
        clogging=clogging,
        volume=volume.dispensed(len(reversals.get("base", ())), len(reversals.get("catalyst", ())), settings),
        samples=len(timeline.order),
        first_at_us=int(timeline.at_us[0]),
        last_at_us=int(timeline.at_us[-1]),
    )


def _at_recorded(span: Span, timeline: Timeline) -> Span:
    """The same finding at the times that the recording's clock showed."""
    if not timeline.steps:
        return span
    times = {
        name: timeline.recorded(value)
        for name, value in msgspec.structs.asdict(span).items()
        if name.endswith("_us") and value is not None
    }
    times["end_us"] = max(times["start_us"], times["end_us"])
    return msgspec.structs.replace(span, **times)
