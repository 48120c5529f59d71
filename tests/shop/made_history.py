"""Hall Nine's day as a history, without a recording: what landing and analysis would have written.

Small and quick, for tests of judge, join and show. Gauges are sampled every 5 s and derived rows are taken
from tests/shop/day.py itself, so nothing here depends on how pressures or photographs are analysed.
"""

import hashlib
import math
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pyarrow as pa
from deltalake import write_deltalake

from edge.records import AnyRecord, ContactLoss, encode_record, kind_of
from edge.units import psi_to_pa
from pipeline.cure import derive_cure
from pipeline.history import History
from pipeline.judging import judge
from pipeline.settings import load_settings
from pipeline.tables import LANDED, PARTITIONS, TABLES
from tests.shop.day import DAY, EDGES, SHOP, SITE, PumpDay, at
from tests.shop.paperwork import _id, records

SAMPLES = Path(__file__).parents[2] / "sample_streams"
VERDICT = {"good": "pass", "streaked": "fail", "badly_streaked": "fail"}
FAULTY_PHOTO = {
    "blurred": "too blurred to judge: hold the phone still",
    "glare": "glare on the film: tilt the lamp away",
}


def write(home: Path, table: str, rows: list[dict[str, Any]]) -> None:
    """Append rows to one table, as the schemas say; what lands goes through the history's own door."""
    if not rows:
        return
    made = pa.Table.from_pylist(rows, schema=TABLES[table])
    if table in LANDED:
        History(home).append(table, made)
        return
    write_deltalake(home / "history" / table, made, mode="append", partition_by=PARTITIONS.get(table, []))


def write_records(home: Path, written: list[AnyRecord], landed_at: datetime | None = None) -> None:
    """Append records as landing would."""
    rows = [
        {
            "id": str(record.id),
            "site": record.site,
            "pump": record.pump,
            "at": record.at,
            "by": record.by,
            "kind": kind_of(record),
            "note": record.note,
            "body": encode_record(record).decode(),
            "edge": EDGES.get(record.pump, "edge-a"),
            "stream": "0" * 32,
            "seq": number,
            "landed_at": landed_at or record.at,
        }
        for number, record in enumerate(written, 1)
    ]
    write(home, "records", rows)


def build(home: Path) -> Path:
    """The whole day of both pumps, judged. Returns the home."""
    home.mkdir(parents=True, exist_ok=True)
    (home / "site.toml").write_bytes((SAMPLES / "site.toml").read_bytes())
    for pump, day in SHOP.items():
        write_records(home, [*records(pump), *_contact_losses(pump, day)])
        _write_smears(home, pump, day)
        _write_gauges(home, pump, day)
    settings = load_settings(home)
    for pump in SHOP:
        derive_cure(History(home), settings, SITE, pump)
        judge(History(home), settings, SITE, pump)
    return home


def _contact_losses(pump: str, day: PumpDay) -> list[AnyRecord]:
    if day.outage is None:
        return []
    gone, back = (at(clock) for clock in day.outage)
    head = {"id": _id(gone, pump, 999), "site": SITE, "pump": pump, "at": gone, "by": EDGES[pump]}
    return [ContactLoss(**head, edge=EDGES[pump], back_at=back, held=4242)]


