"""From where must the fold be taken up again? From the last production day before which nothing has changed.

A checkpoint keeps what the fold remembered at the start of a production day, and a digest of the settings,
the rules and all evidence before it. Where the digest is still the same, so is what was remembered: a record
that comes late, or a correction of an old one, makes the fold begin before it; nothing has to foresee how.
"""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

import msgspec
from msgspec import Struct

from pipeline.judge.evidence import Evidence, What
from pipeline.judge.release import Fold, ReleaseSpan, fold, in_order
from pipeline.judge.rules import RULES
from pipeline.settings import SiteSettings


class Checkpoint(Struct, frozen=True):
    """The fold as it stood at the start of a production day. digest : of all that it hangs on."""

    at: datetime
    digest: str
    fold: Fold


class Resumed(Struct, frozen=True):
    """What folding on gave. spans : from `first` on, the first of them may have begun before.

    checkpoints : those after the one begun from, which itself is `begun`, None where all was folded
    """

    spans: list[ReleaseSpan]
    last: Fold
    checkpoints: list[Checkpoint]
    begun: Checkpoint | None


def resume(
    evidence: Iterable[Evidence],
    settings: SiteSettings,
    until: datetime,
    known: Mapping[datetime, Checkpoint],
) -> Resumed:
    """Fold on from the latest of the known checkpoints that still holds.

    evidence : all of it, in any order; known : checkpoints by their moment
    """
    ordered = in_order(piece for piece in evidence if piece.at <= until)
    starts = sorted({piece.at for piece in ordered if piece.what == What.DAY_STARTED})
    hashed = hashlib.sha256(_ground(settings))
    digests: list[str] = []
    places: list[int] = []
    place = 0
    for start in starts:
        first = place
        while place < len(ordered) and ordered[place].at < start:
            place += 1
        hashed.update(msgspec.json.encode(ordered[first:place]))
        digests.append(hashed.hexdigest())
        places.append(place)
    holds = [
        number
        for number, (start, digest) in enumerate(zip(starts, digests, strict=True))
        if start in known and known[start].digest == digest
    ]
    number = holds[-1] if holds else None
    begun = None if number is None else known[starts[number]]
    return _fold_on(ordered, settings, until, begun, [*zip(starts, digests, places, strict=True)], number)


def _fold_on(
    ordered: Sequence[Evidence],
    settings: SiteSettings,
    until: datetime,
    begun: Checkpoint | None,
    days: Sequence[tuple[datetime, str, int]],
    number: int | None,
) -> Resumed:
    """Fold a day at a time. days : start, digest, pieces before it; number : of the day begun from."""
    last = Fold() if begun is None else begun.fold
    spans: list[ReleaseSpan] = [] if last.span is None else [last.span]
    checkpoints: list[Checkpoint] = []
    place = 0 if number is None else days[number][2]
    after = days if number is None else days[number + 1 :]
    for start, digest, end in [*after, (None, "", len(ordered))]:
        folded = fold(ordered[place:end], settings, until, last)
        # The first span of a stretch is the last one of the stretch before, which may have ended meanwhile.
        spans = [*spans[:-1], *folded.spans] if last.span is not None else folded.spans
        last, place = folded.last, end
        if start is not None:
            checkpoints.append(Checkpoint(start, digest, last))
    return Resumed(spans, last, checkpoints, begun)


def _ground(settings: SiteSettings) -> bytes:
    """Settings and rules, as they are now, in bytes."""
    rules: list[Any] = [
        [rule.name, rule.raised_by, [sorted(step) for step in rule.needs], rule.says, sorted(rule.ended_by)]
        for rule in RULES
    ]
    return msgspec.json.encode([settings, rules])
