"""May the pump make units, and why not? A fold over its evidence: same evidence, same answer.

Evidence is taken in order of time, whatever the order in which it arrived; what clears comes before what
holds where both bear one time, so that a tie errs to hold. The rules stand in rules.py. All that the fold
remembers is a `Fold`: begun again from one, it gives what it would have given from the start.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Final

from msgspec import Struct, structs

from edge.words import ReleaseState
from pipeline.judge.evidence import Evidence, What
from pipeline.judge.rules import NEEDS_WORDS, RELEASED_BY_PERSON, RULES, Rule, Step, in_force
from pipeline.settings import SiteSettings


class ReleaseSpan(Struct, frozen=True, kw_only=True):
    """A row of release_spans. rules and reasons in step; end is None for the span that lasts."""

    start: datetime
    end: datetime | None
    state: ReleaseState
    rules: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()


class Hold(Struct, frozen=True):
    """A rule that stands. open : the steps left, what is still missing of each; met : what counted so far."""

    rule: str
    raised: Evidence
    open: tuple[Step, ...]
    met: tuple[Evidence, ...] = ()


class Fold(Struct, frozen=True):
    """All that the fold remembers. span : the one that lasts; None before the first evidence."""

    holds: tuple[Hold, ...] = ()
    override: Evidence | None = None
    span: ReleaseSpan | None = None


class Folded(Struct, frozen=True):
    """What a fold gave. spans : from the one that lasted at its beginning on; lifted : holds that ended."""

    spans: list[ReleaseSpan]
    last: Fold
    lifted: list[tuple[Hold, datetime]]


_RULE: Final[dict[str, Rule]] = {rule.name: rule for rule in RULES}
_RAISES: Final[dict[What, Rule]] = {rule.raised_by: rule for rule in RULES}
_Standing = dict[tuple[str, str], Hold]


def standing(spans: Sequence[ReleaseSpan]) -> ReleaseSpan | None:
    """How the pump stands at the end: the last span, from when its state began. spans : in order of time."""
    if not spans:
        return None
    last = spans[-1]
    began = next((span.end for span in reversed(spans) if span.state != last.state), spans[0].start)
    return structs.replace(last, start=began)


def release_spans(evidence: Iterable[Evidence], settings: SiteSettings, until: datetime) -> list[ReleaseSpan]:
    """Release and hold, back to back, from the first evidence on; empty where there is none.

    until : evidence later than this is left out, so that any moment of the past can be asked for
    """
    return fold(evidence, settings, until).spans


def fold(
    evidence: Iterable[Evidence], settings: SiteSettings, until: datetime, begins: Fold | None = None
) -> Folded:
    """Go on from `begins` over evidence that all lies after it; from nothing, if that is None."""
    begins = begins or Fold()
    raises = {rule.raised_by: rule for rule in in_force(settings)}
    ordered = in_order(piece for piece in evidence if piece.at <= until)
    stands: _Standing = {(hold.rule, hold.raised.key): hold for hold in begins.holds}
    override = begins.override
    spans = [] if begins.span is None else [begins.span]
    lifted: list[tuple[Hold, datetime]] = []
    for number, piece in enumerate(ordered):
        stands, gone = _cleared(stands, piece)
        lifted += [(hold, piece.at) for hold in gone]
        rule = raises.get(piece.what)
        if rule is not None:
            stands[rule.name, piece.key] = Hold(rule.name, piece, rule.needs)
        if piece.what == What.PERSON_RELEASES:
            override = piece
        elif piece.what == What.OVERRIDE_ENDED and override is not None and override.key == piece.key:
            override = None
        if number + 1 == len(ordered) or ordered[number + 1].at > piece.at:
            _note(spans, _span(piece.at, stands, override, settings))
    return Folded(spans, Fold(_in_order(stands), override, spans[-1] if spans else None), lifted)


def in_order(evidence: Iterable[Evidence]) -> list[Evidence]:
    """Each piece once, in the order in which the fold takes it."""
    return sorted(set(evidence), key=_order)


def state_at(spans: Iterable[ReleaseSpan], at: datetime) -> ReleaseSpan | None:
    """The span a moment lies in; None before the first."""
    return next((s for s in spans if s.start <= at and (s.end is None or at < s.end)), None)


def _order(piece: Evidence) -> tuple[datetime, bool, str, str, str, str]:
    return piece.at, piece.what in _RAISES, piece.what, piece.key, piece.ref, piece.text


def _cleared(stands: _Standing, piece: Evidence) -> tuple[_Standing, list[Hold]]:
    """The holds that stand once `piece` has counted towards what each still needs, and those it ended."""
    left: _Standing = {}
    gone: list[Hold] = []
    for name, hold in stands.items():
        if piece.key in ("", hold.raised.key):
            if piece.what in _RULE[hold.rule].ended_by:
                hold = structs.replace(hold, open=(), met=(*hold.met, piece))
            elif hold.open[0] >= {piece.what}:
                step = hold.open[0] - {piece.what}
                rest = (step, *hold.open[1:]) if step else hold.open[1:]
                hold = structs.replace(hold, open=rest, met=(*hold.met, piece))
        if hold.open:
            left[name] = hold
        else:
            gone.append(hold)
    return left, gone


def _in_order(stands: Mapping[tuple[str, str], Hold]) -> tuple[Hold, ...]:
    return tuple(sorted(stands.values(), key=lambda hold: (hold.raised.at, hold.rule, hold.raised.key)))


def _span(at: datetime, stands: _Standing, override: Evidence | None, settings: SiteSettings) -> ReleaseSpan:
    holds = _in_order(stands)
    rules = tuple(hold.rule for hold in holds)
    reasons = tuple(_sentence(hold, settings) for hold in holds)
    # A person releases what stood then; whatever has been raised since holds again.
    new = [hold for hold in holds if override is None or hold.raised.at > override.at]
    if new:
        return ReleaseSpan(start=at, end=None, state=ReleaseState.HOLD, rules=rules, reasons=reasons)
    if override is not None:
        rules = (RELEASED_BY_PERSON, *rules)
        reasons = (f"Released {override.text}.", *reasons)
    return ReleaseSpan(start=at, end=None, state=ReleaseState.RELEASE, rules=rules, reasons=reasons)


def _sentence(hold: Hold, settings: SiteSettings) -> str:
    said = _RULE[hold.rule].says.format(text=hold.raised.text)
    since = hold.raised.at.astimezone(settings.zone)
    return f"{said[:1].upper()}{said[1:]}; hold since {since:%d %b %H:%M}, needs {still_needs(hold)}."


def still_needs(hold: Hold) -> str:
    """The steps of a hold that are still open, in words."""
    return needs_in_words(hold.open, _RULE[hold.rule].ended_by)


def needs_in_words(steps: Iterable[Step], ended_by: Iterable[What]) -> str:
    """What clears a hold: its steps, or what ends it outright."""
    said = ", then ".join(" and ".join(sorted(NEEDS_WORDS[what] for what in step)) for step in steps)
    return " or ".join([said, *sorted(NEEDS_WORDS[what] for what in ended_by)])


def _note(spans: list[ReleaseSpan], span: ReleaseSpan) -> None:
    """Append the span, unless nothing that it says has changed."""
    if spans:
        last = spans[-1]
        if (last.state, last.rules, last.reasons) == (span.state, span.rules, span.reasons):
            return
        spans[-1] = structs.replace(last, end=span.start)
    spans.append(structs.replace(span, start=span.start.astimezone(UTC)))
