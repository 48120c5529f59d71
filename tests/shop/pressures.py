"""What do the gauges of Hall Nine read that day? The script of day.py, played through pump.py.

Run as `python -m tests.shop.pressures sample_streams` to write the files anew; seeds are fixed, so every run
writes the same bytes.
"""

import gzip
import io
import itertools
import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from tests.shop.day import HZ, RECORD_FROM, RECORD_TO, SHOP, PumpDay, at
from tests.shop.lumped_pump import STEP_S, Array, Gauges, PartParams, Pulls, PumpParams, pressures, sample

# Nobody's machine; two that differ, as two in one hall do.
PARAMS = {
    "pump-a": PumpParams(
        base=PartParams(stall_psi=2650, line_psi=1250, mixer_psi=650, stroke_ml=160, share=10 / 11),
        catalyst=PartParams(stall_psi=2300, line_psi=1050, mixer_psi=560, stroke_ml=20, share=1 / 11),
    ),
    "pump-b": PumpParams(
        base=PartParams(
            stall_psi=3150, line_psi=1150, mixer_psi=800, stroke_ml=160, share=10 / 11, dip_s=0.18
        ),
        catalyst=PartParams(
            stall_psi=2800, line_psi=1000, mixer_psi=690, stroke_ml=20, share=1 / 11, dip_s=0.22
        ),
        flow_ml_s=26.0,
        offset_psi=-40.0,
    ),
}
SEEDS = {"pump-a": 1014, "pump-b": 2014}
BETWEEN_SHIFTS = "14:00"


def _step(clock: str) -> int:
    return round((at(clock) - at(RECORD_FROM.isoformat())).total_seconds() / STEP_S)


def pulls_of(day: PumpDay, params: PumpParams, rng: np.random.Generator) -> Pulls:
    """The gun, the purges and the catalyst's supply over the day."""
    count = _step(RECORD_TO.isoformat())
    pulls = Pulls(
        np.zeros(count), np.zeros(count, bool), np.zeros(count, bool), np.zeros(count), np.zeros(count, bool)
    )

    def pull(start: int, seconds: float, flow: float | None = None) -> int:
        end = start + round(seconds / STEP_S)
        strength = rng.normal(1, params.flow_spread) if flow is None else flow
        pulls.flow[start:end] = np.clip(strength, 0.6, 1.5)
        return end

    for span in day.spans:
        start, end = _step(span.start), _step(span.end)
        if span.what == "off":
            pulls.off[start:end] = True
        elif span.what == "purge":
            done = pull(start, 25.0, 1.0)
            pulls.purge[start:done] = True
        elif span.what in ("work", "tests"):
            length, pause = ((5.0, 60.0), (3.0, 45.0)) if span.what == "work" else ((4.0, 10.0), (20.0, 90.0))
            step = start
            while step < end:
                left = (end - step) * STEP_S
                seconds = min(rng.uniform(*length), left)
                rest = rng.uniform(*pause)
                if left - seconds - rest < length[0]:
                    # The last pull ends with the span: the stop after it is as long as the script says.
                    step = end - round(min(length[0], left) / STEP_S) if left - seconds > length[0] else step
                    pull(step, (end - step) * STEP_S)
                    break
                step = pull(step, seconds) + round(rest / STEP_S)
        elif span.what == "changeover_catalyst":
            _change_pail(pulls, pull, start, end)
        else:
            raise ValueError(f"nobody has taught the simulator {span.what}")
    return pulls


def _change_pail(pulls: Pulls, pull: Any, start: int, end: int) -> None:
    """The pail runs empty under the gun, is replaced, air is bled, and the first good strokes follow."""
    dry = pull(start, 40.0, 1.0)
    pulls.ragged[start:dry] = True
    bleed = end - round(200.0 / STEP_S)
    pulls.starved[dry:bleed] = 1.0
    step = bleed
    for _ in range(3):
        done = pull(step, 9.0, 0.9)
        pulls.ragged[step:done] = True
        step = done + round(6.0 / STEP_S)
    pull(step, (end - step) * STEP_S, 1.0)


