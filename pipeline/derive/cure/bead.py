"""Did the bead cure evenly? Shore A surveys: readings by the published rules, the bead's norm, soft spots.

A reading's rules are those of ISO 48-4:2018 and ASTM D2240: specimen at least 6 mm thick, points at least
12 mm from an edge and 6 mm apart, read within 3 s (1 s by D2240), three readings of a known material; below
20 and above 90 another scale is due. Soft spot and uniformity are common practice, no published source.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from statistics import median
from typing import Final

from msgspec import Struct

from edge.records import AnyPlainRecord, BeadReading
from pipeline.derive.cure.limits import CureLimits

THICKNESS_MM: Final = 6.0
EDGE_MM: Final = 12.0
APART_MM: Final = 6.0
READ_WITHIN_S: Final = 3.0
SCALE: Final = (20.0, 90.0)
# A bead younger than this has no hardness to speak of; from the second age on it is to be uniform.
DUE_H: Final = (24.0, 72.0)
YOUNG_H: Final = 12.0
GROWN_H: Final = 48.0
# Readings of a bead nearer in age than this are one survey.
SURVEY_H: Final = 2.0
# Shops use a bead's name again: readings that put its making this far apart are of two beads.
SAME_BEAD_H: Final = 12.0
# Fewer marks than this make no norm.
MARKS_MIN: Final = 3


class MarkResult(Struct, frozen=True, kw_only=True):
    """One mark of a survey. below : Shore A points below the norm, None where there is no norm."""

    id: str
    median: float
    valid: bool
    below: float | None
    soft: bool
    problems: tuple[str, ...] = ()


class BeadSurvey(Struct, frozen=True, kw_only=True):
    """One bead at one age. A bead is its name and `made`, as its readings' ages tell it.

    soft, apart : names of marks too far below the norm; from it on either side.

    due_h : 24 or 72, which of the two readings it is; None for a bead too young to judge
    passed : None where nothing is judged
    """

    bead: str
    made: datetime
    time: datetime
    person: str
    age_h: float
    due_h: float | None
    norm: float | None
    lowest: float
    highest: float
    marks: tuple[MarkResult, ...]
    soft: tuple[str, ...]
    apart: tuple[str, ...]
    passed: bool | None
    why: str = ""


def bead_surveys(records: Iterable[AnyPlainRecord], limits: CureLimits) -> list[BeadSurvey]:
    """Surveys in order of time. records : as corrected, of one pump."""
    found = [
        _survey(readings, min(_made(r) for r in bead), limits)
        for bead in _beads(records)
        for readings in _surveys(bead)
    ]
    return sorted(found, key=lambda survey: (survey.time, survey.bead))


def mark_problems(record: BeadReading, limits: CureLimits) -> tuple[str, ...]:
    """What keeps the readings at a mark from being readings by the rules; what is not said is not held."""
    found = []
    if len(record.shore_a) < limits.bead_readings_min:
        found.append(f"{len(record.shore_a)} of {limits.bead_readings_min} readings")
    for said, least, word in (
        (record.thickness_mm, THICKNESS_MM, "thick"),
        (record.edge_mm, EDGE_MM, "from an edge"),
        (record.apart_mm, APART_MM, "apart"),
    ):
        if said is not None and said < least:
            found.append(f"{said:g} mm {word}, wanted {least:g} or more")
    if record.read_after_s is not None and record.read_after_s > READ_WITHIN_S:
        found.append(f"read after {record.read_after_s:g} s, wanted within {READ_WITHIN_S:g}")
    return tuple(found)


def _survey(readings: Sequence[BeadReading], made: datetime, limits: CureLimits) -> BeadSurvey:
    problems = {r.id: mark_problems(r, limits) for r in readings}
    medians = {r.id: float(median(r.shore_a)) for r in readings}
    by_the_rules = [medians[r.id] for r in readings if not problems[r.id]]
    norm = float(median(by_the_rules)) if len(by_the_rules) >= MARKS_MIN else None
    first, age = readings[0], min(r.age_h for r in readings)
    due = None if age < YOUNG_H else DUE_H[0] if age < GROWN_H else DUE_H[1]
    marks, soft, apart = [], [], []
    for r in readings:
        below = None if norm is None else norm - medians[r.id]
        # A reading that breaks the rules may still show what is soft: it is no proof that a mark is sound.
        is_soft = due is not None and below is not None and below >= limits.soft_spot_shore_a
        marks.append(
            MarkResult(
                id=str(r.id),
                median=medians[r.id],
                valid=not problems[r.id],
                below=below,
                soft=is_soft,
                problems=problems[r.id],
            )
        )
        if is_soft:
            soft.append(r.mark)
        if due == DUE_H[1] and below is not None and abs(below) >= limits.soft_spot_shore_a:
            apart.append(r.mark)
    passed, why = _passed(due, norm, marks, soft, apart)
    return BeadSurvey(
        bead=first.bead,
        made=made,
        time=first.at,
        person=first.by,
        age_h=age,
        due_h=due,
        norm=norm,
        lowest=min(medians.values()),
        highest=max(medians.values()),
        marks=tuple(marks),
        soft=tuple(soft),
        apart=tuple(apart),
        passed=passed,
        why=why,
    )


def _passed(
    due: float | None, norm: float | None, marks: Sequence[MarkResult], soft: list[str], apart: list[str]
) -> tuple[bool | None, str]:
    if due is None:
        return None, f"younger than {YOUNG_H:g} h"
    if soft:
        return False, f"soft at mark {', '.join(soft)}"
    if apart:
        return False, f"not uniform at mark {', '.join(apart)}"
    if norm is None:
        return None, f"fewer than {MARKS_MIN} marks read by the rules"
    if not SCALE[0] <= norm <= SCALE[1]:
        return None, f"norm {norm:g} lies outside Shore A {SCALE[0]:g} to {SCALE[1]:g}: use another scale"
    unread = sum(not mark.valid for mark in marks)
    if unread:
        return None, f"{unread} of {len(marks)} marks not read by the rules: {marks_why(marks)}"
    return True, ""


def marks_why(marks: Sequence[MarkResult]) -> str:
    """The first problem of a survey's marks, '' where there is none."""
    return next((mark.problems[0] for mark in marks if mark.problems), "")


def _beads(records: Iterable[AnyPlainRecord]) -> Iterator[list[BeadReading]]:
    """Readings bead by bead, each in order of the making that they tell."""
    named: dict[str, list[BeadReading]] = {}
    for record in records:
        if isinstance(record, BeadReading):
            named.setdefault(record.bead, []).append(record)
    for readings in named.values():
        readings.sort(key=lambda r: (_made(r), r.id))
        yield from _split(readings, lambda a, b: _made(b) - _made(a) > timedelta(hours=SAME_BEAD_H))


def _surveys(bead: Iterable[BeadReading]) -> Iterator[list[BeadReading]]:
    """Readings of one bead near in age, in order of time."""
    readings = sorted(bead, key=lambda r: (r.age_h, r.at, r.id))
    for run in _split(readings, lambda a, b: b.age_h - a.age_h > SURVEY_H):
        yield sorted(run, key=lambda r: (r.at, r.id))


def _split(
    readings: Iterable[BeadReading], apart: Callable[[BeadReading, BeadReading], bool]
) -> Iterator[list[BeadReading]]:
    run: list[BeadReading] = []
    for reading in readings:
        if run and apart(run[-1], reading):
            yield run
            run = []
        run.append(reading)
    if run:
        yield run


def _made(reading: BeadReading) -> datetime:
    return reading.at - timedelta(hours=reading.age_h)
