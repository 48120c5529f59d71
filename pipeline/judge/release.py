"""May the pump make units, and why not? A fold over its evidence: same evidence, same answer.

Evidence is taken in order of time, whatever the order in which it arrived; what clears comes before what
holds where both bear one time, so that a tie errs to hold. The rules stand in rules.py.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Final

from msgspec import Struct, structs

from edge.words import ReleaseState
from pipeline.judge.evidence import Evidence, What
from pipeline.judge.rules import NEEDS_WORDS, RELEASED_BY_PERSON, RULES, Rule, Step
from pipeline.settings import SiteSettings


class ReleaseSpan(Struct, frozen=True, kw_only=True):
    """A row of release_spans. rules and reasons in step; end is None for the span that lasts."""

    start: datetime
    end: datetime | None
    state: ReleaseState
    rules: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()


class _Hold(Struct, frozen=True):
    """A rule that stands. open : the steps left, what is still missing of each."""

    rule: Rule
    raised: Evidence
    open: tuple[Step, ...]


_RAISES: Final[dict[What, Rule]] = {rule.raised_by: rule for rule in RULES}
_Standing = dict[tuple[str, str], _Hold]


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
    ordered = sorted({piece for piece in evidence if piece.at <= until}, key=_order)
    standing: _Standing = {}
    override: Evidence | None = None
    spans: list[ReleaseSpan] = []
    for number, piece in enumerate(ordered):
        standing = _cleared(standing, piece)
        rule = _RAISES.get(piece.what)
        if rule is not None:
            standing[rule.name, piece.key] = _Hold(rule, piece, rule.needs)
        if piece.what == What.PERSON_RELEASES:
            override = piece
        elif piece.what == What.OVERRIDE_ENDED and override is not None and override.key == piece.key:
            override = None
        if number + 1 == len(ordered) or ordered[number + 1].at > piece.at:
            _note(spans, _span(piece.at, standing, override, settings))
    return spans


def state_at(spans: Iterable[ReleaseSpan], at: datetime) -> ReleaseSpan | None:
    """The span a moment lies in; None before the first."""
    return next((s for s in spans if s.start <= at and (s.end is None or at < s.end)), None)


def _order(piece: Evidence) -> tuple[datetime, bool, str, str, str, str]:
    return piece.at, piece.what in _RAISES, piece.what, piece.key, piece.ref, piece.text


def _cleared(standing: _Standing, piece: Evidence) -> _Standing:
    """The holds that stand once `piece` has counted towards what each still needs."""
    left: _Standing = {}
    for name, hold in standing.items():
        if hold.open[0] >= {piece.what} and piece.key in ("", hold.raised.key):
            step = hold.open[0] - {piece.what}
            hold = structs.replace(hold, open=(step, *hold.open[1:]) if step else hold.open[1:])
        if hold.open:
            left[name] = hold
    return left


def _span(
    at: datetime, standing: _Standing, override: Evidence | None, settings: SiteSettings
) -> ReleaseSpan:
    holds = sorted(standing.values(), key=lambda hold: (hold.raised.at, hold.rule.name, hold.raised.key))
    rules = tuple(hold.rule.name for hold in holds)
    reasons = tuple(_sentence(hold, settings) for hold in holds)
    # A person releases what stood then; whatever has been raised since holds again.
    new = [hold for hold in holds if override is None or hold.raised.at > override.at]
    if new:
        return ReleaseSpan(start=at, end=None, state=ReleaseState.HOLD, rules=rules, reasons=reasons)
    if override is not None:
        rules = (RELEASED_BY_PERSON, *rules)
        reasons = (f"Released {override.text}.", *reasons)
    return ReleaseSpan(start=at, end=None, state=ReleaseState.RELEASE, rules=rules, reasons=reasons)


def _sentence(hold: _Hold, settings: SiteSettings) -> str:
    said = hold.rule.says.format(text=hold.raised.text)
    since = hold.raised.at.astimezone(settings.zone)
    steps = ", then ".join(" and ".join(sorted(NEEDS_WORDS[what] for what in step)) for step in hold.open)
    return f"{said[:1].upper()}{said[1:]}; hold since {since:%d %b %H:%M}, needs {steps}."


def _note(spans: list[ReleaseSpan], span: ReleaseSpan) -> None:
    """Append the span, unless nothing that it says has changed."""
    if spans:
        last = spans[-1]
        if (last.state, last.rules, last.reasons) == (span.state, span.rules, span.reasons):
            return
        spans[-1] = structs.replace(last, end=span.start)
    spans.append(span)