def record(pump: str) -> Gauges:
    """A pump's whole day: its gauges and the truth."""
    day, params = SHOP[pump], PARAMS[pump]
    rng = np.random.default_rng(SEEDS[pump])
    pulls = pulls_of(day, params, rng)
    clogging, apart = np.zeros(len(pulls.flow)), np.zeros(len(pulls.flow))
    for drift in day.drifts:
        start, full, end = _step(drift.start), _step(drift.full), _step(drift.end)
        shape = np.interp(np.arange(len(pulls.flow)), [start, full, end, end + 1], [0, 1, 1, 0]) * drift.size
        if drift.kind == "clogging_share":
            clogging += shape
        else:
            apart += shape
    signals, turns = pressures(pulls, params, clogging, apart, rng)
    gauges = sample(signals, params, HZ, _us(at(RECORD_FROM.isoformat())), rng)
    for fault in day.faults:
        first, last = (np.searchsorted(gauges.at_us, _us(at(clock))) for clock in (fault.start, fault.end))
        gauges.psi[fault.gauge][first:last] = gauges.psi[fault.gauge][first]
    gauges.truth = _truth(pulls, turns, params, signals["catalyst_1"], apart, day)
    return gauges


def _truth(
    pulls: Pulls, turns: dict[str, Any], params: PumpParams, catalyst_1: Array, apart: Array, day: PumpDay
) -> dict[str, Any]:
    state = np.full(len(pulls.flow), "stalled", dtype="U10")
    state[pulls.flow > 0] = "dispensing"
    state[pulls.purge] = "purging"
    state[pulls.off] = "off"
    edges = [0, *(np.flatnonzero(state[1:] != state[:-1]) + 1), len(state)]
    states = [{"start": _iso(a), "end": _iso(b), "type": str(state[a])} for a, b in itertools.pairwise(edges)]
    flowing = np.flatnonzero(state == "dispensing")
    idle = []
    for before, after in itertools.pairwise(flowing):
        if (after - before) * STEP_S > 300:
            purge = np.flatnonzero(pulls.purge[before:after])
            in_time = len(purge) > 0 and purge[0] * STEP_S <= 300
            idle.append(
                {
                    "start": _iso(before + 1),
                    "end": _iso(after),
                    "purged": bool(in_time),
                    "purge_start": _iso(before + purge[0]) if len(purge) else None,
                    "purge_end": _iso(before + purge[-1] + 1) if len(purge) else None,
                }
            )
    flow = np.where((pulls.flow > 0) & ~pulls.purge, pulls.flow, 0.0) * params.flow_ml_s * STEP_S
    through = np.where(pulls.flow > 0, pulls.flow, 0.0) * params.flow_ml_s * STEP_S
    return {
        "states": states,
        "reversals": sorted(
            ({"at": _iso(step), "pump": part} for part, steps in turns.items() for step in steps),
            key=lambda turn: turn["at"],
        ),
        "idle_spans": idle,
        "changeovers": [
            {"start": _iso(_step(s.start)), "end": _iso(_step(s.end))}
            for s in day.spans
            if "change" in s.what
        ],
        "sensor_faults": [
            {"start": _iso(_step(f.start)), "end": _iso(_step(f.end)), "channel": f.gauge, "type": f.kind}
            for f in day.faults
        ],
        "strokes": {part: len(steps) for part, steps in turns.items()},
        "dispensed_l": {
            "base": float(through.sum() * params.base.share / 1000),
            "catalyst": float(flow.sum() * params.catalyst.share / 1000),
        },
    }


def _us(moment: datetime) -> int:
    return round(moment.timestamp() * 1e6)


def _iso(step: int) -> str:
    moment = at(RECORD_FROM.isoformat()) + timedelta(seconds=float(step) * STEP_S)
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def write_gauge_file(path: Path, gauges: Gauges, first: int = 0, last: int | None = None) -> None:
    """A logger's export in psi, gzipped, the same bytes each time."""
    text = io.StringIO()
    text.write("ts," + ",".join(f"{name}_psi" for name in gauges.psi) + "\n")
    stamps = np.datetime_as_string(gauges.at_us[first:last].astype("datetime64[us]"), unit="ms")
    columns = [values[first:last].astype(int).astype(str) for values in gauges.psi.values()]
    text.writelines(f"{row[0]}Z,{','.join(row[1:])}\n" for row in zip(stamps, *columns, strict=True))
    with path.open("wb") as raw, gzip.GzipFile("", "wb", 9, raw, mtime=0) as file:
        file.write(text.getvalue().encode())


def main(folder: Path) -> None:
    truth = {}
    for pump in SHOP:
        gauges = record(pump)
        cut = int(np.searchsorted(gauges.at_us, _us(at(BETWEEN_SHIFTS))))
        for shift, first, last in (("early", 0, cut), ("late", cut, None)):
            path = folder / f"{pump}_{shift}.csv.gz"
            write_gauge_file(path, gauges, first, last)
            print(path, path.stat().st_size)
        truth[pump] = gauges.truth
    text = json.dumps(truth, separators=(",", ":")).encode()
    with (folder / "truth.json.gz").open("wb") as raw, gzip.GzipFile("", "wb", 9, raw, mtime=0) as file:
        file.write(text)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
