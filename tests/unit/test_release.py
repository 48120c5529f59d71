"""May the pump make units? A table of situations, and properties that hold for any evidence.

The rules are the site's common practice (no published source); each row says in words what a quality lead
would answer, and was written before the rules were run on it.
"""

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs

from edge.records import (
    Adjustment,
    Catch,
    Changeover,
    Correction,
    MixerChange,
    Purge,
    RatioCheck,
    Record,
    ReleaseOverride,
    Service,
    SmearCall,
    SnapTime,
)
from edge.units import psi_to_pa
from edge.words import Fault, PumpState, ReleaseState, Verdict
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
from pipeline.judge.release import ReleaseSpan, release_spans, standing, state_at
from pipeline.judge.rules import NEEDS_WORDS, RULES
from pipeline.judge.smears import SmearScore
from pipeline.settings import Limits, SiteSettings

# What is looked at here is not the snap time that a shop owes each mix: that rule has situations of its own.
SNAP_NOT_OWED = Limits(rules_off=("snap_awaited",))
SITE = SiteSettings(name="hall-9", day_starts="04:00", limits=SNAP_NOT_OWED)
DAY = date(2026, 10, 14)


def t(clock: str) -> datetime:
    return datetime.fromisoformat(f"{DAY}T{clock}").replace(tzinfo=UTC)


_count = iter(range(1, 1_000_000))


def head(clock: str, by: str = "R. Okafor") -> dict[str, Any]:
    return {"id": UUID(int=next(_count)), "site": "hall-9", "pump": "pump-a", "at": t(clock), "by": by}


def photo(clock: str, verdict: str = "pass", sheet: str | None = None, digest: str | None = None):
    return SmearScore(
        at=t(clock), sha256=digest or f"{next(_count):064x}", verdict=Verdict(verdict), sheet=sheet
    )


def call(clock: str, verdict: str, sheet: str | None = None, of: str | None = None):
    return SmearCall(**head(clock), call=verdict, sheet=sheet, photo=of)


def override(clock: str, state: str, until: str, by: str = "The lead"):
    return ReleaseOverride(**head(clock, by), state=state, reason="seen to by hand", until=t(until))


def work(start: str, end: str):
    return StateSpan(start=t(start), end=t(end), type=PumpState.DISPENSING)


def stand(start: str, end: str, kind: PumpState = PumpState.STALLED):
    return StateSpan(start=t(start), end=t(end), type=kind)


def out(start: str, end: str | None):
    return BalanceSpan(
        start=t(start), end=t(end) if end else None, type="out_of_balance", peak_pa=psi_to_pa(380)
    )


def idle(start: str, end: str, purge: str | None = None):
    begun = t(purge) if purge else None
    return IdleSpan(
        start=t(start),
        end=t(end),
        purged=bool(purge),
        purge_start=begun,
        purge_end=begun + timedelta(seconds=25) if begun else None,
    )


def fault(start: str, end: str, gauge: str = "catalyst_1", kind: Fault = Fault.STUCK):
    return FaultSpan(start=t(start), end=t(end), gauge=gauge, type=kind)


def pail(clock: str, expires: datetime | None = None):
    return Changeover(**head(clock), part="curing_agent", new_lot="C-2", expires=expires)


def snap(clock: str, minutes: float):
    return SnapTime(**head(clock), minutes=minutes)


def ratio(clock: str, base_g: float, curing_agent_g: float):
    return RatioCheck(**head(clock), catches=(Catch(base_g=base_g, curing_agent_g=curing_agent_g),) * 3)


def history(*happened: Any) -> PumpHistory:
    """What happened, sorted into where it is kept. Works from 05:00 to 20:00 unless states are given."""

    def only(kind: Any) -> tuple[Any, ...]:
        return tuple(thing for thing in happened if type(thing) is kind)

    return PumpHistory(
        records=effective([thing for thing in happened if isinstance(thing, Record)]),
        smears=only(SmearScore),
        states=only(StateSpan) or (work("05:00", "20:00"),),
        balance=only(BalanceSpan),
        idle=only(IdleSpan),
        purges=only(Span),
        faults=only(FaultSpan),
    )


def spans_of(*happened: Any, site: SiteSettings = SITE, until: str = "20:00"):
    return release_spans(gather(history(*happened), "pump-a", site, t(until)), site, t(until))