def _write_smears(home: Path, pump: str, day: PumpDay) -> None:
    rows, photos = [], []
    for number, smear in enumerate(day.smears, 1):
        # A JPEG ends where it says; the name after it makes each photograph's digest its own.
        photo = _picture(smear.mix, seed=number) + smear.file.encode()
        digest = hashlib.sha256(photo).hexdigest()
        for path in (home / "photos" / digest[:2] / digest, home / "overlays" / f"{digest}.jpg"):
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(photo)
        usable = smear.photo == "good"
        verdict = VERDICT[smear.mix] if usable else "retake"
        bad = verdict == "fail"
        reasons = [] if usable else [FAULTY_PHOTO[smear.photo]]
        rows.append(
            {
                "site": SITE,
                "pump": pump,
                "day": DAY,
                "at": at(smear.at),
                "sha256": digest,
                "by": smear.by,
                "sheet": f"S-{number:03d}" if smear.sheet else None,
                "verdict": verdict,
                "score": (8.0 if bad else 1.0) if usable else 0.0,
                "cov": (0.21 if bad else 0.02) if usable else None,
                "segregation": (0.005 if bad else 0.0001) if usable else None,
                "striation_mm": (1.8 if bad else 0.1) if usable else None,
                "delta_e_p95": (6.1 if bad else 0.9) if usable else None,
                "shade_delta_e": 0.4 if usable else None,
                "reasons": ["streaks 1.8 mm wide through both wings"] if bad else reasons,
                "calibrated": smear.sheet,
                "px_per_mm": 12.0,
                **({"shade_l": 38.2, "shade_a": 0.1, "shade_b": -0.9} if smear.sheet and usable else {}),
            }
        )
        photos.append(
            {
                **{key: rows[-1][key] for key in ("sha256", "site", "pump", "at", "by", "sheet")},
                **{"name": smear.file, "size_bytes": len(photo), "edge": EDGES[pump], "stream": "1" * 32},
                **{"seq": number, "landed_at": at(smear.at) + timedelta(seconds=2)},
            }
        )
    write(home, "smear_scores", rows)
    write(home, "photos", photos)


def _picture(mix: str, seed: int) -> bytes:
    """A grey film on white paper, striped where the mix is bad; a stand-in for a photograph."""
    noise = np.random.default_rng(seed).normal(0, 3, (450, 600))
    across = np.hypot((np.arange(600) - 300) / 220, (np.arange(450)[:, None] - 225) / 150)
    film = 70.0 + (90.0 * (np.arange(600) % 40 < 6) if mix != "good" else 0.0)
    grey = np.clip(np.where(across < 1, film, 225.0) + noise, 0, 255).astype(np.uint8)
    return cv2.imencode(".jpg", cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR))[1].tobytes()


def states(day: PumpDay) -> Iterator[tuple[datetime, datetime, str]]:
    """What the pump did, back to back over the recorded day."""
    reach = at("05:45")
    for span in day.spans:
        start, end = at(span.start), at(span.end)
        if start > reach:
            yield reach, start, "stalled"
        match span.what:
            case "work" | "tests":
                while start < end:
                    pull = min(start + timedelta(seconds=40), end)
                    yield start, pull, "dispensing"
                    if pull < end:
                        yield pull, min(pull + timedelta(seconds=20), end), "stalled"
                    start = pull + timedelta(seconds=20)
                end = max(end, start - timedelta(seconds=20))
            case "purge":
                yield start, start + timedelta(seconds=25), "purging"
                end = start + timedelta(seconds=25)
            case "off":
                yield start, end, "off"
            case _:  # a changeover: silence, then air being bled through the gun
                bled = end - timedelta(minutes=4)
                yield start, bled, "stalled"
                yield bled, end, "dispensing"
        reach = end


