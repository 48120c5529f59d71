"""What do people do at the pump? Pulls of the trigger, purges, stops and changeovers, second by second.

Times are seconds from the recording's start. A script says what happens; hydraulics.py says what it costs.
"""

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

Kind = Literal["off", "stand", "pull", "purge", "cavitate", "vent", "bleed"]
FAULT_KINDS = (
    "gap",
    "missing",
    "stuck",
    "spike",
    "jump",
    "drift",
    "saturation",
    "wire_break",
    "duplicate",
    "out_of_order",
    "clock_step",
)
WHOLE_ROW = ("gap", "duplicate", "out_of_order", "clock_step")


@dataclass(frozen=True)
class Act:
    """One thing at a time, from `start` to `end`.

    off       air off, everything relieved
    stand     gun shut, pumps under air
    pull      the gun is open: both parts flow, at `flow` of the nominal
    purge     the gun is open with the catalyst valve shut: the base alone flows
    cavitate  a pull on which the pump of `part` draws its drum or pail empty
    vent      gun shut; the pump of `part` stands relieved while its drum or pail is replaced
    bleed     gun shut; the pump of `part` runs through its bleed valve, air and material mixed
    """

    kind: Kind
    start: float
    end: float
    flow: float = 1.0
    part: Literal["", "base", "catalyst"] = ""


@dataclass(frozen=True)
class Trend:
    """Ramps from 0 at `start` to `size` at `full`, gone at `end`.

    apart     psi by which catalyst_2 runs above catalyst_1 while dispensing
    clogging  share by which the mixer's loss at the same flow has grown
    """

    kind: Literal["apart", "clogging"]
    start: float
    full: float
    end: float
    size: float

    def at(self, seconds: np.ndarray) -> np.ndarray:
        """Its size at those times."""
        inside = (seconds >= self.start) & (seconds < self.end)
        return np.where(inside, np.interp(seconds, [self.start, self.full], [0.0, self.size]), 0.0)


@dataclass(frozen=True)
class PlantedFault:
    """A gauge or a logger that lies.

    size : of a spike, jump, drift, wire_break [psi]; of a saturation its ceiling, as a share of the stall
    pressure; of duplicate, out_of_order [rows]; of a clock_step [s], negative where the clock is set back
    """

    kind: str
    channel: str  # a gauge, or "all"
    start: float
    end: float
    size: float = 0.0


@dataclass(frozen=True)
class Script:
    """A stretch of a pump's life. Acts follow each other without a hole."""

    acts: tuple[Act, ...]
    trends: tuple[Trend, ...] = ()
    faults: tuple[PlantedFault, ...] = ()
    start_us: int = 1_792_000_000_000_000

    @property
    def seconds(self) -> float:
        """How long it lasts."""
        return self.acts[-1].end


@dataclass
class Writer:
    """Puts act after act."""

    acts: list[Act] = field(default_factory=list)

    @property
    def now(self) -> float:
        """Where the last act ended."""
        return self.acts[-1].end if self.acts else 0.0

    def add(self, kind: Kind, seconds: float, flow: float = 1.0, part: str = "") -> None:
        """The next act. One without length is left out."""
        if seconds > 0:
            self.acts.append(Act(kind, self.now, self.now + seconds, flow, part))  # type: ignore[arg-type]

    def until(self, kind: Kind, end: float) -> None:
        """The next act, up to a moment."""
        self.add(kind, end - self.now)


def pull_work(
    writer: Writer,
    end: float,
    rng: np.random.Generator,
    *,
    pull_s: tuple[float, float] = (5.0, 60.0),
    pause_s: tuple[float, float] = (3.0, 45.0),
    flow_spread: float = 0.12,
) -> None:
    """Pulls and pauses up to `end`, which is the end of a pull."""
    while writer.now < end:
        left = end - writer.now
        seconds, pause = rng.uniform(*pull_s), rng.uniform(*pause_s)
        flow = float(np.clip(rng.normal(1.0, flow_spread), 0.6, 1.5))
        if left < seconds + pause + pull_s[0]:
            writer.add("pull", left if left <= pull_s[1] else pull_s[1], flow)
            left = end - writer.now
            if left > 0:
                writer.add("stand", min(pause, left / 2))
            continue
        writer.add("pull", seconds, flow)
        writer.add("stand", pause)


def change_supply(writer: Writer, end: float, part: str, rng: np.random.Generator) -> None:
    """The drum or pail runs empty under the gun, is replaced, air is bled, good strokes follow up to `end`.

    The gun is shut for some 55 % of the time: less than five minutes of eight, so no purge is due.
    """
    whole = end - writer.now
    writer.add("cavitate", min(rng.uniform(25, 50), 0.2 * whole), part=part)
    writer.add("vent", 0.45 * whole, part=part)
    writer.add("bleed", min(rng.uniform(25, 60), 0.08 * whole), part=part)
    writer.add("stand", 8.0)
    pull_work(writer, end, rng, pull_s=(15.0, 40.0), pause_s=(3.0, 10.0))