def rules_at(clock: str, *happened: Any, site: SiteSettings = SITE) -> set[str]:
    """Rules that hold at a moment; empty while released."""
    span = state_at(spans_of(*happened, site=site), t(clock))
    assert span is not None
    assert (span.state == ReleaseState.HOLD) == bool(span.rules and "released_by_person" not in span.rules)
    return set(span.rules)


GOOD = photo("06:10")
EXPIRED = t("12:00")
SHEET_PASS = "a" * 64
HOURS_ON = datetime(2026, 10, 20, tzinfo=UTC)

SITUATIONS = [
    ("nothing tested yet", "06:00", [], {"start_of_day"}),
    ("the smear test of the day has passed", "06:11", [GOOD], set()),
    ("it passed yesterday only", "06:00", [photo("03:30")], {"start_of_day"}),
    ("a retake is no pass", "06:11", [photo("06:10", "retake")], {"start_of_day"}),
    ("a retake is no fail", "07:00", [GOOD, photo("06:50", "retake")], set()),
    ("a pass by eye alone is no pass", "06:11", [call("06:10", "pass")], {"start_of_day"}),
    ("a fail by eye holds", "07:00", [GOOD, call("06:50", "fail")], {"smear_failed"}),
    (
        "a fail by eye holds though the camera passes the same sample later",
        "07:00",
        [GOOD, call("06:50", "fail"), photo("06:53")],
        {"smear_failed"},
    ),
    (
        "a fail by eye of a named photograph takes back its pass",
        "06:11",
        [photo("06:10", digest=SHEET_PASS), call("06:40", "fail", of=SHEET_PASS)],
        {"start_of_day"},
    ),
    (
        "another sheet is another sample",
        "07:00",
        [GOOD, call("06:50", "fail", sheet="S-1"), photo("06:53", sheet="S-2")],
        set(),
    ),
    ("a new sample later passes", "07:00", [GOOD, call("06:50", "fail"), photo("06:58")], set()),
    ("one smear failed", "07:00", [GOOD, photo("06:50", "fail")], {"smear_failed"}),
    (
        "camera and eye fail one sample: failed once",
        "07:00",
        [GOOD, photo("06:50", "fail"), call("06:51", "fail")],
        {"smear_failed"},
    ),
    (
        "two samples failed in a row",
        "07:20",
        [GOOD, photo("06:50", "fail"), photo("07:10", "fail")],
        {"smear_failed", "smear_failed_twice"},
    ),
    (
        "failed twice, then passed without work on the mixer",
        "07:40",
        [GOOD, photo("06:50", "fail"), photo("07:10", "fail"), photo("07:30")],
        {"smear_failed_twice"},
    ),
    (
        "failed twice, mixer replaced, not yet passed",
        "07:25",
        [GOOD, photo("06:50", "fail"), photo("07:10", "fail"), MixerChange(**head("07:20"))],
        {"smear_failed", "smear_failed_twice", "mixer_change"},
    ),
    (
        "failed twice, mixer replaced, passed",
        "07:40",
        [GOOD, photo("06:50", "fail"), photo("07:10", "fail"), MixerChange(**head("07:20")), photo("07:30")],
        set(),
    ),
    (
        "failed twice, serviced, passed",
        "07:40",
        [
            *[GOOD, photo("06:50", "fail"), photo("07:10", "fail")],
            *[Service(**head("07:20"), did="seated the elements"), photo("07:30")],
        ],
        set(),
    ),
    (
        "failed, passed, failed is not twice in a row",
        "07:40",
        [photo("06:10", "fail"), photo("06:50"), photo("07:30", "fail")],
        {"smear_failed"},
    ),
    ("changeover", "09:00", [GOOD, pail("08:00")], {"changeover"}),
    ("changeover, then passed", "09:00", [GOOD, pail("08:00"), photo("08:30")], set()),
    ("changeover and pass in one minute", "09:00", [GOOD, pail("08:00"), photo("08:00")], {"changeover"}),
    ("mixer change", "09:00", [GOOD, MixerChange(**head("08:00"))], {"mixer_change"}),
    ("mixer change, then passed", "09:00", [GOOD, MixerChange(**head("08:00")), photo("08:30")], set()),
    ("snap time in limits", "09:00", [GOOD, snap("08:00", 45)], set()),
    ("snap time at its limit", "09:00", [GOOD, snap("08:00", 60)], set()),
    ("snap time too long", "09:00", [GOOD, snap("08:00", 61)], {"snap_out_of_limits"}),
    ("snap time too short", "09:00", [GOOD, snap("08:00", 29)], {"snap_out_of_limits"}),
    (
        "a passing smear clears no snap time",
        "09:00",
        [GOOD, snap("08:00", 61), photo("08:30")],
        {"snap_out_of_limits"},
    ),
    ("snap time taken again, in limits", "09:00", [GOOD, snap("08:00", 61), snap("08:50", 50)], set()),
    ("ratio within 5 %", "09:00", [GOOD, ratio("08:00", 400, 38.2)], set()),
    ("ratio 10 % off", "09:00", [GOOD, ratio("08:00", 440, 40)], {"ratio_out"}),
    ("ratio off, then within", "09:00", [GOOD, ratio("08:00", 440, 40), ratio("08:30", 400, 40)], set()),
    ("balance out", "08:40", [GOOD, out("08:36", "09:00")], {"out_of_balance"}),
    (
        "balance came back by itself",
        "10:00",
        [GOOD, out("08:36", "09:00"), photo("09:30")],
        {"out_of_balance"},
    ),
    (
        "balance adjusted, not tested",
        "10:00",
        [GOOD, out("08:36", "09:00"), Adjustment(**head("08:59"), of="balance", did="regulator")],
        {"out_of_balance"},
    ),
    (
        "balance adjusted and tested",
        "10:00",
        [
            GOOD,
            out("08:36", "09:00"),
            Adjustment(**head("08:59"), of="balance", did="regulator"),
            photo("09:06"),
        ],
        set(),
    ),
    (
        "tested before it was adjusted",
        "10:00",
        [
            GOOD,
            out("08:36", "09:00"),
            photo("09:06"),
            Adjustment(**head("09:10"), of="balance", did="regulator"),
        ],
        {"out_of_balance"},
    ),
    (
        "something else adjusted",
        "10:00",
        [GOOD, out("08:36", "09:00"), Adjustment(**head("08:59"), of="ratio", did="cam"), photo("09:06")],
        {"out_of_balance"},
    ),
    (
        "balance still out",
        "10:00",
        [
            GOOD,
            out("08:36", None),
            Adjustment(**head("08:59"), of="balance", did="regulator"),
            photo("09:06"),
        ],
        {"out_of_balance"},
    ),
    (
        "a caution holds nothing",
        "08:40",
        [GOOD, BalanceSpan(start=t("08:30"), end=t("08:50"), type="caution", peak_pa=psi_to_pa(250))],
        set(),
    ),
    ("stood, purge not yet due", "11:34", [GOOD, idle("11:30", "12:10")], set()),
    ("stood, purge missed", "11:36", [GOOD, idle("11:30", "12:10")], {"unpurged_stop"}),
    (
        "purge missed, tested without a purge",
        "12:20",
        [GOOD, idle("11:30", "12:10"), photo("12:16")],
        {"unpurged_stop"},
    ),
    (
        "purge missed, purged late, tested",
        "12:20",
        [GOOD, idle("11:30", "12:10"), Purge(**head("12:11")), photo("12:16")],
        set(),
    ),
    (
        "a purge that did not run white is none",
        "12:20",
        [GOOD, idle("11:30", "12:10"), Purge(**head("12:11"), ran_white=False), photo("12:16")],
        {"unpurged_stop"},
    ),
    (
        "purge missed, the gauges saw a purge",
        "12:20",
        [GOOD, idle("11:30", "12:10"), Span(start=t("12:10"), end=t("12:11")), photo("12:16")],
        set(),
    ),
    ("purged in time", "11:50", [GOOD, idle("11:30", "11:55", purge="11:32")], set()),
    ("purged too late", "11:50", [GOOD, idle("11:30", "11:55", purge="11:40")], {"unpurged_stop"}),
    (
        "a stop of 30 min",
        "10:00",
        [GOOD, work("05:00", "09:00"), stand("09:00", "09:30"), work("09:30", "20:00")],
        set(),
    ),
    (
        "a stop of 31 min",
        "10:00",
        [GOOD, work("05:00", "09:00"), stand("09:00", "09:31"), work("09:31", "20:00")],
        {"extended_stop"},
    ),
    (
        "an extended stop, tested",
        "10:00",
        [GOOD, work("05:00", "09:00"), stand("09:00", "09:31"), work("09:31", "20:00"), photo("09:40")],
        set(),
    ),
    (
        "still standing",
        "19:00",
        [GOOD, work("05:00", "18:00"), stand("18:00", "20:00")],
        {"extended_stop"},
    ),
    ("a gauge stuck", "10:25", [GOOD, fault("10:20", "10:32")], {"gauge_failed"}),
    ("the gauge reads again", "10:33", [GOOD, fault("10:20", "10:32")], set()),
    ("a spike is no failed gauge", "10:25", [GOOD, fault("10:20", "10:32", kind=Fault.SPIKE)], set()),
    ("the air gauge holds nothing", "10:25", [GOOD, fault("10:20", "10:32", gauge="air")], set()),
    ("a second without reading", "10:20:01", [GOOD, fault("10:20", "10:20:02", kind=Fault.MISSING)], set()),
    (
        "one fault ends while another lasts",
        "10:33",
        [GOOD, fault("10:20", "10:32"), fault("10:25", "10:40", gauge="base")],
        {"gauge_failed"},
    ),
    (
        "a fault while there is no pressure",
        "09:20",
        [
            GOOD,
            work("05:00", "09:10"),
            stand("09:10", "09:30", PumpState.OFF),
            work("09:30", "20:00"),
            fault("09:15", "09:25"),
        ],
        set(),
    ),
    (
        "gauges silent",
        "09:20",
        [GOOD, work("05:00", "09:10"), stand("09:10", "09:30", PumpState.NO_DATA), work("09:30", "20:00")],
        {"no_data"},
    ),
    (
        "gauges back",
        "09:31",
        [GOOD, work("05:00", "09:10"), stand("09:10", "09:30", PumpState.NO_DATA), work("09:30", "20:00")],
        set(),
    ),
    ("gauges silent since", "19:00", [GOOD, work("05:00", "18:45")], {"no_data"}),
    ("lot in date", "11:59", [GOOD, pail("08:00", EXPIRED), photo("08:10")], set()),
    ("lot expired on the pump", "12:01", [GOOD, pail("08:00", EXPIRED), photo("08:10")], {"lot_expired"}),
    (
        "an expired lot put on",
        "14:00",
        [GOOD, pail("13:00", EXPIRED), photo("13:10")],
        {"lot_expired"},
    ),
    (
        "the old lot expires off the pump",
        "12:01",
        [GOOD, pail("08:00", EXPIRED), pail("11:00", HOURS_ON), photo("11:10")],
        set(),
    ),
    ("held by a person", "10:00", [GOOD, override("09:00", "hold", "11:00")], {"held_by_person"}),
    ("a person's hold ends", "11:01", [GOOD, override("09:00", "hold", "11:00")], set()),
    (
        "a person's hold is not shortened by another",
        "10:30",
        [GOOD, override("09:00", "hold", "11:00"), override("09:30", "hold", "10:00")],
        {"held_by_person"},
    ),
    (
        "a person's hold lifted by a person",
        "10:30",
        [GOOD, override("09:00", "hold", "11:00"), override("09:30", "release", "09:40")],
        set(),
    ),
    (
        "released by a person",
        "09:30",
        [GOOD, pail("08:00"), override("09:00", "release", "10:00")],
        {"released_by_person", "changeover"},
    ),
    (
        "a person's release ends",
        "10:30",
        [GOOD, pail("08:00"), override("09:00", "release", "10:00")],
        {"changeover"},
    ),
    (
        "a person's release covers nothing that came after it",
        "09:30",
        [GOOD, pail("08:00"), override("09:00", "release", "10:00"), photo("09:20", "fail")],
        {"changeover", "smear_failed"},
    ),
    (
        "a person's release lasts no longer than the site allows",
        "18:30",
        [pail("05:30"), override("06:00", "release", "19:00")],
        {"start_of_day", "changeover"},
    ),
]


