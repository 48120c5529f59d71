"""What do the gauges of Hall Nine read that day? The script of day.py, played by two machines.

Run as `python -m tests.shop.pressures sample_streams` to write the gauge files and truth.json anew; seeds are
fixed, so every run writes the same bytes.
"""

import sys
from datetime import datetime
from pathlib import Path

import numpy as np
from rich.progress import track

from tests.shop.day import DAY, HZ, RECORD_FROM, RECORD_TO, SHOP, PumpDay, at
from tests.shop.pump import Played, Recording, play, read_gauges, truth_of
from tests.shop.pump_params import GaugeParams, PartParams, PumpParams
from tests.shop.recording import write_gauge_file
from tests.shop.script import PlantedFault, Script, Trend, Writer, change_supply, pull_work

# Nobody's machines; two that differ, as two in one hall do. Dips are wide enough to be seen at 10 Hz.
PARAMS = {
    "pump-a": PumpParams(
        base=PartParams(
            stall_psi=2650, run_psi=1900, stroke_ml=160, mixer_share=0.34, dip_share=0.14, dip_s=0.20
        ),
        catalyst=PartParams(
            stall_psi=2300, run_psi=1640, stroke_ml=20, mixer_share=0.32, dip_share=0.16, dip_s=0.19
        ),
        crosstalk=0.3,
        gauges={
            "base": GaugeParams(noise_psi=5.0, zero_psi=4.0),
            "catalyst_1": GaugeParams(noise_psi=5.0, zero_psi=-3.0),
            "catalyst_2": GaugeParams(noise_psi=5.0, zero_psi=28.0, gain=1.002),
        },
    ),
    "pump-b": PumpParams(
        base=PartParams(
            stall_psi=3150, run_psi=1980, stroke_ml=160, mixer_share=0.41, dip_share=0.12, dip_s=0.18
        ),
        catalyst=PartParams(
            stall_psi=2800,
            run_psi=1760,
            stroke_ml=20,
            mixer_share=0.40,
            dip_share=0.15,
            dip_s=0.22,
            asymmetry=0.014,
        ),
        flow_ml_s=26.0,
        crosstalk=0.3,
        gauges={
            "base": GaugeParams(noise_psi=6.0, zero_psi=-5.0),
            "catalyst_1": GaugeParams(noise_psi=6.0, zero_psi=6.0),
            "catalyst_2": GaugeParams(noise_psi=6.0, zero_psi=-26.0),
        },
    ),
}
SEEDS = {"pump-a": 1014, "pump-b": 2014}
SHIFTS = {"early": (RECORD_FROM.isoformat(), "14:00"), "late": ("14:00", RECORD_TO.isoformat())}
TREND = {"catalyst_2_high_psi": "apart", "clogging_share": "clogging"}
PURGE_S = 25.0


def seconds_of(clock: str) -> float:
    """Local wall clock as seconds from the start of the recording."""
    return (at(clock) - at(RECORD_FROM.isoformat())).total_seconds()


def script_of(day: PumpDay, rng: np.random.Generator) -> Script:
    """The day of one pump, second by second."""
    writer = Writer()
    for span in day.spans:
        writer.until("stand", seconds_of(span.start))
        end = seconds_of(span.end)
        if span.what == "off":
            writer.until("off", end)
        elif span.what == "purge":
            writer.add("purge", PURGE_S)
        elif span.what == "work":
            pull_work(writer, end, rng)
        elif span.what == "tests":
            pull_work(writer, end, rng, pull_s=(4.0, 10.0), pause_s=(20.0, 90.0))
        else:
            change_supply(writer, end, span.what.removeprefix("changeover_"), rng)
    trends = (
        Trend(TREND[d.kind], seconds_of(d.start), seconds_of(d.full), seconds_of(d.end), d.size)  # type: ignore[arg-type]
        for d in day.drifts
    )
    faults = (PlantedFault(f.kind, f.gauge, seconds_of(f.start), seconds_of(f.end)) for f in day.faults)
    return Script(tuple(writer.acts), tuple(trends), tuple(faults), _us(at(RECORD_FROM.isoformat())))


def record(pump: str) -> tuple[Recording, Played]:
    """A pump's whole day."""
    seed = SEEDS[pump]
    played = play(script_of(SHOP[pump], np.random.default_rng([seed, 0])), PARAMS[pump], seed)
    return read_gauges(played, seed, HZ), played


def ambient_csv() -> bytes:
    """The hall's own climate, a row a minute: cool at dawn, warmest in mid afternoon, drier as it warms."""
    rng = np.random.default_rng(914)
    first, last = at(RECORD_FROM.isoformat()), at(RECORD_TO.isoformat())
    minutes = np.arange(0, (last - first).total_seconds() / 60)
    hour = RECORD_FROM.hour + RECORD_FROM.minute / 60 + minutes / 60
    warm = np.cos((hour - 15.5) / 24 * 2 * np.pi)
    temp = 21.0 + 2.6 * warm + np.cumsum(rng.normal(0, 0.02, len(minutes)))
    humid = 49.0 - 8.0 * warm + np.cumsum(rng.normal(0, 0.1, len(minutes)))
    stamps = np.datetime_as_string(
        (_us(first) + (minutes * 60e6).astype(np.int64)).astype("datetime64[us]"), unit="ms"
    )
    rows = (f"{stamp}Z,{t:.1f},{h:.0f}" for stamp, t, h in zip(stamps, temp, humid, strict=True))
    return "\n".join(("ts,ambient_temp_degC,ambient_rh_pct", *rows, "")).encode()


def _us(moment: datetime) -> int:
    return round(moment.timestamp() * 1e6)


def main(folder: Path) -> None:
    """Write the day's gauge files, the climate and truth.json."""
    truths = []
    for pump in track(SHOP, description=f"Hall Nine, {DAY}"):
        recording, played = record(pump)
        shifts = []
        for shift, (start, end) in SHIFTS.items():
            part = recording.between(_us(at(start)), _us(at(end)))
            write_gauge_file(folder / f"{pump}_{shift}.csv.gz", part)
            truth = truth_of(played, seconds_of(start), seconds_of(end))
            shifts.append(f'"{shift}": {truth.to_json()}')
        truths.append(f'"{pump}": {{{",".join(shifts)}}}')
        (folder / f"{pump}_ambient.csv").write_bytes(ambient_csv())
    (folder / "truth.json").write_text("{" + ",\n".join(truths) + "}\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
