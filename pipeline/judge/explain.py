"""Why is a pump released or held at a moment? The chain of evidence, from what raised a rule to its end."""

from collections.abc import Iterable
from datetime import datetime

from msgspec import Struct

from edge.words import ReleaseState
from pipeline.judge.evidence import Evidence
from pipeline.judge.release import Fold, Hold, fold, standing, still_needs
from pipeline.judge.rules import RULES
from pipeline.settings import SiteSettings


class Link(Struct, frozen=True, kw_only=True):
    """One rule's story. met : what counted towards its end; ended : None while it stands."""

    rule: str
    origin: str
    raised: Evidence
    met: tuple[Evidence, ...]
    needs: str | None
    ended: datetime | None


class Explanation(Struct, frozen=True, kw_only=True):
    """How a pump stands at a moment. state is None where nothing was known of it yet."""

    at: datetime
    state: ReleaseState | None
    since: datetime | None
    rules: tuple[str, ...]
    reasons: tuple[str, ...]
    override: Evidence | None
    chain: tuple[Link, ...]
    rules_off: tuple[str, ...]


def explain(
    evidence: Iterable[Evidence], settings: SiteSettings, at: datetime, begins: Fold | None = None
) -> Explanation:
    """The state at a moment, the holds that stand, and those that ended since the production day began.

    evidence : up to `at` at least; begins : where the fold begins, as in `fold`
    """
    folded = fold(evidence, settings, at, begins)
    span = standing(folded.spans)
    day = settings.day_start(settings.production_day(at))
    stands = [_link(hold, None) for hold in folded.last.holds]
    ended = [_link(hold, end) for hold, end in folded.lifted if end >= day]
    return Explanation(
        at=at,
        state=None if span is None else span.state,
        since=None if span is None else span.start,
        rules=() if span is None else span.rules,
        reasons=() if span is None else span.reasons,
        override=folded.last.override,
        chain=tuple(sorted([*stands, *ended], key=lambda link: (link.raised.at, link.rule, link.raised.key))),
        rules_off=settings.limits.rules_off,
    )


def _link(hold: Hold, ended: datetime | None) -> Link:
    origin = next(rule.origin for rule in RULES if rule.name == hold.rule)
    return Link(
        rule=hold.rule,
        origin=origin,
        raised=hold.raised,
        met=hold.met,
        needs=None if ended else still_needs(hold),
        ended=ended,
    )