@pytest.mark.parametrize(
    ("clock", "happened", "rules"), [row[1:] for row in SITUATIONS], ids=[row[0] for row in SITUATIONS]
)
def test_situation(clock, happened, rules):
    assert rules_at(clock, *happened) == rules


def test_a_pass_by_eye_alone_counts_where_the_site_says_so():
    site = SiteSettings(
        day_starts="04:00", limits=structs.replace(SNAP_NOT_OWED, smear_pass_by_eye_alone=True)
    )
    assert rules_at("06:11", call("06:10", "pass"), site=site) == set()
    assert rules_at("06:20", call("06:10", "pass"), photo("06:12", "fail"), site=site) == {
        "start_of_day",
        "smear_failed",
    }


def test_a_shop_without_gauges_is_released_on_tests_where_it_says_so():
    blind = PumpHistory(smears=(GOOD,))
    for required, rules in ((True, ("no_data",)), (False, ())):
        site = SiteSettings(
            day_starts="04:00", limits=structs.replace(SNAP_NOT_OWED, gauges_required=required)
        )
        spans = release_spans(gather(blind, "pump-a", site, t("08:00")), site, t("08:00"))
        assert spans[-1].rules == rules


def test_a_withdrawn_changeover_no_longer_holds():
    opened = pail("08:00")
    withdrawn = Correction(**head("08:30"), supersedes=opened.id, reason="typed for the other pump")
    assert rules_at("09:00", GOOD, opened, withdrawn) == set()


