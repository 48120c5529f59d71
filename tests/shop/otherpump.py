"""A fourth pump, built another way than the other three: recordings by the laws of pistons, hoses, mixer.

`python -m tests.shop.otherpump FOLDER --seed S --recordings N --hours H` writes S.csv.gz, S.truth.json.
Development seeds are 3000 to 3899; nobody looks at 3900 and up before the last score.
"""

import argparse
import gzip
import json
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np

from tests.shop.otherpump_gauges import GAUGES, Logged, log
from tests.shop.otherpump_params import OtherPump, random_pump
from tests.shop.otherpump_physics import Played, play
from tests.shop.otherpump_plan import Plan, random_plan
from tests.shop.otherpump_truth import Truth, truth_of

PSI_TO = {"psi": (1.0, 1), "bar": (0.0689475729, 3), "kPa": (6.89475729, 1), "MPa": (0.00689475729, 4)}


@dataclass
class Told:
    """A recording, what is behind it and what is true of it."""

    pump: OtherPump
    plan: Plan
    played: Played
    logged: Logged
    truth: Truth
    start: datetime


def simulate(seed: int, hours: float) -> Told:
    """All of a recording by its seed alone."""
    rng = np.random.default_rng([seed, 0x0BEAD])
    pump = random_pump(rng)
    plan = random_plan(rng, hours)
    start = datetime(2026, 3, 2, tzinfo=UTC) + timedelta(seconds=int(rng.integers(0, 200 * 86400)))
    played = play(plan, pump, rng)
    logged = log(plan, pump, played, rng)
    return Told(pump, plan, played, logged, truth_of(plan, pump, played, logged), start)


def csv_of(told: Told, seed: int) -> str:
    """A logger's export, in the units, digits and zone that this shop happens to have."""
    rng = np.random.default_rng([seed, 0xC5])
    unit = str(rng.choice(list(PSI_TO)))
    factor, digits = PSI_TO[unit]
    zone = timezone(timedelta(hours=int(rng.integers(-8, 9)))) if rng.random() < 0.3 else UTC
    columns = {f"{name}_{unit}": (told.logged.psi[name] * factor, digits) for name in GAUGES}
    rows = len(told.logged.clock)
    if rng.random() < 0.4:
        warm = 16 + 8 * np.sin(told.logged.true / 15000) + rng.normal(0, 0.05, rows)
        columns["ambient_temp_degC"] = (warm, 1)
        columns["ambient_rh_pct"] = (70 - warm, 0)
    if rng.random() < 0.4:
        flow = np.interp(told.logged.true, told.played.at, told.played.opening)
        columns["air_bar"] = (6.2 - 0.3 * flow + rng.normal(0, 0.02, rows), 2)
    times = [
        (told.start.astimezone(zone) + timedelta(seconds=float(s))).isoformat(timespec="milliseconds")
        for s in told.logged.clock
    ]
    texts = [
        ["" if np.isnan(v) else f"{v:.{digits}f}" for v in values] for values, digits in columns.values()
    ]
    lines = [",".join(["ts", *columns])]
    lines += [",".join(row) for row in zip(times, *texts, strict=True)]
    return "\n".join(lines).replace("+00:00", "Z") + "\n"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=3000)
    parser.add_argument("--recordings", type=int, default=1)
    parser.add_argument("--hours", type=float, default=3.0)
    args = parser.parse_args()
    args.folder.mkdir(parents=True, exist_ok=True)
    for seed in range(args.seed, args.seed + args.recordings):
        told = simulate(seed, args.hours)
        # No time and no name inside, so that the same seed gives the same bytes.
        packed = gzip.compress(csv_of(told, seed).encode(), compresslevel=6, mtime=0)
        (args.folder / f"{seed}.csv.gz").write_bytes(packed)
        truth = asdict(told.truth) | {"start": told.start.isoformat(), "pump": asdict(told.pump)}
        (args.folder / f"{seed}.truth.json").write_text(json.dumps(truth, indent=1, default=float))


if __name__ == "__main__":
    main()