def random_script(rng: np.random.Generator, hours: float, faults: bool = True) -> Script:
    """Some hours that nobody tuned on: work, breaks purged in time, too late or never, a changeover, trends
    and, if asked for, faults of gauges and logger that don't overlap."""
    writer = Writer()
    total = hours * 3600.0
    writer.add("off", rng.uniform(30, 300))
    writer.add("stand", rng.uniform(30, 240))
    writer.add("purge", rng.uniform(15, 40))
    writer.add("stand", rng.uniform(20, 200))
    changed = False
    while writer.now < total - 900:
        longest = float(rng.choice([12.0, 30.0, 60.0]))
        end = min(writer.now + rng.uniform(400, 3600), total - 400)
        pull_work(writer, end, rng, pull_s=(3.0, longest), pause_s=(2.0, float(rng.choice([15.0, 50.0]))))
        what = rng.choice(["short", "purged", "purged", "late", "never", "off", "change"])
        if what == "short":
            writer.add("stand", rng.uniform(120, 280))
        elif what == "change" and not changed:
            changed = True
            writer.add("stand", rng.uniform(5, 40))
            change_supply(
                writer, writer.now + rng.uniform(240, 480), str(rng.choice(["base", "catalyst"])), rng
            )
            writer.add("stand", rng.uniform(5, 60))
        else:
            before = rng.uniform(330, 900) if what == "late" else rng.uniform(10, 240)
            writer.add("stand", before)
            if what in ("purged", "late"):
                writer.add("purge", rng.uniform(12, 40))
            if what == "off":
                writer.add("off", rng.uniform(120, 900))
            writer.add("stand", rng.uniform(320, 1500))
    pull_work(writer, writer.now + 60, rng)
    writer.add("stand", rng.uniform(20, 100))
    script = Script(tuple(writer.acts), _random_trends(rng, writer.now))
    return replace(script, faults=_random_faults(rng, writer.now)) if faults else script


def _random_trends(rng: np.random.Generator, total: float) -> tuple[Trend, ...]:
    trends = []
    at = rng.uniform(0.1, 0.4) * total
    for _ in range(rng.integers(0, 3)):
        full = at + rng.uniform(30, 600)
        end = full + rng.uniform(180, 1500)
        if end < 0.95 * total:
            size = float(rng.choice([-1, 1]) * rng.uniform(100, 600))
            trends.append(Trend("apart", at, full, end, size))
        at = end + rng.uniform(600, 2400)
    if rng.random() < 0.4:
        start, full = rng.uniform(0.1, 0.3) * total, rng.uniform(0.6, 0.9) * total
        trends.append(Trend("clogging", start, full, total, float(rng.uniform(0.25, 0.7))))
    return tuple(trends)


def _random_faults(rng: np.random.Generator, total: float) -> tuple[PlantedFault, ...]:
    """Up to four, at least two minutes apart, and one of the logger at most."""
    faults: list[PlantedFault] = []
    logger_too = rng.random() < 0.5
    for _ in range(rng.integers(0, 5)):
        kind = str(rng.choice(FAULT_KINDS))
        if kind in WHOLE_ROW and (not logger_too or any(f.kind in WHOLE_ROW for f in faults)):
            continue
        start = float(rng.uniform(0.08, 0.85) * total)
        seconds = {
            "spike": 0.0,
            "duplicate": 0.0,
            "out_of_order": 0.0,
            "clock_step": 0.0,
            "gap": rng.uniform(2, 200),
            "drift": rng.uniform(1500, 4000),
            "jump": rng.uniform(300, 2000),
        }.get(kind, rng.uniform(15, 400))
        end = float(min(start + seconds, 0.97 * total))
        if any(start < f.end + 120 and f.start < end + 120 for f in faults):
            continue
        sign = float(rng.choice([-1, 1]))
        size = {
            "spike": sign * rng.uniform(500, 2500),
            "jump": sign * rng.uniform(150, 600),
            "drift": sign * rng.uniform(250, 700),
            "wire_break": float(rng.choice([-1250.0, -125.0])),  # 0 mA; 3.6 mA on 0..5000 psi
            "saturation": rng.uniform(0.6, 0.9),
            "duplicate": float(rng.integers(1, 20)),
            "out_of_order": float(rng.integers(2, 12)),
            "clock_step": sign * rng.uniform(2, 120),
        }.get(kind, 0.0)
        channel = "all" if kind in WHOLE_ROW else str(rng.choice(["base", "catalyst_1", "catalyst_2"]))
        faults.append(PlantedFault(kind, channel, start, end, float(size)))
    return tuple(sorted(faults, key=lambda fault: fault.start))
