"""What do the people of Hall Nine write down that day? The records and the list of photographs.

Follows tests/shop/day.py. Run as `python -m tests.shop.paperwork sample_streams` to write records.ndjson and
photos.ndjson anew; ids are made from the moment and a running number, so every run writes the same bytes.
"""

import sys
from datetime import datetime
from pathlib import Path
from typing import Any
from uuid import UUID

import msgspec

from edge.records import (
    Adjustment,
    AnyRecord,
    BeadReading,
    Catch,
    Changeover,
    MixerChange,
    Purge,
    RatioCheck,
    SmearCall,
    SnapTime,
    UnitFinished,
    UnitStarted,
)
from edge.wire import Address, Channel
from tests.shop.day import EDGES, SHOP, SITE, at

BASE_LOT = {"pump-a": "B-2608-17", "pump-b": "B-2608-17"}
CURING_LOT = {"pump-a": "C-2609-04", "pump-b": "C-2609-05"}
NEW_PAIL_LOT = "C-2609-06"

# Units glazed, local start and end of glazing; each lies in a span of work.
UNITS = {
    "pump-a": (
        *(("06:32", "06:54"), ("06:58", "07:20"), ("07:24", "07:46"), ("07:50", "08:12")),
        *(("08:16", "08:40"), ("08:44", "09:04")),  # the balance goes out under these two
        *(("09:42", "10:04"), ("10:08", "10:30"), ("10:34", "10:56"), ("11:00", "11:26")),
        *(("12:24", "12:46"), ("12:50", "13:12"), ("13:16", "13:44")),
        *(("14:22", "14:44"), ("14:48", "15:16")),
        *(("15:32", "15:56"), ("16:00", "16:26")),  # on the new pail, untested
        *(("16:56", "17:18"), ("17:22", "17:52"), ("18:42", "19:06"), ("19:10", "19:34")),
        *(("19:38", "20:02"), ("20:06", "20:30"), ("20:34", "20:58"), ("21:02", "21:36")),
    ),
    "pump-b": (
        *(("07:12", "07:36"), ("07:40", "08:04"), ("08:08", "08:32"), ("08:36", "08:58")),
        *(("09:24", "09:48"), ("09:52", "10:14")),
        *(("10:18", "10:42"),),  # the gauge sticks under this one
        *(("10:46", "11:08"), ("11:12", "11:28"), ("12:16", "12:40"), ("12:44", "13:08"), ("13:12", "13:44")),
        *(("14:26", "14:50"), ("14:54", "15:18"), ("15:22", "15:46"), ("15:50", "16:14"), ("16:18", "16:42")),
        *(("16:46", "17:10"), ("17:14", "17:56"), ("18:44", "19:08"), ("19:10", "19:28")),
        *(("20:04", "20:28"), ("20:32", "20:56"), ("21:00", "21:36")),
    ),
}