def test_a_corrected_snap_time_is_judged_as_corrected():
    typed = snap("08:00", 75)
    meant = Correction(**head("08:30"), supersedes=typed.id, reason="45, not 75", corrected=snap("08:00", 45))
    back = Correction(**head("08:40"), supersedes=meant.id, reason="it was 75 after all")
    assert rules_at("09:00", GOOD, typed, meant) == set()
    assert rules_at("09:00", GOOD, typed, meant, back) == {"snap_out_of_limits"}


def test_every_hold_says_rule_time_evidence_and_what_clears_it():
    spans = spans_of(GOOD, pail("08:00"), idle("11:30", "12:10"))
    span = state_at(spans, t("11:40"))
    assert span is not None and span.rules == ("changeover", "unpurged_stop")
    first, second = span.reasons
    assert first.startswith("Changeover: curing-agent pail replaced, lot C-2 (R. Okafor, record …")
    assert first.endswith("; hold since 14 Oct 08:00, needs a passing smear test.")
    assert second == (
        "Stop without base purge: stood from 11:30, no base purge by 11:35; hold since 14 Oct 11:35, "
        "needs a base purge, then a passing smear test."
    )


def test_each_rule_is_raised_and_every_step_has_words():
    assert len({rule.name for rule in RULES}) == len({rule.raised_by for rule in RULES}) == len(RULES)
    needed = {what for rule in RULES for step in (*rule.needs, rule.ended_by) for what in step}
    assert needed == set(NEEDS_WORDS)


