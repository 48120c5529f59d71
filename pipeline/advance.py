"""What landed -> derive -> judge -> history. The same for a minute, a day, or years.

Raw data is only read; what is derived from it is replaced whole, a production day of a pump at a time. So
running again, after a crash or with better code, gives the same as running once.
"""

import logging
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final

import msgspec
import numpy as np
import pyarrow as pa

from edge.errors import InputError
from edge.files import write_durably
from edge.words import GAUGE_COLUMN, Gauge, Verdict
from pipeline import limits_in_force
from pipeline.cure import derive_cure
from pipeline.derive.gauges.analyse import analyse
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.report import clogging_json, wear_json
from pipeline.derive.gauges.results import GaugeAnalysis
from pipeline.history import History
from pipeline.judge.release import ReleaseSpan
from pipeline.judging import judge
from pipeline.photos import read_photo_file, score_photo
from pipeline.retention import thinned_days
from pipeline.settings import SiteSettings
from pipeline.tables import DERIVED
from pipeline.unchanged import Unchanged, digest_of

log = logging.getLogger(__name__)

# A span is told by what is around it, so a day is read with this much on either side.
MARGIN: Final = timedelta(hours=1)
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def advance(
    history: History,
    settings: SiteSettings,
    site: str,
    pump: str,
    days: Iterable[date],
    *,
    again: bool = False,
    unchanged: Unchanged | None = None,
) -> ReleaseSpan | None:
    """Bring everything derived for a pump up to date; returns how the pump stands.

    days : UTC dates on which something landed; each touches the production days it overlaps
    again : score photographs that have a score already, too
    unchanged : what earlier calls derived; what has not changed since is passed over
    """
    unchanged = Unchanged() if unchanged is None else unchanged
    limits_in_force.note(history.home, settings, datetime.now(UTC))
    for day in sorted(_production_days(settings, days)):
        derive_gauges(history, settings, site, pump, day, unchanged)
    derive_smears(history, settings, site, pump, again=again)
    derive_cure(history, settings, site, pump)
    return judge(history, settings, site, pump)


def _production_days(settings: SiteSettings, days: Iterable[date]) -> set[date]:
    touched: set[date] = set()
    for day in days:
        begins = datetime.combine(day, datetime.min.time(), UTC)
        touched.add(settings.production_day(begins - MARGIN))
        touched.add(settings.production_day(begins + timedelta(days=1) + MARGIN))
    return touched


def derive_gauges(
    history: History, settings: SiteSettings, site: str, pump: str, day: date, unchanged: Unchanged
) -> None:
    """Analyse one production day of a pump's gauges and replace what stood for it and no longer does."""
    start, end = settings.day_start(day), settings.day_start(day + timedelta(days=1))
    since, until = start - MARGIN, end + MARGIN
    touched = {
        (site, pump, start.date() + timedelta(days=n)) for n in range((end.date() - start.date()).days + 1)
    }
    if touched & thinned_days(history.home):
        return  # what was derived from the full readings stands
    samples = history.read(
        "gauge_samples",
        site=site,
        pump=pump,
        days=(since.date(), until.date()),
        since=since,
        until=until,
        columns=["at", *GAUGE_COLUMN.values()],
    )
    recording, limits, place = _recording(samples), settings.gauges_of(pump), (site, pump, day)
    digest = digest_of(recording, limits)
    if unchanged.since(place, digest):
        return
    for name, day_rows in _gauge_rows(analyse(recording, limits), start, end).items():
        table = _table(name, day_rows, site, pump, day)
        if not unchanged.stands(place, name, table):
            history.replace(name, table, site=site, pump=pump, day=day)
            unchanged.wrote(place, name, table)
    unchanged.derived(place, digest)


def _recording(samples: pa.Table) -> Recording:
    """The samples in order of time; a gauge that never read anything is not there."""
    samples = samples.sort_by("at")
    at_us = samples["at"].cast(pa.int64()).to_numpy()
    gauges = {
        gauge: samples[column].to_numpy()
        for gauge, column in GAUGE_COLUMN.items()
        if samples[column].null_count < len(samples)
    }
    # Ambient readings come once a minute and have rows of their own: those are no missing pressures.
    pressures = [values for gauge, values in gauges.items() if gauge not in _AMBIENT]
    some = np.any([np.isfinite(values) for values in pressures], axis=0) if pressures else np.zeros(0, bool)
    return Recording(at_us[some], {g: v[some] for g, v in gauges.items() if g not in _AMBIENT})


_AMBIENT: Final = frozenset({Gauge.AMBIENT_TEMP, Gauge.AMBIENT_RH})


