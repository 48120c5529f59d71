"""What do the rules make of what landed? Release and coverage, out of the history and back into it."""

from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from typing import Any

import msgspec
import pyarrow as pa
import pyarrow.compute as pc

from edge.errors import InputError
from edge.records import AnyRecord, decode_record
from edge.words import Fault, PumpState, Verdict
from pipeline.corrections import effective, withdrawn
from pipeline.history import History
from pipeline.judge import evidence as seen
from pipeline.judge.coverage import unit_coverage
from pipeline.judge.explain import Explanation, explain
from pipeline.judge.release import ReleaseSpan, standing
from pipeline.judge.resume import Checkpoint, Resumed, resume
from pipeline.judge.smears import SmearScore
from pipeline.settings import SiteSettings
from pipeline.tables import DERIVED


def judge(history: History, settings: SiteSettings, site: str, pump: str) -> ReleaseSpan | None:
    """Fold all evidence of a pump into release and hold, and say what each unit rests on."""
    known = _pump_history(history, site, pump)
    latest = _latest(known)
    if latest is None:
        return None
    pieces = seen.gather(known, pump, settings, latest)
    resumed = resume(pieces, settings, latest, _checkpoints(history, site, pump))
    spans = _keep_spans(history, settings, site, pump, resumed)
    covered, doubted = unit_coverage(known, pieces, spans, settings, latest)
    for table, things in (("unit_coverage", covered), ("suspect_units", doubted)):
        days = [settings.production_day(thing.started) for thing in things]
        rows = [{"day": d, **msgspec.structs.asdict(t)} for d, t in zip(days, things, strict=True)]
        _replace(history, table, _table(table, rows, site, pump), site, pump)
    return standing(spans)


def _keep_spans(
    history: History, settings: SiteSettings, site: str, pump: str, resumed: Resumed
) -> list[ReleaseSpan]:
    """Write the spans and checkpoints that are new; returns all spans."""
    begun = resumed.begun
    rows = [
        {"day": settings.production_day(span.start), **msgspec.structs.asdict(span)} for span in resumed.spans
    ]
    spans = _table("release_spans", rows, site, pump)
    kept: list[ReleaseSpan] = []
    if begun is not None and begun.fold.span is not None:
        there = history.read(
            "release_spans", site=site, pump=pump, where=pc.field("start") < begun.fold.span.start
        ).sort_by("start")
        columns = ["start", "end", "state", "rules", "reasons"]
        kept = msgspec.convert(there.select(columns).to_pylist(), list[ReleaseSpan])
        spans = pa.concat_tables([there, spans])
    _replace(history, "release_spans", spans, site, pump)
    rows = [
        {"day": settings.production_day(point.at), "body": msgspec.json.encode(point).decode()}
        for point in resumed.checkpoints
    ]
    points = _table("checkpoints", rows, site, pump)
    if begun is not None:
        day = settings.production_day(begun.at)
        points = pa.concat_tables(
            [history.read("checkpoints", site=site, pump=pump, where=pc.field("day") <= day), points]
        )
    _replace(history, "checkpoints", points, site, pump)
    return [*kept, *resumed.spans]


def _checkpoints(history: History, site: str, pump: str) -> dict[datetime, Checkpoint]:
    """Those kept; one that another version wrote is as if it were not there."""
    known = {}
    for body in history.read("checkpoints", site=site, pump=pump, columns=["body"])["body"].to_pylist():
        with suppress(msgspec.DecodeError):
            point = msgspec.json.decode(body, type=Checkpoint)
            known[point.at] = point
    return known


def _replace(history: History, table: str, rows: pa.Table, site: str, pump: str) -> None:
    """Replace a pump's rows, where they are others than those there."""
    if not history.read(table, site=site, pump=pump).sort_by("day").equals(rows.sort_by("day")):
        history.replace(table, rows, site=site, pump=pump)


