"""What is left in drum and pail, and when must the next one be ready? Strokes since the last changeover.

Displacements and sizes are the settings'; a changeover record begins anew. Strokes are not sealant: what a
purge used between two dispensings and what a leaking valve lets back are not known, so this is said as
'about'. The day of an older changeover counts whole: less seems left, never more.
"""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any, Final

from msgspec import Struct

from pipeline.settings import SiteSettings

# A drum that lasts longer than the next shift needs no word yet.
SOON: Final = timedelta(hours=8)
_LAST: Final = """
    SELECT max(time) AS since FROM changeovers WHERE site = $site AND pump = $pump AND superseded_by IS NULL
    AND part = $part AND time < $reached
"""
_STROKES: Final = """
    SELECT count(*) FILTER (start >= $since) AS used,
           count(*) FILTER (start >= greatest($since, $start)) AS late
    FROM strokes WHERE site = $site AND pump = $pump AND part = $strokes_of AND start < $reached
    AND day >= $day - INTERVAL 1 DAY
"""
_EARLIER: Final = """
    SELECT coalesce(sum(CASE $strokes_of WHEN 'base' THEN base_strokes ELSE catalyst_strokes END), 0) AS used
    FROM history.pump_days WHERE site = $site AND pump = $pump AND day >= $since_day
    AND day < $day - INTERVAL 1 DAY
"""


class Left(Struct, frozen=True, kw_only=True):
    """Of one drum or pail. empty_at : at the shift's rate, stops and all; None if nothing was used in it"""

    what: str
    since: datetime
    litres: float
    empty_at: datetime | None


def material_left(
    rows: Any, settings: SiteSettings, pump: str, start: datetime, reached: datetime
) -> list[Left]:
    """What is left at `reached`, of parts whose size, displacement and last changeover are known.

    rows : runs a query for the shift's pump and window (summary.py); start : the shift's
    """
    plate = settings.pump(pump)
    found = []
    for part, strokes_of, what, size_l, stroke_ml in (
        ("base", "base", "base drum", plate.base_drum_l, plate.base_stroke_ml),
        (
            *("curing_agent", "catalyst", "curing-agent pail"),
            *(plate.curing_agent_pail_l, plate.curing_agent_stroke_ml),
        ),
    ):
        since = rows(_LAST, part=part, reached=reached)[0]["since"]
        if size_l is None or stroke_ml is None or since is None:
            continue
        day = settings.production_day(start)
        asked = {"strokes_of": strokes_of, "since": since, "day": day, "reached": reached}
        counted = rows(_STROKES, **asked)[0]
        earlier = rows(_EARLIER, strokes_of=strokes_of, day=day, since_day=settings.production_day(since))[0]
        litres = max(0.0, size_l - (counted["used"] + earlier["used"]) * stroke_ml / 1e3)
        late_l = counted["late"] * stroke_ml / 1e3
        empty_at = None
        if late_l > 0 and litres > 0:
            empty_at = reached + (reached - max(since, start)) * (litres / late_l)
        found.append(Left(what=what, since=since, litres=litres, empty_at=empty_at))
    return found


def running_out(lefts: list[Left], settings: SiteSettings, reached: datetime) -> Iterator[str]:
    """A sentence for each drum or pail that runs out before the next shift is over."""
    for left in lefts:
        opened = f"{left.since.astimezone(settings.zone):%d %b %H:%M}"
        if left.litres <= 0:
            yield f"By its strokes the {left.what} opened {opened} is empty: look, and record its changeover."
        elif left.empty_at is not None and left.empty_at - reached <= SOON:
            empty = f"{left.empty_at.astimezone(settings.zone):%H:%M}"
            yield (
                f"Have the next {left.what} ready: about {left.litres:.0f} l are left, "
                f"empty about {empty} at this shift's rate."
            )
