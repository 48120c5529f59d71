"""Folding on from where nothing has changed must give what folding everything again gives."""

import random
from datetime import UTC, date, datetime, timedelta

import pytest

from edge.records import Correction, Record
from edge.words import ReleaseState
from pipeline.corrections import effective
from pipeline.judge.evidence import (
    BalanceSpan,
    Evidence,
    FaultSpan,
    IdleSpan,
    PumpHistory,
    Span,
    StateSpan,
    What,
    gather,
)
from pipeline.judge.release import release_spans
from pipeline.judge.resume import resume
from pipeline.judge.smears import SmearScore
from pipeline.settings import Limits, SiteSettings
from tests.shop.year import Pump

SITE = SiteSettings(name="hall-9", day_starts="04:00", time_zone="America/Chicago")
FIRST = date(2026, 1, 1)


class Judge:
    """What judging keeps of one pump: its checkpoints and its spans."""

    def __init__(self):
        self.points, self.spans, self.folded_days = {}, [], 0

    def hear(self, evidence, until, settings=SITE):
        went = resume(evidence, settings, until, self.points)
        kept = []
        if went.begun is not None:
            first = went.begun.fold.span
            kept = [span for span in self.spans if first is not None and span.start < first.start]
            self.points = {at: point for at, point in self.points.items() if at <= went.begun.at}
        else:
            self.points = {}
        self.spans = [*kept, *went.spans]
        self.points |= {point.at: point for point in went.checkpoints}
        self.folded_days = len(went.checkpoints) + 1


def known_of(things):
    def only(kind):
        return [thing for thing in things if type(thing) is kind]

    return PumpHistory(
        records=effective(thing for thing in things if isinstance(thing, Record)),
        smears=only(SmearScore),
        states=only(StateSpan),
        balance=only(BalanceSpan),
        idle=only(IdleSpan),
        purges=only(Span),
        faults=only(FaultSpan),
    )


def moment(thing):
    return (thing.end or thing.start) if isinstance(thing, Span) else thing.at


def live_through(name, seed, days, every, compared):
    """Days of one pump as they arrive, a tenth of it days late; folded on against replayed."""
    pump, rng = Pump(name, seed), random.Random(seed)
    arriving, heard, judge = {}, [], Judge()
    compared_n = released = corrections = 0
    folded = []
    for number in range(days):
        for thing in pump.day(FIRST + timedelta(days=number)):
            late = rng.randrange(1, 6) if rng.random() < 0.1 else 0
            arriving.setdefault(number + late, []).append(thing)
        new = arriving.pop(number, [])
        heard += new
        corrections += sum(isinstance(thing, Correction) for thing in new)
        if not heard or number % every:
            continue
        until = max(moment(thing) for thing in heard)
        evidence = gather(known_of(heard), name, SITE, until)
        judge.hear(evidence, until)
        folded.append(judge.folded_days)
        if number % (every * compared) == 0 or number + every >= days:
            replayed = release_spans(evidence, SITE, until)
            assert judge.spans == replayed
            compared_n += 1
            released = sum(span.state == ReleaseState.RELEASE for span in replayed)
    return compared_n, released, corrections, folded


@pytest.mark.parametrize(("name", "seed"), [("pump-a", 1), ("pump-b", 2), ("pump-c", 3)])
def test_weeks_of_days_arriving_late_are_judged_as_if_replayed(name, seed):
    compared, released, _, folded = live_through(name, seed, days=40, every=1, compared=4)
    assert compared >= 10 and released >= 10
    assert sorted(folded)[len(folded) // 2] <= 8, "most days fold on from a few days back"


@pytest.mark.slow
@pytest.mark.parametrize(("name", "seed"), [("pump-a", 11), ("pump-b", 12), ("pump-c", 13)])
def test_a_year_of_three_pumps_is_judged_as_if_replayed(name, seed):
    compared, released, corrections, folded = live_through(name, seed, days=365, every=2, compared=5)
    assert compared >= 36 and released >= 60 and corrections > 5
    assert sorted(folded)[len(folded) // 2] <= 12


def one_day():
    known = known_of(Pump("pump-a", 4).day(FIRST))
    return gather(known, "pump-a", SITE, datetime(2026, 1, 2, tzinfo=UTC))


def test_nothing_new_folds_nothing_but_the_last_day():
    evidence = gather(
        known_of(Pump("pump-a", 4).day(FIRST)), "pump-a", SITE, datetime(2026, 1, 2, tzinfo=UTC)
    )
    judge = Judge()
    until = datetime(2026, 1, 9, tzinfo=UTC)
    judge.hear(evidence, until)
    spans = judge.spans
    judge.hear(evidence, until)
    assert (judge.spans, judge.folded_days) == (spans, 1)


def test_other_settings_begin_anew():
    evidence = gather(
        known_of(Pump("pump-a", 4).day(FIRST)), "pump-a", SITE, datetime(2026, 1, 2, tzinfo=UTC)
    )
    until = datetime(2026, 1, 9, tzinfo=UTC)
    judge = Judge()
    judge.hear(evidence, until)
    other = SiteSettings(
        name="hall-9",
        day_starts="04:00",
        time_zone="America/Chicago",
        limits=Limits(rules_off=("start_of_day", "extended_stop")),
    )
    judge.hear(evidence, until, other)
    assert judge.spans == release_spans(evidence, other, until)
    assert not any("start_of_day" in span.rules for span in judge.spans)


def test_evidence_taken_back_from_the_past_is_taken_back():
    """Days one and two; on the third, the pass of day one turns out to be none."""

    def day(number):
        return datetime(2026, 3, number, 10, tzinfo=UTC)

    starts = [Evidence(at=day(n), what=What.DAY_STARTED) for n in (1, 2, 3)]
    passed = [Evidence(at=day(n) + timedelta(hours=1), what=What.SMEAR_PASSED, ref=str(n)) for n in (1, 2)]
    judge = Judge()
    judge.hear([*starts, *passed], day(3))
    judge.hear([*starts, passed[1]], day(3))
    assert judge.spans == release_spans([*starts, passed[1]], SITE, day(3))
    assert {span.state for span in judge.spans if span.start < passed[1].at} == {ReleaseState.HOLD}
