"""Which records hold, once the corrections are heard? Nothing is deleted: what is superseded stays readable.

Of several corrections of one record the last holds. A correction may itself be corrected: what corrects it
speaks in its place, and where that withdraws it, it is as if it had never been said.
"""

from collections.abc import Iterable
from uuid import UUID

from edge.records import AnyPlainRecord, AnyRecord, Correction


def effective(records: Iterable[AnyRecord]) -> list[AnyPlainRecord]:
    """The records as corrected, in order of time; the same whatever the order in which they came."""
    by_id = {record.id: record for record in records}
    last = _last(record for record in by_id.values() if isinstance(record, Correction))
    held: list[AnyPlainRecord] = []
    for record in by_id.values():
        if isinstance(record, Correction):
            continue
        voice = _voice(record.id, last)
        heard = record if voice is None else voice.corrected
        if heard is not None:
            held.append(heard)
    return sorted(held, key=_order)


def withdrawn(records: Iterable[AnyRecord]) -> list[tuple[AnyPlainRecord, Correction]]:
    """Plain records that no longer hold, each with the correction in its place; in order of time."""
    by_id = {record.id: record for record in records}
    last = _last(record for record in by_id.values() if isinstance(record, Correction))
    found = [
        (record, voice)
        for record in by_id.values()
        if not isinstance(record, Correction) and (voice := _voice(record.id, last)) is not None
    ]
    return sorted(found, key=lambda pair: _order(pair[0]))


def superseded(corrections: Iterable[Correction]) -> dict[UUID, UUID]:
    """Id of each record or correction that no longer holds -> id of the correction that took its place."""
    known = list(corrections)
    last = _last(known)
    replaced: dict[UUID, UUID] = {}
    for target in {correction.supersedes for correction in known}:
        voice = _voice(target, last)
        if voice is not None:
            replaced[target] = voice.id
    for correction in known:
        voice = _voice(correction.supersedes, last)
        if voice is None or voice.id != correction.id:
            over = last.get(correction.id) or voice
            if over is not None:
                replaced.setdefault(correction.id, over.id)
    return replaced


def _last(corrections: Iterable[Correction]) -> dict[UUID, Correction]:
    return {correction.supersedes: correction for correction in sorted(corrections, key=_order)}


def _voice(target: UUID, last: dict[UUID, Correction]) -> Correction | None:
    """The correction that speaks for `target`; None where it speaks for itself."""
    chain: list[Correction] = []
    while (above := last.get(target)) is not None and above not in chain:
        chain.append(above)
        target = above.id
    # From the newest down: one that withdraws a correction leaves what lay below it standing.
    while len(chain) > 1 and chain[-1].corrected is None:
        del chain[-2:]
    return chain[-1] if chain else None


def _order(record: AnyRecord) -> tuple[float, UUID]:
    return record.at.timestamp(), record.id