def records(pump: str) -> list[AnyRecord]:
    """Records of one pump's day, in order of time."""
    number = 0

    def head(clock: str, by: str) -> dict[str, Any]:
        nonlocal number
        number += 1
        moment = at(clock)
        return {"id": _id(moment, pump, number), "site": SITE, "pump": pump, "at": moment, "by": by}

    early, late = ("R. Okafor", "L. Brandt") if pump == "pump-a" else ("M. Silva", "T. Novak")
    lots = {"base_lot": BASE_LOT[pump], "curing_agent_lot": CURING_LOT[pump]}
    warm, mild = {"temp_degc": 23.5, "rh_pct": 48.0}, {"temp_degc": 22.0, "rh_pct": 51.0}
    written: list[AnyRecord] = []
    if pump == "pump-a":
        written += [
            MixerChange(**head("06:05", early), reason="new for the day"),
            RatioCheck(**head("06:20", early), catches=_catches((412.6, 40.9), (408.1, 40.7), (415.0, 41.3))),
            SnapTime(**head("06:56", early), minutes=42, **lots, **mild),
            Adjustment(**head("09:00", early), of="balance", did="brought catalyst 2 down at its regulator"),
            Purge(**head("12:11", early), note="nobody purged before lunch"),
            SnapTime(**head("13:00", early), minutes=43, **lots, **warm),
            *_survey(head, "14:45", late, "A-1013", (38, 37, 39, 38, 37, 38, 38)),
            Changeover(
                **head("15:28", late),
                part="curing_agent",
                old_lot=lots["curing_agent_lot"],
                new_lot=NEW_PAIL_LOT,
            ),
            RatioCheck(**head("16:44", late), catches=_catches((409.9, 41.2), (411.3, 41.0), (407.5, 40.6))),
            SnapTime(
                **head("17:18", late),
                minutes=44,
                base_lot=lots["base_lot"],
                curing_agent_lot=NEW_PAIL_LOT,
                **warm,
            ),
        ]
    else:
        written += [
            MixerChange(**head("06:03", early), reason="new for the day"),
            SmearCall(**head("06:10", early), call="fail", note="white streaks through both wings"),
            SmearCall(**head("06:26", early), call="fail", note="fewer streaks, still there"),
            MixerChange(**head("06:40", early), reason="second failed smear; elements were not seated"),
            SmearCall(**head("06:53", early), call="pass"),
            RatioCheck(**head("07:01", early), catches=_catches((410.2, 41.1), (413.8, 41.2), (409.4, 40.9))),
            SnapTime(**head("07:34", early), minutes=41, **lots, **mild),
            *_survey(head, "14:50", late, "B-1013", (37, 38, 38, 36, 37, 38, 37)),
            MixerChange(**head("19:36", late), reason="running pressure had climbed"),
            SnapTime(**head("20:33", late), minutes=43, **lots, **mild),
        ]
    for count, (start, end) in enumerate(UNITS[pump], 1):
        unit = f"H9-1014-{pump[-1].upper()}{count:02d}"
        by = early if at(start) < at("14:00") else late
        written += [UnitStarted(**head(start, by), unit=unit), UnitFinished(**head(end, by), unit=unit)]
    return sorted(written, key=lambda record: record.at)


def _survey(head: Any, clock: str, by: str, bead: str, shore_a: tuple[float, ...]) -> list[AnyRecord]:
    """A bead made the day before, read along its length at about 24 h."""
    return [
        BeadReading(
            **head(f"{clock}:{8 * place:02d}", by),
            bead=bead,
            mark=str(place + 1),
            mark_mm=150.0 * place,
            mark_kind="reversal" if place in (2, 4) else "plain",
            age_h=24.2,
            shore_a=(reading - 0.5, reading, reading + 0.5),
        )
        for place, reading in enumerate(shore_a)
    ]


def _catches(*weighed: tuple[float, float]) -> tuple[Catch, ...]:
    return tuple(Catch(base_g=base, curing_agent_g=curing) for base, curing in weighed)


def _id(moment: datetime, pump: str, number: int) -> UUID:
    """A UUIDv7 whose random bits are the pump and a running number."""
    stamp = int(moment.timestamp() * 1000)
    return UUID(int=stamp << 80 | 0x7 << 76 | ord(pump[-1]) << 64 | 0b10 << 62 | number)


def record_lines(pump: str) -> list[bytes]:
    """Each record as a line {"topic", "payload"}."""
    stream = f"{ord(pump[-1]):032x}"
    return [
        msgspec.json.encode(
            {"topic": Address(SITE, EDGES[pump], Channel.RECORD, stream, seq).topic(), "payload": record}
        )
        for seq, record in enumerate(records(pump), 1)
    ]


def photo_lines(pump: str) -> list[bytes]:
    """Each photograph as a line {"at", "photo", "pump", "by"}; photo is the file's name.

    The sheet's number is on the sheet: nobody types it.
    """
    return [
        msgspec.json.encode(
            {
                "at": at(smear.at),
                "photo": smear.file,
                "pump": pump,
                "by": smear.by,
            }
        )
        for smear in SHOP[pump].smears
    ]


def main(folder: Path) -> None:
    for name, lines in (("records", record_lines), ("photos", photo_lines)):
        for pump in SHOP:
            path = folder / f"{pump}_{name}.ndjson"
            path.write_bytes(b"".join(line + b"\n" for line in lines(pump)))
            print(path)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