# --- properties ---

TROUBLE = {
    What.LONG_STOP,
    What.PURGE_MISSED,
    What.SMEAR_FAILED,
    What.SMEAR_FAILED_TWICE,
    What.SNAP_OUT,
    What.RATIO_OUT,
    What.BALANCE_OUT,
    What.GAUGE_FAILED,
    What.DATA_MISSING,
    What.LOT_EXPIRED,
    What.SOFT_SPOT,
    What.SNAP_OVERDUE,
    What.PERSON_HOLDS,
}
minutes = st.integers(0, 600).map(lambda m: t("05:00") + timedelta(minutes=m))
pieces = st.builds(Evidence, at=minutes, what=st.sampled_from(What), key=st.sampled_from(["", "1", "2"]))
troubles = st.builds(
    Evidence, at=minutes, what=st.sampled_from(sorted(TROUBLE)), key=st.sampled_from(["", "1", "2"])
)
END = t("16:00")


def held(evidence: list[Evidence]) -> list[bool]:
    spans = release_spans(evidence, SITE, END)
    moments = [t("05:00") + timedelta(minutes=m) for m in range(601)]
    found, place = [], 0
    for moment in moments:
        while place + 1 < len(spans) and spans[place + 1].start <= moment:
            place += 1
        known = bool(spans) and spans[0].start <= moment
        found.append(known and spans[place].state == ReleaseState.HOLD)
    return found


@given(st.lists(pieces, max_size=25), troubles)
def test_more_evidence_of_trouble_never_turns_hold_into_release(evidence, trouble):
    before, after = held(evidence), held([*evidence, trouble])
    assert all(now or not then for then, now in zip(before, after, strict=True))


@given(st.lists(pieces, max_size=25).flatmap(lambda e: st.tuples(st.just(e), st.permutations(e))))
def test_order_of_arrival_does_not_matter_nor_does_hearing_twice(both):
    evidence, shuffled = both
    assert release_spans(evidence, SITE, END) == release_spans([*shuffled, *evidence], SITE, END)


@given(st.lists(pieces, max_size=25), minutes)
def test_the_past_replays_as_it_was(evidence, moment):
    """Folding up to a moment gives what folding everything says of the time before it."""
    then = release_spans(evidence, SITE, moment)
    now = [span for span in release_spans(evidence, SITE, END) if span.start <= moment]
    assert [(s.start, s.state, s.rules, s.reasons) for s in then] == [
        (s.start, s.state, s.rules, s.reasons) for s in now
    ]


