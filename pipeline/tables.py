"""What does the history keep? One Arrow schema a table; times in UTC, pressures in pascal.

What landed is only ever appended. What is derived from it is replaced whole, a production day of a pump at a
time, and can be rebuilt at any moment. A production day is the site's: it begins where the first shift does,
so that a night shift is not cut at midnight. A span belongs to the day in which it starts.
"""

from typing import Final

import pyarrow as pa

MOMENT: Final = pa.timestamp("us", tz="UTC")

# Where a landed row came from: which message of which outbox, and when it was committed.
_ORIGIN: Final = [("edge", pa.string()), ("stream", pa.string()), ("seq", pa.int64()), ("landed_at", MOMENT)]
_PUMP_DAY: Final = [("site", pa.string()), ("pump", pa.string()), ("day", pa.date32())]
_SPAN: Final = [("start", MOMENT), ("end", MOMENT)]

LANDED: Final[dict[str, pa.Schema]] = {
    # day : UTC date of `at`, so that landing needs no settings. One row a moment; null: no reading.
    "gauge_samples": pa.schema(
        [
            *_PUMP_DAY,
            ("at", MOMENT),
            ("base_pa", pa.float64()),
            ("catalyst_1_pa", pa.float64()),
            ("catalyst_2_pa", pa.float64()),
            ("air_pa", pa.float64()),
            ("ambient_temp_degc", pa.float64()),
            ("ambient_rh_pct", pa.float64()),
            *_ORIGIN,
        ]
    ),
    # The bytes stand in the home's photos/ folder under their digest.
    "photos": pa.schema(
        [
            ("sha256", pa.string()),
            ("site", pa.string()),
            ("pump", pa.string()),
            ("at", MOMENT),
            ("by", pa.string()),
            ("sheet", pa.string()),
            ("name", pa.string()),
            ("size_bytes", pa.int64()),
            *_ORIGIN,
        ]
    ),
    # body : the record whole, as JSON (edge/records.py).
    "records": pa.schema(
        [
            ("id", pa.string()),
            ("site", pa.string()),
            ("pump", pa.string()),
            ("at", MOMENT),
            ("by", pa.string()),
            ("kind", pa.string()),
            ("note", pa.string()),
            ("body", pa.string()),
            *_ORIGIN,
        ]
    ),
    # What could not be landed, and why; the payload stands in the home's rejected/ folder under its digest.
    # site is null where not even the topic could be read.
    "rejected": pa.schema(
        [
            ("site", pa.string()),
            ("topic", pa.string()),
            ("reason", pa.string()),
            ("sha256", pa.string()),
            ("size_bytes", pa.int64()),
            *_ORIGIN,
        ]
    ),
}