def _gauge_rows(found: GaugeAnalysis, start: datetime, end: datetime) -> dict[str, list[dict[str, Any]]]:
    """Rows of the derived gauge tables for what starts within the production day."""
    first, last = _us(start), _us(end)

    def span(one: Any, **more: Any) -> dict[str, Any]:
        return {"start": _moment(one.start_us), "end": _moment(one.end_us), **more}

    def within(spans: Iterable[Any]) -> list[Any]:
        return [one for one in spans if first <= one.start_us < last]

    strokes = within(found.strokes)
    rows: dict[str, list[dict[str, Any]]] = {
        "strokes": [
            span(
                s,
                part=s.part,
                no=s.no,
                base_pa=s.base_pa,
                catalyst_1_pa=s.catalyst_1_pa,
                catalyst_2_pa=s.catalyst_2_pa,
                balance_pa=s.balance_pa,
                direction=s.direction,
            )
            for s in strokes
        ],
        "pump_states": [span(s, type=s.type.value) for s in within(found.states)],
        "balance_events": [span(e, type=e.type, peak_pa=e.peak_pa) for e in within(found.balance_events)],
        "idle_spans": [
            span(
                i,
                purged=i.purged,
                purge_start=_moment(i.purge_start_us),
                purge_end=_moment(i.purge_end_us),
            )
            for i in within(found.idle_spans)
        ],
        "purges": [span(p) for p in within(found.purges)],
        "sensor_faults": [
            span(f, gauge=f.gauge.value if f.gauge else "all", type=f.type.value)
            for f in within(found.sensor_faults)
        ],
        "changeovers_seen": [span(c, part=c.part) for c in within(found.changeovers)],
        "clogging_spans": [span(c, rise=c.rise) for c in within(found.clogging.spans)],
        "pump_days": [],
    }
    if found.first_at_us is not None and found.last_at_us is not None:
        litres = {
            "base_l": found.volume and found.volume.base_m3 and found.volume.base_m3 * 1e3,
            "catalyst_l": found.volume and found.volume.catalyst_m3 and found.volume.catalyst_m3 * 1e3,
        }
        rows["pump_days"].append(
            {
                "samples": found.samples,
                "first_at": _moment(found.first_at_us),
                "last_at": _moment(found.last_at_us),
                "base_strokes": sum(s.part == "base" for s in strokes),
                "catalyst_strokes": sum(s.part == "catalyst" for s in strokes),
                **litres,
                "wear": msgspec.json.encode(wear_json(found)).decode(),
                "clogging": msgspec.json.encode(clogging_json(found)).decode(),
            }
        )
    return rows


def derive_smears(
    history: History, settings: SiteSettings, site: str, pump: str, *, again: bool = False
) -> None:
    """Score the photographs that have no score yet, or all of them again."""
    photos = history.read("photos", site=site, pump=pump).to_pylist()
    kept = [] if again else history.read("smear_scores", site=site, pump=pump).to_pylist()
    scored = {row["sha256"] for row in kept}
    rows: dict[date, list[dict[str, Any]]] = {}
    for photo in photos:
        if photo["sha256"] not in scored:
            day = settings.production_day(photo["at"])
            rows.setdefault(day, []).append(_scored(history, settings, photo))
    for day, fresh in rows.items():
        before = [row for row in kept if row["day"] == day]
        _replace(history, "smear_scores", before + fresh, site, pump, day)


def _scored(history: History, settings: SiteSettings, photo: dict[str, Any]) -> dict[str, Any]:
    """A row of smear_scores, and the overlay beside the photograph."""
    kept = {key: photo[key] for key in ("at", "sha256", "by", "sheet")}
    digest = photo["sha256"]
    where = photo["name"] or digest[:8]
    try:
        data = read_photo_file(history.home / "photos" / digest[:2] / digest)
        score, overlay = score_photo(
            data, settings.smear, settings.pump(photo["pump"]).material, where, captioned=False
        )
    except InputError as error:
        # Evidence of something, though not of the mix: it stays, and asks for another photograph.
        log.warning("photo not readable sha256=%s reason=%s", digest[:8], error)
        return {**kept, "verdict": Verdict.RETAKE.value, "reasons": [str(error)], "calibrated": False}
    write_durably(history.home / "overlays" / f"{digest}.jpg", overlay)
    measured = {name: msgspec.to_builtins(getattr(score, name)) for name in _MEASURED}
    printed_for, sent_for = (score.site, score.pump), (photo["site"], photo["pump"])
    if any(on_sheet and on_sheet != said for on_sheet, said in zip(printed_for, sent_for, strict=True)):
        # Sent for the wrong pump, it would release one on another's test.
        says = f"The sheet was printed for {score.pump} at {score.site}: send the photograph for that pump."
        measured |= {"verdict": Verdict.RETAKE.value, "reasons": [says, *measured["reasons"]]}
    if score.calibrated and score.shade_lab:
        measured |= dict(zip(("shade_l", "shade_a", "shade_b"), score.shade_lab, strict=True))
    # What the operator said of the sheet stands; the sheet's own code speaks where nobody said anything.
    return {**kept, **measured, "sheet": photo["sheet"] or score.sheet}


_MEASURED: Final = (
    *("verdict", "score", "cov", "segregation", "striation_mm", "delta_e_p95", "shade_delta_e"),
    *("reasons", "calibrated", "px_per_mm", "delta_e_p99", "delta_e_zones", "cov_low", "cov_high"),
    *("certainty", "wings_likeness", "streaks", "longest_streak_mm", "specks", "largest_speck_mm"),
)


def _replace(
    history: History, table: str, rows: list[dict[str, Any]], site: str, pump: str, day: date
) -> None:
    history.replace(table, _table(table, rows, site, pump, day), site=site, pump=pump, day=day)


def _table(table: str, rows: list[dict[str, Any]], site: str, pump: str, day: date) -> pa.Table:
    place = {"site": site, "pump": pump, "day": day}
    return pa.Table.from_pylist([{**place, **row} for row in rows], schema=DERIVED[table])


def _us(moment: datetime) -> int:
    return (moment - _EPOCH) // timedelta(microseconds=1)


def _moment(us: int | None) -> datetime | None:
    return None if us is None else _EPOCH + timedelta(microseconds=us)


def landed_days(history: History) -> dict[tuple[str, str], set[date]]:
    """UTC dates with gauge data of each (site, pump); none for a pump with photographs or records alone."""
    pumps: set[tuple[str, str]] = set()
    for table in ("photos", "records", "gauge_samples"):
        columns = history.read(table, columns=["site", "pump"]).group_by(["site", "pump"]).aggregate([])
        pumps.update((row["site"], row["pump"]) for row in columns.to_pylist())
    return {(site, pump): set(history.days("gauge_samples", site, pump)) for site, pump in pumps}
