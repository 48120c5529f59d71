"""What do the rules make of what landed? Release and coverage, out of the history and back into it."""

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

import msgspec
import pyarrow as pa

from edge.errors import InputError
from edge.records import AnyRecord, decode_record
from edge.words import Fault, PumpState, Verdict
from pipeline.corrections import effective, withdrawn
from pipeline.history import History
from pipeline.judge import evidence as seen
from pipeline.judge.coverage import unit_coverage
from pipeline.judge.explain import Explanation, explain
from pipeline.judge.release import ReleaseSpan, release_spans, standing
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
    spans = release_spans(pieces, settings, latest)
    covered, doubted = unit_coverage(known, pieces, spans, settings, latest)
    judged: dict[str, Sequence[msgspec.Struct]] = {
        "release_spans": spans,
        "unit_coverage": covered,
        "suspect_units": doubted,
    }
    for table, things in judged.items():
        rows: dict[date, list[dict[str, Any]]] = {}
        for thing in things:
            row = msgspec.structs.asdict(thing)
            starts = row["start"] if table == "release_spans" else row["started"]
            rows.setdefault(settings.production_day(starts), []).append(row)
        history.replace(
            table,
            pa.concat_tables([_table(table, some, site, pump, day) for day, some in rows.items()])
            if rows
            else _table(table, [], site, pump, latest.date()),
            site=site,
            pump=pump,
        )
    return standing(spans)


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
        there = sorted({(row["site"], row["pump"]) for row in _places(history)})
        named = ", ".join(f"{pump} at {site}" for site, pump in there) or "none"
        raise InputError(
            f"nothing is known of {pump} at {site}", where="--site, --pump", do=f"take one of: {named}"
        )
    return explain(seen.gather(known, pump, settings, at), settings, at), latest


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


def _table(table: str, rows: list[dict[str, Any]], site: str, pump: str, day: date) -> pa.Table:
    place = {"site": site, "pump": pump, "day": day}
    return pa.Table.from_pylist([{**place, **row} for row in rows], schema=DERIVED[table])