DERIVED: Final[dict[str, pa.Schema]] = {
    # part : 'base' | 'catalyst'. balance_pa : catalyst_1 less catalyst_2, mean over a catalyst stroke.
    "strokes": pa.schema(
        [
            *_PUMP_DAY,
            ("part", pa.string()),
            ("no", pa.int64()),
            *_SPAN,
            ("base_pa", pa.float64()),
            ("catalyst_1_pa", pa.float64()),
            ("catalyst_2_pa", pa.float64()),
            ("balance_pa", pa.float64()),
            ("direction", pa.int8()),
        ]
    ),
    # type : dispensing | stalled | purging | off | no_data
    "pump_states": pa.schema([*_PUMP_DAY, *_SPAN, ("type", pa.string())]),
    # type : caution | out_of_balance
    "balance_events": pa.schema([*_PUMP_DAY, *_SPAN, ("type", pa.string()), ("peak_pa", pa.float64())]),
    "idle_spans": pa.schema(
        [*_PUMP_DAY, *_SPAN, ("purged", pa.bool_()), ("purge_start", MOMENT), ("purge_end", MOMENT)]
    ),
    "purges": pa.schema([*_PUMP_DAY, *_SPAN]),
    # gauge : its name, or 'all' for the whole row. type : edge/words.py, Fault
    "sensor_faults": pa.schema([*_PUMP_DAY, *_SPAN, ("gauge", pa.string()), ("type", pa.string())]),
    # What the pressures look like a changeover at; proposed to a person, never a record by itself.
    "changeovers_seen": pa.schema([*_PUMP_DAY, *_SPAN, ("part", pa.string())]),
    # rise : share by which running pressure at equal flow stood above its level with the mixer new, at most
    "clogging_spans": pa.schema([*_PUMP_DAY, *_SPAN, ("rise", pa.float64())]),
    # One row a pump and production day. wear, clogging : JSON as in `inspect --json`.
    "pump_days": pa.schema(
        [
            *_PUMP_DAY,
            ("samples", pa.int64()),
            ("first_at", MOMENT),
            ("last_at", MOMENT),
            ("base_strokes", pa.int64()),
            ("catalyst_strokes", pa.int64()),
            ("base_l", pa.float64()),
            ("catalyst_l", pa.float64()),
            ("wear", pa.string()),
            ("clogging", pa.string()),
        ]
    ),
    # One row a photograph. Columns as in `score --json`; the overlay stands in the home's overlays/ folder.
    "smear_scores": pa.schema(
        [
            *_PUMP_DAY,
            ("at", MOMENT),
            ("sha256", pa.string()),
            ("by", pa.string()),
            ("sheet", pa.string()),
            ("verdict", pa.string()),
            ("score", pa.float64()),
            ("cov", pa.float64()),
            ("segregation", pa.float64()),
            ("striation_mm", pa.float64()),
            ("delta_e_p95", pa.float64()),
            ("shade_delta_e", pa.float64()),
            ("reasons", pa.list_(pa.string())),
            ("calibrated", pa.bool_()),
            ("px_per_mm", pa.float64()),
            ("shade_l", pa.float64()),
            ("shade_a", pa.float64()),
            ("shade_b", pa.float64()),
            ("delta_e_p99", pa.float64()),
            ("delta_e_zones", pa.float64()),
            ("cov_low", pa.float64()),
            ("cov_high", pa.float64()),
            ("certainty", pa.float64()),
            ("wings_likeness", pa.float64()),
            ("streaks", pa.int64()),
            ("longest_streak_mm", pa.float64()),
            ("specks", pa.int64()),
            ("largest_speck_mm", pa.float64()),
        ]
    ),
    # What the day's tests show (derive/cure). One row a record as corrected, of its id. passed : null where
    # the test is not valid or nothing is judged. Times in minutes, Ea in J/mol.
    "snap_results": pa.schema(
        [
            *_PUMP_DAY,
            ("at", MOMENT),
            ("id", pa.string()),
            ("valid", pa.bool_()),
            ("passed", pa.bool_()),
            ("problems", pa.list_(pa.string())),
            ("unsaid", pa.list_(pa.string())),
            ("least_min", pa.float64()),
            ("most_min", pa.float64()),
            ("adjusted_min", pa.float64()),
            ("adjusted_low_min", pa.float64()),
            ("adjusted_high_min", pa.float64()),
            ("ea_j_mol", pa.float64()),
            ("ea_low_j_mol", pa.float64()),
            ("ea_high_j_mol", pa.float64()),
            ("fit_tests", pa.int64()),
            ("base_lot", pa.string()),
            ("curing_agent_lot", pa.string()),
        ]
    ),
    # Base to curing agent. verdict : in | out | unsure; low, high : 95 % interval.
    "ratio_results": pa.schema(
        [
            *_PUMP_DAY,
            ("at", MOMENT),
            ("id", pa.string()),
            ("ratio", pa.float64()),
            ("deviation_pct", pa.float64()),
            ("low", pa.float64()),
            ("high", pa.float64()),
            ("by_volume", pa.float64()),
            ("by_volume_low", pa.float64()),
            ("by_volume_high", pa.float64()),
            ("verdict", pa.string()),
            ("why", pa.string()),
        ]
    ),
    # One row a bead at one age. soft, apart : marks too far below the norm; at 72 h, from it on either side.
    "bead_surveys": pa.schema(
        [
            *_PUMP_DAY,
            ("at", MOMENT),
            ("by", pa.string()),
            ("bead", pa.string()),
            ("made", MOMENT),
            ("age_h", pa.float64()),
            ("due_h", pa.float64()),
            ("marks", pa.int64()),
            ("norm", pa.float64()),
            ("lowest", pa.float64()),
            ("highest", pa.float64()),
            ("soft", pa.list_(pa.string())),
            ("apart", pa.list_(pa.string())),
            ("passed", pa.bool_()),
            ("why", pa.string()),
            ("ids", pa.list_(pa.string())),
        ]
    ),
    "bead_marks": pa.schema(
        [
            *_PUMP_DAY,
            ("id", pa.string()),
            ("valid", pa.bool_()),
            ("below", pa.float64()),
            ("soft", pa.bool_()),
            ("problems", pa.list_(pa.string())),
        ]
    ),
    "coupon_results": pa.schema(
        [
            *_PUMP_DAY,
            ("at", MOMENT),
            ("id", pa.string()),
            ("passed", pa.bool_()),
            ("mode", pa.string()),
            ("why", pa.list_(pa.string())),
        ]
    ),
    # Control charts: one row a point. measure, and ref: id of the record, digest of the photograph, or the
    # production day. Limits are those of the baseline; null where none stands. signals : rules it breaks.
    "chart_points": pa.schema(
        [
            *_PUMP_DAY,
            ("at", MOMENT),
            ("measure", pa.string()),
            ("ref", pa.string()),
            ("value", pa.float64()),
            ("baseline", pa.string()),
            ("baseline_points", pa.int64()),
            ("centre", pa.float64()),
            ("lower", pa.float64()),
            ("upper", pa.float64()),
            ("moving_range", pa.float64()),
            ("range_upper", pa.float64()),
            ("ewma", pa.float64()),
            ("ewma_lower", pa.float64()),
            ("ewma_upper", pa.float64()),
            ("signals", pa.list_(pa.string())),
        ]
    ),
    # What the rules make of the records: back to back for each pump; "end" is null for the span that lasts.
    # rules, reasons : in step, a rule's name and its sentence with the evidence; empty while released.
    # day : production day of `start`.
    "release_spans": pa.schema(
        [
            *_PUMP_DAY,
            *_SPAN,
            ("state", pa.string()),
            ("rules", pa.list_(pa.string())),
            ("reasons", pa.list_(pa.string())),
        ]
    ),
    # What the fold remembered at the start of a production day: JSON of judge/resume.py, Checkpoint.
    "checkpoints": pa.schema([*_PUMP_DAY, ("body", pa.string())]),
    # What each unit rests on. covered : made wholly under release, with a passing smear test before it;
    # suspect : a test that failed later reaches back to it; mixer_at : when the static mixer was new.
    "unit_coverage": pa.schema(
        [
            *_PUMP_DAY,
            ("unit", pa.string()),
            ("started", MOMENT),
            ("finished", MOMENT),
            ("covered", pa.bool_()),
            ("suspect", pa.bool_()),
            ("smear_sha256", pa.string()),
            ("smear_at", MOMENT),
            ("snap_id", pa.string()),
            ("mixer_at", MOMENT),
            ("base_lot", pa.string()),
            ("curing_agent_lot", pa.string()),
            ("reasons", pa.list_(pa.string())),
            ("next_smear_at", MOMENT),
            ("next_smear_passed", pa.bool_()),
            ("ratio_at", MOMENT),
            ("balance_pa", pa.float64()),
            ("photos", pa.list_(pa.string())),
            ("move_at", MOMENT),
            ("cleared", pa.string()),
        ]
    ),
    # One row a unit and reason for which it is suspect; since : the last good evidence, null if none.
    "suspect_units": pa.schema(
        [
            *_PUMP_DAY,
            ("unit", pa.string()),
            ("started", MOMENT),
            ("finished", MOMENT),
            ("test", pa.string()),
            ("since", MOMENT),
            ("found", MOMENT),
            ("reason", pa.string()),
            ("ref", pa.string()),
            ("clear_by", pa.string()),
            ("cleared", pa.string()),
        ]
    ),
}

TABLES: Final[dict[str, pa.Schema]] = {**LANDED, **DERIVED}

# How each table is split on disk. What an engineer asks about first is a pump and a day.
PARTITIONS: Final[dict[str, list[str]]] = {
    "gauge_samples": ["site", "pump", "day"],
    **{name: ["site", "pump"] for name in DERIVED},
}
