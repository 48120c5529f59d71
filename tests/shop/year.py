"""A year of an invented pump as its judge sees it: days with tests, stops, faults, trouble, and days without.

No pressures and no photographs: spans and records as analysis and landing would have left them, drawn at
random by a seed. Times are on whole seconds.
"""

import random
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from uuid import UUID

from edge.records import (
    Adjustment,
    AnyPlainRecord,
    BeadReading,
    Catch,
    Changeover,
    Correction,
    MixerChange,
    Purge,
    RatioCheck,
    ReleaseOverride,
    Service,
    SmearCall,
    SnapTime,
    UnitCleared,
    UnitFinished,
    UnitStarted,
)
from edge.words import Fault, PumpState, Verdict
from pipeline.judge.evidence import BalanceSpan, FaultSpan, IdleSpan, Span, StateSpan
from pipeline.judge.smears import SmearScore

Thing = AnyPlainRecord | Correction | SmearScore | Span


class Pump:
    """One pump's year, a day at a time."""

    def __init__(self, name: str, seed: int) -> None:
        self.name = name
        self.rng = random.Random(seed)
        self._ids = 0
        self._written: list[AnyPlainRecord] = []
        self._photos: list[SmearScore] = []

    def day(self, day: date) -> list[Thing]:
        """What happens on a day; nothing on most Sundays, and in a week of holidays."""
        if (day.weekday() == 6 and self.rng.random() < 0.9) or 214 <= day.timetuple().tm_yday < 221:
            return []
        return sorted(self._day(day), key=lambda thing: thing.start if isinstance(thing, Span) else thing.at)

    def head(self, at: datetime) -> dict[str, object]:
        self._ids += 1
        number = int(self.name.encode().hex(), 16) % 997 * 10**7 + self._ids
        return {"id": UUID(int=number), "site": "hall-9", "pump": self.name, "at": at, "by": "R. Okafor"}

    def _at(self, day: date, first_h: float, last_h: float) -> datetime:
        midnight = datetime.combine(day, datetime.min.time(), UTC)
        return midnight + timedelta(seconds=round(3600 * self.rng.uniform(first_h, last_h)))

    def _photo(self, at: datetime, good: float) -> SmearScore:
        draw = self.rng.random()
        verdict = Verdict.PASS if draw < good else Verdict.FAIL if draw < good + 0.1 else Verdict.RETAKE
        sheet = self.rng.choice([None, f"S-{self.rng.randrange(4)}"])
        photo = SmearScore(at=at, sha256=f"{self.rng.getrandbits(256):064x}", verdict=verdict, sheet=sheet)
        self._photos.append(photo)
        return photo

    def _day(self, day: date) -> Iterator[Thing]:
        rng, head = self.rng, self.head
        yield from self._gauges(day)
        if rng.random() < 0.7:
            yield MixerChange(**head(self._at(day, 5.5, 6)))
        for _ in range(rng.choice([2, 3, 4, 5, 6, 8])):
            yield self._photo(self._at(day, 6, 19), 0.86)
        for _ in range(rng.choice([0, 1, 2, 3])):
            minutes = rng.choice([42, 43, 44, 44, 45, 46, 47, 75])
            yield self._kept(SnapTime(**head(self._at(day, 6.5, 19)), minutes=minutes))
        if rng.random() < 0.3:
            grams = rng.choice([40.0, 40.1, 39.8, 44.0])
            catches = (Catch(base_g=400.0, curing_agent_g=grams),) * 3
            yield self._kept(RatioCheck(**head(self._at(day, 6, 12)), catches=catches))
        if rng.random() < 0.4:
            at = self._at(day, 7, 18)
            expires = rng.choice([None, at + timedelta(days=rng.randrange(1, 9))])
            part = rng.choice(["base", "curing_agent"])
            yield Changeover(**head(at), part=part, new_lot=f"L-{self._ids}", expires=expires)
        if rng.random() < 0.2:
            yield Purge(**head(self._at(day, 6, 19)))
        if rng.random() < 0.3:
            yield Adjustment(**head(self._at(day, 6, 19)), of="balance", did="regulator")
        if rng.random() < 0.1:
            yield Service(**head(self._at(day, 6, 19)), did="check valve")
        if rng.random() < 0.1:
            yield SmearCall(**head(self._at(day, 6, 19)), call=rng.choice(["pass", "fail"]))
        if rng.random() < 0.08:
            at = self._at(day, 6, 19)
            until = at + timedelta(hours=rng.uniform(0.2, 60))
            yield ReleaseOverride(
                **head(at), state=rng.choice(["release", "hold"]), reason="seen to", until=until
            )
        for number in range(rng.randrange(4, 10)):
            start = self._at(day, 6, 18)
            unit = f"{self.name}-{day:%m%d}-{number}"
            yield UnitStarted(**head(start), unit=unit)
            if rng.random() < 0.98:
                yield UnitFinished(**head(start + timedelta(minutes=rng.randrange(10, 50))), unit=unit)
            if rng.random() < 0.03:
                cleared = head(start + timedelta(hours=rng.randrange(1, 80)))
                yield UnitCleared(**cleared, unit=unit, reason="cut open", evidence="even")
        if rng.random() < 0.2:
            yield from self._bead(day)
        yield from self._second_thoughts(day)

    def _kept(self, record: AnyPlainRecord) -> AnyPlainRecord:
        self._written.append(record)
        return record

    def _bead(self, day: date) -> Iterator[Thing]:
        soft = self.rng.random() < 0.3
        for age_h in (24.0, 72.0):
            at = self._at(day, 10, 11) + timedelta(hours=age_h)
            for mark in range(5):
                value = 33.0 if soft and mark == 3 and (age_h < 48 or self.rng.random() < 0.5) else 40.0
                head = self.head(at + timedelta(minutes=mark))
                yield BeadReading(**head, bead=f"B-{day}", mark=str(mark), age_h=age_h, shore_a=(value,) * 3)

    def _second_thoughts(self, day: date) -> Iterator[Thing]:
        """A correction of something older, or a failing look at an older photograph."""
        rng = self.rng
        if self._written and rng.random() < 0.06:
            old = rng.choice(self._written[-40:])
            yield Correction(**self.head(self._at(day, 12, 19)), supersedes=old.id, reason="misread")
        if self._photos and rng.random() < 0.04:
            old_photo = rng.choice(self._photos[-40:])
            yield SmearCall(**self.head(self._at(day, 12, 19)), call="fail", photo=old_photo.sha256)

    def _gauges(self, day: date) -> Iterator[Span]:
        rng = self.rng
        at, end = self._at(day, 5, 6), self._at(day, 19, 22)
        silent = rng.random() < 0.1
        while at < end:
            run = at + timedelta(minutes=rng.uniform(1, 50))
            yield StateSpan(start=at, end=run, type=PumpState.DISPENSING)
            long = rng.random() < 0.1
            stop = run + timedelta(minutes=rng.uniform(31, 200) if long else rng.uniform(0.5, 15))
            kind = PumpState.NO_DATA if silent and rng.random() < 0.2 else PumpState.STALLED
            yield StateSpan(start=run, end=stop, type=kind)
            if stop - run > timedelta(minutes=5):
                late = rng.random() < 0.05
                after = timedelta(minutes=rng.uniform(5, 12) if late else rng.uniform(1, 4))
                purge = run + after if rng.random() < 0.97 else None
                done = None if purge is None else purge + timedelta(seconds=25)
                yield IdleSpan(start=run, end=stop, purged=bool(purge), purge_start=purge, purge_end=done)
                if done is not None:
                    yield Span(start=purge, end=done)
            if rng.random() < 0.005:
                yield BalanceSpan(start=at, end=run, type="out_of_balance", peak_pa=2.6e6)
            if rng.random() < 0.02:
                fault = rng.choice([Fault.STUCK, Fault.DRIFT, Fault.SPIKE])
                yield FaultSpan(start=at, end=run, gauge="catalyst_1", type=fault)
            at = stop
