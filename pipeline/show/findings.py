"""What went wrong in a shift? One sentence a finding, in order of time, with when it began and ended."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from msgspec import Struct

from edge.sentences import clause, clauses, counted
from edge.units import pa_to_psi
from pipeline.settings import SiteSettings
from pipeline.show.tested import MEASURES, Lot

Row = dict[str, Any]
Rows = Callable[..., list[Row]]


class Finding(Struct, frozen=True):
    """Something that went wrong. end : None where it is a moment."""

    kind: str
    start: datetime
    end: datetime | None
    sentence: str


# Faults that leave a gauge without a true reading; others are counted beside the gauge, not told one by one.
_TOLD: Final = ("gap", "missing", "stuck", "drift", "saturation", "wire_break")
_FAULT_WORDS: Final = {
    "gap": "no rows came",
    "missing": "had no reading",
    "stuck": "stood still while the pump worked",
    "drift": "drifted away from the others",
    "saturation": "read at the end of its range",
    "wire_break": "read as a broken wire does",
}
_GAP_WORDS: Final = {
    "thinned": "For want of disk the edge kept one reading a second",
    "not_kept": "For want of disk the edge kept no readings",
    "damaged": "The edge's disk gave readings back damaged, so that they are missing",
}
# What these rules see is told as a finding of its own, which names the units glazed meanwhile.
_TOLD_WITH_UNITS: Final = frozenset({"out_of_balance", "gauge_failed", "no_data"})
# Events of one kind nearer than this are one: the operator mends it once.
_APART: Final = timedelta(minutes=5)


def find(
    rows: Rows,
    settings: SiteSettings,
    start: datetime,
    reached: datetime,
    outside: Iterable[str],
    lots: Iterable[Lot],
) -> list[Finding]:
    """All findings of the shift from `start` as far as anything is known.

    rows : runs a query for the shift's pump and window (summary.py); outside, lots : as tested.py tells them
    """
    tell = _Teller(rows, settings, start, reached)
    found = [
        *tell.smears(),
        *tell.balance(),
        *tell.stops(),
        *tell.faults(),
        *tell.silence(),
        *tell.tests(),
        *tell.charts(),
        *tell.surroundings(outside, lots),
        *tell.changeovers(),
        *tell.units(),
        *tell.persons(),
        *tell.clogging(),
        *tell.contact(),
        *tell.clocks(),
    ]
    return sorted(found, key=lambda finding: (finding.start, finding.kind))


class _Teller:
    def __init__(self, rows: Rows, settings: SiteSettings, start: datetime, reached: datetime) -> None:
        self.rows, self.settings, self.start, self.reached = rows, settings, start, reached
        self.held = rows(
            """
            SELECT start, coalesce("end", $reached) AS "end", state, rules, reasons FROM release_spans
            WHERE site = $site AND pump = $pump AND start < $reached AND coalesce("end", $reached) > $start
            ORDER BY start
            """,
            reached=reached,
        )
        self.glazed = rows(
            """
            SELECT unit, started, coalesce(finished, $reached) AS finished, covered, suspect, reasons
            FROM unit_coverage WHERE site = $site AND pump = $pump
            AND started < $end AND coalesce(finished, started) >= $start ORDER BY started, unit
            """,
            reached=reached,
        )

    def smears(self) -> Iterator[Finding]:
        """Failed smear tests, whoever failed them, once a sample; and photographs to be retaken."""
        since = self.start - timedelta(hours=12)
        rows = self.rows(
            """
            SELECT time, seen_by, verdict, reasons, note, person, sheet FROM smear_tests
            WHERE site = $site AND pump = $pump AND time >= $since AND time < $end AND superseded_by IS NULL
            ORDER BY time, seen_by
            """,
            since=since,
        )
        same = timedelta(minutes=self.settings.limits.same_sample_min)
        row_of_fails: list[Row] = []
        for row in rows:
            mine = row["time"] >= self.start
            if row["verdict"] == "retake" and mine:
                why = clauses(row["reasons"]) or "it can't be judged"
                sentence = f"The smear photograph of {self.clock(row['time'])} must be taken again: {why}."
                yield Finding("retake", row["time"], None, sentence)
            elif row["verdict"] == "pass" and row["seen_by"] == "camera":
                if not any(row["time"] - fail["time"] <= same for fail in row_of_fails):
                    row_of_fails = []
            elif row["verdict"] == "fail":
                one = [fail for fail in row_of_fails if row["time"] - fail["time"] <= same]
                again = len(row_of_fails) > len(one)
                row_of_fails.append(row)
                if one or not mine:
                    continue
                # The first reason; the others stand with the photograph.
                why = clauses(row["reasons"][:1]) or clause(row["note"])
                by = f" by eye ({row['person']})" if row["seen_by"] == "eye" else ""
                said = f"at {self.clock(row['time'])}{by}" + (f": {why}" if why else "")
                if again:
                    sentence = f"Another smear test in a row failed {said}. The mixer needs work first."
                    yield Finding("smear_failed_twice", row["time"], None, sentence)
                else:
                    yield Finding("smear_failed", row["time"], None, f"The smear test failed {said}.")

    def balance(self) -> Iterator[Finding]:
        rows = self.overlapping("balance_events", "type, peak_pa")
        out = [row for row in rows if row["type"] == "out_of_balance"]
        for kind in ("out_of_balance", "caution"):
            for some in _joined([row for row in rows if row["type"] == kind]):
                start, end = some[0]["start"], some[-1]["end"]
                near = any(o["start"] <= end + _APART and o["end"] >= start - _APART for o in out)
                if kind == "caution" and near:
                    continue  # the way into the event that is told already, or out of it
                peak = max(abs(row["peak_pa"]) for row in some)
                limits = self.settings.limits
                limit = limits.balance_out_psi if kind == "out_of_balance" else limits.balance_caution_psi
                sentence = (
                    f"The catalyst gauges ran up to {pa_to_psi(peak):.0f} psi apart while dispensing, "
                    f"{self.span(start, end)} (limit {limit:g} psi)."
                )
                if kind == "out_of_balance":
                    sentence += self.meanwhile(start, end)
                yield Finding(kind, start, end, sentence)

    def stops(self) -> Iterator[Finding]:
        for row in self.overlapping("idle_spans", "minutes, purged, purge_start"):
            if not row["purged"]:
                late = row["purge_start"]
                what = f"purged only at {self.clock(late)}" if late else "was not base-purged"
                when = self.span(row["start"], row["end"])
                sentence = (
                    f"The pump stood {row['minutes']:.0f} min, {when}, and {what}; "
                    f"a purge is due after {self.settings.limits.idle_min:g} min."
                )
                yield Finding("unpurged_stop", row["start"], row["end"], sentence)

    def faults(self) -> Iterator[Finding]:
        least = timedelta(seconds=self.settings.limits.gauge_failed_s)
        rows = self.overlapping("sensor_quality", "gauge, type")
        for gauge, kind in sorted({(row["gauge"], row["type"]) for row in rows if row["type"] in _TOLD}):
            for some in _joined([row for row in rows if (row["gauge"], row["type"]) == (gauge, kind)]):
                start, end = some[0]["start"], some[-1]["end"]
                if end - start < least:
                    continue
                which = "Of all gauges" if gauge == "all" else f"Gauge {gauge}"
                sentence = (
                    f"{which} {_FAULT_WORDS[kind]}, {self.span(start, end)}.{self.meanwhile(start, end)}"
                )
                yield Finding(f"gauge_{kind}", start, end, sentence)

    def silence(self) -> Iterator[Finding]:
        silent = [row for row in self.held if "no_data" in row["rules"]]
        for some in _joined(silent, timedelta(0)):
            start, end = max(some[0]["start"], self.start), min(some[-1]["end"], self.reached)
            sentence = (
                f"Nothing was recorded of the pressures, {self.span(start, end)}.{self.meanwhile(start, end)}"
            )
            yield Finding("no_data", start, end, sentence)

    def tests(self) -> Iterator[Finding]:
        mine = "site = $site AND pump = $pump AND time >= $start AND time < $end"
        for row in self.rows(
            f"SELECT * FROM snap_tests WHERE {mine} AND superseded_by IS NULL AND NOT in_limits"
        ):
            sentence = (
                f"The snap time of {self.clock(row['time'])} was {row['minutes']:g} min, "
                f"wanted {row['min_min']:g} to {row['max_min']:g} min."
            )
            yield Finding("snap_out_of_limits", row["time"], None, sentence)
        for row in self.rows(
            f"SELECT * FROM snap_tests WHERE {mine} AND superseded_by IS NULL AND NOT valid"
        ):
            why = ", ".join(row["problems"])
            sentence = f"The snap time of {self.clock(row['time'])} does not count: {why}."
            yield Finding("snap_not_valid", row["time"], None, sentence)
        for row in self.rows(
            f"""
            SELECT * FROM ratio_checks WHERE {mine} AND superseded_by IS NULL
            AND coalesce(verdict, if(in_tolerance, 'in', 'out')) <> 'in'
            """
        ):
            off = f"was {row['ratio']:.2f} : 1, {row['deviation_pct']:+.1f} % off"
            wanted = f"wanted within {row['tolerance_pct']:g} %"
            kind = "ratio_out" if row["verdict"] != "unsure" else "ratio_unsure"
            doubt = f", and proves nothing: {row['why']}" if kind == "ratio_unsure" else ""
            sentence = f"The ratio weighed at {self.clock(row['time'])} {off}; {wanted}{doubt}."
            yield Finding(kind, row["time"], None, sentence)
        for row in self.rows(f"SELECT * FROM bead_surveys WHERE {mine} AND passed IS NOT TRUE AND due_h > 0"):
            kind = "soft_spot" if row["soft"] else "bead_uneven" if row["apart"] else "bead_not_judged"
            norm = "" if row["norm"] is None else f" (norm Shore A {row['norm']:g}, lowest {row['lowest']:g})"
            sentence = f"Bead {row['bead']} at {row['age_h']:.0f} h: {row['why']}{norm}."
            yield Finding(kind, row["time"], None, sentence)
        for row in self.rows(
            f"SELECT * FROM adhesion_tests WHERE {mine} AND superseded_by IS NULL AND NOT passed"
        ):
            why = clauses(row["why"]) or "failed"
            sentence = f"Adhesion specimen {row['specimen']} failed: {why}."
            yield Finding("adhesion_failed", row["time"], None, sentence)

    def charts(self) -> Iterator[Finding]:
        """What left its control chart, once a measure."""
        for row in self.rows(
            """
            SELECT measure, min(time) AS first, count(*) AS n, any_value(baseline) AS baseline,
                   list_sort(list_distinct(flatten(list(signals)))) AS signals
            FROM control_charts WHERE site = $site AND pump = $pump AND time >= $start AND time < $end
            AND len(signals) > 0 GROUP BY measure ORDER BY measure
            """
        ):
            label = MEASURES[row["measure"]][0]
            broken = ", ".join(signal.replace("_", " ") for signal in row["signals"])
            sentence = (
                f"The chart of {label} gives {counted(row['n'], 'signal')} ({broken}) "
                f"against baseline {row['baseline']}."
            )
            yield Finding("chart_signal", row["first"], None, sentence)

    def surroundings(self, outside: Iterable[str], lots: Iterable[Lot]) -> Iterator[Finding]:
        """Room and mixer beyond their limits, and lots that were stored badly."""
        for told in outside:
            yield Finding("surroundings", self.start, None, f"In this shift {told}.")
        for lot in lots:
            if lot.stored_badly:
                part = "base" if lot.part == "base" else "curing agent"
                sentence = f"Lot {lot.lot} of the {part} was stored beyond its temperatures."
                yield Finding("stored_badly", max(lot.since, self.start), None, sentence)

    def changeovers(self) -> Iterator[Finding]:
        """Each pail or drum replaced, from where the pressures show it if they do."""
        seen = self.rows(
            'SELECT start, "end", part FROM history.changeovers_seen WHERE site = $site AND pump = $pump'
        )
        for row in self.rows(
            """
            SELECT time, part, new_lot, person FROM changeovers WHERE site = $site AND pump = $pump
            AND time >= $start AND time < $end AND superseded_by IS NULL AND part <> 'mixer'
            """
        ):
            part = "base drum" if row["part"] == "base" else "curing-agent pail"
            near = [
                s["start"]
                for s in seen
                if (s["part"] == "base") == (row["part"] == "base")
                and s["start"] - _APART <= row["time"] <= s["end"] + 2 * _APART
            ]
            sentence = (
                f"New {part}, lot {row['new_lot']} ({row['person']}, recorded {self.clock(row['time'])})."
            )
            yield Finding("changeover", min([*near, row["time"]]), None, sentence)

    def units(self) -> Iterator[Finding]:
        """Units glazed while the pump was on hold, and units that a later test casts doubt on."""
        on_hold = [unit for unit in self.glazed if self.rules_during(unit) - _TOLD_WITH_UNITS]
        for some in _joined(on_hold, timedelta(minutes=30), "started", "finished"):
            rules = sorted(set().union(*(self.rules_during(unit) for unit in some)) - _TOLD_WITH_UNITS)
            named = _named([unit["unit"] for unit in some])
            start, end = some[0]["started"], max(unit["finished"] for unit in some)
            under = ", ".join(rule.replace("_", " ") for rule in rules)
            sentence = f"{named} glazed while the pump was on hold ({under}), {self.span(start, end)}."
            yield Finding("units_on_hold", start, end, sentence)
        doubted = [unit for unit in self.glazed if unit["suspect"]]
        if doubted:
            told = (r for unit in doubted for r in unit["reasons"] if r.startswith("After it: "))
            why = clause(next(told, "").removeprefix("After it: "))
            named = _named([unit["unit"] for unit in doubted])
            sentence = f"{named} glazed before a test that casts doubt on them: {why}."
            yield Finding(
                "units_suspect", doubted[0]["started"], max(u["finished"] for u in doubted), sentence
            )

    def persons(self) -> Iterator[Finding]:
        for rule in ("released_by_person", "held_by_person", "lot_expired"):
            for some in _joined([row for row in self.held if rule in row["rules"]], timedelta(0)):
                reason = some[0]["reasons"][some[0]["rules"].index(rule)]
                yield Finding(rule, max(some[0]["start"], self.start), some[-1]["end"], reason)

    def clogging(self) -> Iterator[Finding]:
        for row in self.rows(
            """
            SELECT start, "end", rise FROM history.clogging_spans
            WHERE site = $site AND pump = $pump AND start < $end AND "end" > $start ORDER BY start
            """
        ):
            sentence = (
                f"Running pressure at equal flow climbed {100 * row['rise']:.0f} % above its level with "
                f"the mixer new, {self.span(row['start'], row['end'])}: the mixer is clogging."
            )
            yield Finding("clogging", row["start"], row["end"], sentence)

    def contact(self) -> Iterator[Finding]:
        for row in self.rows(
            """
            SELECT time, (body ->> 'back_at')::TIMESTAMPTZ AS back_at, (body ->> 'held')::BIGINT AS held
            FROM history.said WHERE kind = 'contact_loss' AND superseded_by IS NULL
            AND site = $site AND pump = $pump AND time < $end AND (body ->> 'back_at')::TIMESTAMPTZ > $start
            """
        ):
            sentence = (
                f"The edge could not reach the broker, {self.span(row['time'], row['back_at'])}; "
                f"what it kept meanwhile, {counted(row['held'], 'message')}, was sent after."
            )
            yield Finding("contact_lost", row["time"], row["back_at"], sentence)
        yield from self.gaps_in_capture()
        for row in self.rows(
            """
            SELECT min(landed_at) AS first, max(landed_at) AS last, count(*) AS n,
                   min_by(reason, landed_at) AS reason
            FROM history.rejected WHERE site = $site AND landed_at >= $start AND landed_at < $end HAVING n > 0
            """
        ):
            sentence = f"{counted(row['n'], 'message')} could not be read and set aside, the first: "
            yield Finding("rejected", row["first"], row["last"], f"{sentence}{row['reason'].rstrip('.')}.")

    def gaps_in_capture(self) -> Iterator[Finding]:
        """Readings that an edge had to thin, to leave out, or found damaged."""
        for row in self.rows(
            """
            SELECT time, (body ->> 'until')::TIMESTAMPTZ AS until, body ->> 'cause' AS cause,
                   (body ->> 'packs')::BIGINT AS packs
            FROM history.said WHERE kind = 'capture_gap' AND superseded_by IS NULL
            AND site = $site AND pump = $pump AND time < $end AND (body ->> 'until')::TIMESTAMPTZ >= $start
            ORDER BY time
            """
        ):
            what = _GAP_WORDS[row["cause"]]
            about = "" if row["packs"] is None else f" ({counted(row['packs'], 'message')})"
            sentence = f"{what}, {self.span(row['time'], row['until'])}{about}."
            yield Finding("capture_gap", row["time"], row["until"], sentence)

    def clocks(self) -> Iterator[Finding]:
        """Edges whose clock ran ahead of the moment at which their readings landed, or that nothing held."""
        for row in self.rows(
            """
            SELECT edge, min(epoch(landed_at - "at")) AS least_s, min("at") AS first, max("at") AS last
            FROM history.gauge_samples WHERE site = $site AND pump = $pump AND "at" >= $start AND "at" < $end
            AND edge IS NOT NULL GROUP BY edge HAVING least_s < -$ahead_s
            """,
            ahead_s=self.settings.limits.clock_ahead_s,
        ):
            sentence = (
                f"The clock of edge {row['edge']} ran at least {-row['least_s']:.0f} s ahead: "
                "readings landed before the time they name. Set it by a time service."
            )
            yield Finding("clock_ahead", row["first"], row["last"], sentence)
        for row in self.rows(
            """
            SELECT body ->> 'edge' AS edge, min(time) AS first FROM history.said
            WHERE kind = 'clock_state' AND superseded_by IS NULL AND (body ->> 'synchronised') = 'false'
            AND site = $site AND pump = $pump AND time >= $start AND time < $end GROUP BY ALL ORDER BY first
            """
        ):
            sentence = f"No time service held the clock of edge {row['edge']} at {self.clock(row['first'])}."
            yield Finding("clock_not_held", row["first"], None, sentence)

    def overlapping(self, view: str, columns: str) -> list[Row]:
        return self.rows(
            f"""
            SELECT start, "end", {columns} FROM {view}
            WHERE site = $site AND pump = $pump AND start < $end AND "end" > $start ORDER BY start
            """
        )

    def rules_during(self, unit: Row) -> set[str]:
        """Rules under which the pump was on hold while the unit was glazed."""
        return {
            rule
            for span in self.held
            if span["state"] == "hold" and span["start"] < unit["finished"] and span["end"] > unit["started"]
            for rule in span["rules"]
        }

    def meanwhile(self, start: datetime, end: datetime) -> str:
        """Which units were glazed in a span, as a sentence to follow another."""
        units = [u["unit"] for u in self.glazed if u["started"] < end and u["finished"] > start]
        return f" {_named(units)} glazed meanwhile." if units else ""

    def span(self, start: datetime, end: datetime) -> str:
        """From when to when; the date of the end is that of the start unless it says so."""
        first, last = self.clock(start), self.clock(end)
        return f"{first} to {last.removeprefix(first[:-5])}"

    def clock(self, at: datetime) -> str:
        """Local time of day to the nearest minute; with its date where that is not the shift's."""
        local = (at + timedelta(seconds=30)).astimezone(self.settings.zone)
        same = local.date() == self.start.astimezone(self.settings.zone).date()
        return f"{local:%H:%M}" if same else f"{local:%d %b %H:%M}"


def _joined(
    rows: Iterable[Row], apart: timedelta = _APART, start: str = "start", end: str = "end"
) -> Iterator[list[Row]]:
    """Rows in order of time, as runs in which none is further from the one before than `apart`."""
    run: list[Row] = []
    for row in rows:
        if run and row[start] - max(one[end] for one in run) > apart:
            yield run
            run = []
        run.append(row)
    if run:
        yield run


def _named(units: Sequence[str]) -> str:
    if len(units) == 1:
        return f"Unit {units[0]} was"
    shown = units if len(units) <= 4 else [*units[:2], "…", units[-1]]
    return f"{len(units)} units ({', '.join(shown)}) were"
