"""Which records hold, once the corrections are heard? Nothing is deleted: what is superseded is left out."""

from collections.abc import Iterable
from uuid import UUID

from edge.records import AnyPlainRecord, AnyRecord, Correction


def effective(records: Iterable[AnyRecord]) -> list[AnyPlainRecord]:
    """The records as corrected, in order of time; the same whatever the order in which they came.

    Of several corrections of one record the last holds. A correction that is itself superseded has no effect
    of its own: what corrects it speaks in its place, and where that withdraws it, the record stands again.
    """
    by_id = {record.id: record for record in records}
    last: dict[UUID, Correction] = {}
    for record in sorted(by_id.values(), key=_order):
        if isinstance(record, Correction):
            last[record.supersedes] = record
    held = [
        heard
        for record in by_id.values()
        if not isinstance(record, Correction) and (heard := _heard(record, last)) is not None
    ]
    return sorted(held, key=_order)


def superseded(records: Iterable[AnyRecord]) -> dict[UUID, UUID]:
    """Id of each superseded record -> id of the correction that holds in its place."""
    last: dict[UUID, Correction] = {}
    for record in sorted(records, key=_order):
        if isinstance(record, Correction):
            last[record.supersedes] = record
    return {old: correction.id for old, correction in last.items()}


def _heard(record: AnyPlainRecord, last: dict[UUID, Correction]) -> AnyPlainRecord | None:
    correction = last.get(record.id)
    if correction is None:
        return record
    seen = {record.id}
    while (above := last.get(correction.id)) is not None and correction.id not in seen:
        seen.add(correction.id)
        if above.corrected is None:
            return record
        correction = above
    return correction.corrected


def _order(record: AnyRecord) -> tuple[float, UUID]:
    return record.at.timestamp(), record.id