def standings(history: History) -> list[tuple[str, str, ReleaseSpan]]:
    """(site, pump, how it stands) of every pump, as it was judged last."""
    spans: dict[tuple[str, str], list[ReleaseSpan]] = {}
    for row in history.read("release_spans").sort_by("start").to_pylist():
        place = row.pop("site"), row.pop("pump")
        spans.setdefault(place, []).append(msgspec.convert(row, ReleaseSpan))
    return [(*place, now) for place, judged in spans.items() if (now := standing(judged)) is not None]


def explain_at(
    history: History, settings: SiteSettings, site: str, pump: str, at: datetime
) -> tuple[Explanation, datetime | None]:
    """Why the pump stood as it did at a moment, and the last moment up to which anything is known.

    Raises InputError, naming those there are, for a pump of which nothing has landed.
    """
    known = _pump_history(history, site, pump)
    latest = _latest(known)
    if latest is None:
        raise _unknown(history, site, pump)
    return explain(seen.gather(known, pump, settings, at), settings, at), latest


def require_judged(history: History, site: str | None, pump: str | None) -> None:
    """Raise InputError, naming those there are, unless such a pump was judged: a typing error is no news.

    site, pump : None for any
    """
    places = _places(history)
    if not any(site in (None, row["site"]) and pump in (None, row["pump"]) for row in places):
        raise _unknown(history, site, pump)


def _unknown(history: History, site: str | None, pump: str | None) -> InputError:
    there = sorted({(row["site"], row["pump"]) for row in _places(history)})
    named = ", ".join(f"{pump} at {site}" for site, pump in there) or "none"
    what = f"nothing is known of {pump or 'any pump'} at {site or 'any site'}"
    return InputError(what, where="--site, --pump", do=f"take one of: {named}")


def _places(history: History) -> list[dict[str, Any]]:
    columns = history.read("release_spans", columns=["site", "pump"])
    rows: list[dict[str, Any]] = columns.group_by(["site", "pump"]).aggregate([]).to_pylist()
    return rows


def _pump_history(history: History, site: str, pump: str) -> seen.PumpHistory:
    def rows(table: str) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = history.read(table, site=site, pump=pump).to_pylist()
        return found

    def span(row: dict[str, Any]) -> dict[str, datetime]:
        return {"start": row["start"], "end": row["end"]}

    written: list[AnyRecord] = [decode_record(row["body"].encode(), row["id"]) for row in rows("records")]
    return seen.PumpHistory(
        records=effective(written),
        withdrawn=withdrawn(written),
        smears=[
            SmearScore(
                at=row["at"],
                sha256=row["sha256"],
                verdict=Verdict(row["verdict"]),
                score=row["score"],
                sheet=row["sheet"],
                reasons=row["reasons"],
            )
            for row in rows("smear_scores")
        ],
        states=[seen.StateSpan(**span(r), type=PumpState(r["type"])) for r in rows("pump_states")],
        balance=[
            seen.BalanceSpan(**span(r), type=r["type"], peak_pa=r["peak_pa"]) for r in rows("balance_events")
        ],
        idle=[
            seen.IdleSpan(
                **span(r), purged=r["purged"], purge_start=r["purge_start"], purge_end=r["purge_end"]
            )
            for r in rows("idle_spans")
        ],
        purges=[seen.Span(**span(r)) for r in rows("purges")],
        faults=[
            seen.FaultSpan(**span(r), gauge=r["gauge"], type=Fault(r["type"])) for r in rows("sensor_faults")
        ],
    )


def _latest(known: seen.PumpHistory) -> datetime | None:
    """The last moment anything is known of: the pump is judged up to then, not up to today's clock."""
    spans: Sequence[seen.Span] = [*known.states, *known.idle]
    moments = [
        *(record.at for record in known.records),
        *(smear.at for smear in known.smears),
        *(span.end or span.start for span in spans),
    ]
    return max(moments, default=None)


def _table(table: str, rows: list[dict[str, Any]], site: str, pump: str) -> pa.Table:
    return pa.Table.from_pylist([{"site": site, "pump": pump, **row} for row in rows], schema=DERIVED[table])