def _write_gauges(home: Path, pump: str, day: PumpDay) -> None:
    place = {"site": SITE, "pump": pump, "day": DAY}
    spans = list(states(day))
    flow = [(start, end) for start, end, kind in spans if kind == "dispensing"]
    purges = [(start, end) for start, end, kind in spans if kind == "purging"]
    out = [
        (at("08:36"), at("09:00"), psi_to_pa(372.0))
        for drift in day.drifts
        if drift.kind == "catalyst_2_high_psi"
    ]
    write(home, "pump_states", [{**place, "start": s, "end": e, "type": kind} for s, e, kind in spans])
    write(home, "purges", [{**place, "start": s, "end": e} for s, e in purges])
    write(
        home,
        "balance_events",
        [
            *({**place, "start": s, "end": e, "type": "out_of_balance", "peak_pa": p} for s, e, p in out),
            *(
                {**place, "start": s - timedelta(minutes=2), "end": s, "type": "caution", "peak_pa": p * 0.75}
                for s, _, p in out
            ),
        ],
    )
    idle = []
    for (_, end), (start, _) in zip(flow, [*flow[1:], (at("22:10"), None)], strict=True):
        if start - end > timedelta(minutes=5):
            purge = next(((s, e) for s, e in purges if end <= s < start), (None, None))
            in_time = purge[0] is not None and purge[0] - end <= timedelta(minutes=5)
            idle.append(
                {
                    **place,
                    "start": end,
                    "end": start,
                    "purged": in_time,
                    "purge_start": purge[0],
                    "purge_end": purge[1],
                }
            )
    write(home, "idle_spans", idle)
    write(
        home,
        "sensor_faults",
        [
            {**place, "start": at(f.start), "end": at(f.end), "gauge": f.gauge, "type": f.kind}
            for f in day.faults
        ],
    )
    replaced = [span for span in day.spans if span.what.startswith("changeover")]
    write(
        home,
        "changeovers_seen",
        [{**place, "start": at(c.start), "end": at(c.end), "part": c.what.split("_")[1]} for c in replaced],
    )
    clogged = [d for d in day.drifts if d.kind == "clogging_share"]
    write(
        home,
        "clogging_spans",
        [{**place, "start": at("17:30"), "end": at(d.full), "rise": d.size} for d in clogged],
    )
    strokes = []
    for part, seconds in (("base", 8), ("catalyst", 10)):
        number = 0
        for start, end in flow:
            while start + timedelta(seconds=seconds) <= end:
                number += 1
                apart = next((p for s, e, p in out if s <= start < e), psi_to_pa(20.0))
                stop = start + timedelta(seconds=seconds)
                strokes.append(
                    {
                        **place,
                        "part": part,
                        "no": number,
                        "start": start,
                        "end": stop,
                        "base_pa": 17e6,
                        "catalyst_1_pa": 16e6,
                        "catalyst_2_pa": 16e6 + apart,
                        "balance_pa": -apart if part == "catalyst" else None,
                        "direction": number % 2,
                    }
                )
                start = stop
    write(home, "strokes", strokes)
    samples = list(_samples(spans, out))
    for row in samples:
        row.update(place, day=row["at"].date(), edge=EDGES[pump], stream="2" * 32, seq=1, landed_at=row["at"])
    write(home, "gauge_samples", samples)
    write(
        home,
        "pump_days",
        [
            {
                **place,
                "samples": len(samples),
                "first_at": spans[0][0],
                "last_at": spans[-1][1],
                "base_strokes": sum(s["part"] == "base" for s in strokes),
                "catalyst_strokes": sum(s["part"] == "catalyst" for s in strokes),
                "base_l": None,
                "catalyst_l": None,
                "wear": "[]",
                "clogging": "{}",
            }
        ],
    )


def _samples(
    spans: list[tuple[datetime, datetime, str]], out: list[tuple[datetime, datetime, float]]
) -> Iterator[dict[str, Any]]:
    for start, end, kind in spans:
        for second in range(0, int((end - start).total_seconds()), 5):
            moment = start + timedelta(seconds=second)
            apart = next((p for s, e, p in out if s <= moment < e), psi_to_pa(20.0))
            base, catalyst = {
                "off": (0.0, 0.0),
                "stalled": (18e6, 17e6),
                "purging": (15e6, 17e6),
                "dispensing": (16e6, 15e6),
            }[kind]
            dip = 0.3e6 * math.sin(moment.timestamp())
            yield {
                "at": moment,
                "base_pa": base + dip,
                "catalyst_1_pa": catalyst + dip,
                "catalyst_2_pa": catalyst + dip + (apart if catalyst else 0.0),
                "air_pa": 6e5,
            }


def empty_home(home: Path) -> Path:
    """A home in which nothing has landed."""
    home.mkdir(parents=True, exist_ok=True)
    (home / "site.toml").write_bytes((SAMPLES / "site.toml").read_bytes())
    return home