@given(st.lists(pieces, max_size=25))
def test_spans_stand_back_to_back(evidence):
    spans = release_spans(evidence, SITE, END)
    for earlier, later in pairwise(spans):
        assert earlier.end == later.start > earlier.start
        assert (earlier.state, earlier.reasons) != (later.state, later.reasons)
    if spans:
        assert spans[-1].end is None


clocks = st.integers(5 * 60, 15 * 60).map(lambda m: f"{m // 60:02d}:{m % 60:02d}")
sheets = st.sampled_from([None, "S-1", "S-2"])
digests = st.sampled_from(["1" * 64, "2" * 64, "3" * 64])
photos = st.builds(photo, clocks, st.sampled_from(["pass", "fail", "retake"]), sheets, digests)
calls = st.builds(call, clocks, st.sampled_from(["pass", "fail"]), sheets, st.none() | digests)
bad = st.one_of(
    st.builds(photo, clocks, st.just("fail"), sheets),
    st.builds(call, clocks, st.just("fail"), sheets, st.none() | digests),
    st.builds(lambda a, b: out(min(a, b), max(a, b)), clocks, clocks),
    st.builds(lambda a, b: idle(min(a, b), max(a, b)), clocks, clocks),
    st.builds(lambda a, b: fault(min(a, b), max(a, b)), clocks, clocks),
    st.builds(snap, clocks, st.just(99.0)),
    st.builds(override, clocks, st.just("hold"), clocks),
)
acts = st.one_of(
    st.builds(lambda c: MixerChange(**head(c)), clocks),
    st.builds(pail, clocks),
    st.builds(lambda c: Purge(**head(c)), clocks),
    st.builds(override, clocks, st.sampled_from(["hold", "release"]), clocks),
)


@settings(max_examples=300)
@given(st.lists(st.one_of(photos, calls, acts, bad), max_size=12), bad, st.booleans())
def test_trouble_in_the_shop_never_turns_hold_into_release(happened, trouble, by_eye):
    site = SiteSettings(day_starts="04:00", limits=Limits(smear_pass_by_eye_alone=by_eye))

    def folded(*things: Any) -> list[bool]:
        evidence = gather(history(*things), "pump-a", site, END)
        spans = release_spans(evidence, site, END)
        return [
            (s := state_at(spans, t("05:00") + timedelta(minutes=m))) is None or s.state == ReleaseState.HOLD
            for m in range(0, 601, 3)
        ]

    before, after = folded(*happened), folded(*happened, trouble)
    assert all(now or not then for then, now in zip(before, after, strict=True))


@given(
    st.lists(st.one_of(photos, calls, acts, bad), max_size=10).flatmap(
        lambda h: st.tuples(st.just(h), st.permutations(h))
    )
)
def test_the_shop_reads_the_same_in_any_order(both):
    happened, shuffled = both
    assert spans_of(*happened) == spans_of(*shuffled)


@pytest.mark.parametrize("year", [1, 1970, 2300, 9999])
def test_a_clock_that_is_far_off_says_nothing(year):
    """Neither a crash nor centuries of production days."""
    lost = {**head("08:00"), "at": datetime(year, 12, 31, 23, 59, tzinfo=UTC)}
    evidence = gather(history(GOOD, MixerChange(**lost)), "pump-a", SITE, datetime.max.replace(tzinfo=UTC))
    assert len(evidence) < 10
    assert not {piece.what for piece in evidence} & {What.MIXER_CHANGED}


def test_a_quiet_week_after_a_release_is_on_hold():
    spans = spans_of(GOOD)
    later = release_spans(gather(history(GOOD), "pump-a", SITE, HOURS_ON), SITE, HOURS_ON)
    assert later[: len(spans) - 1] == spans[:-1]
    assert later[-1].state == ReleaseState.HOLD
    assert "start_of_day" in later[-1].rules


def test_a_pump_stands_as_it_does_since_its_state_began():
    hold, release = ReleaseState.HOLD, ReleaseState.RELEASE
    spans = [
        ReleaseSpan(start=t("06:00"), end=t("07:00"), state=release),
        ReleaseSpan(start=t("07:00"), end=t("08:00"), state=hold, reasons=("first",)),
        ReleaseSpan(start=t("08:00"), end=None, state=hold, reasons=("first", "second")),
    ]
    assert standing([]) is None
    assert standing(spans[:1]).start == t("06:00")
    now = standing(spans)
    assert (now.start, now.state, now.reasons) == (t("07:00"), hold, ("first", "second"))
