"""What passes over the wire while a pump starts its day? Packs, records and photographs as lines, in order.

Run as `python -m tests.shop.on_the_wire sample_streams` to write pump-b_start.ndjson.gz anew, from the gauge
file and the records beside it: the first hour of pump-b, from pressure to release.
"""

import gzip
import sys
from datetime import datetime
from heapq import merge
from itertools import takewhile
from pathlib import Path

import msgspec

from edge.gaugefile import read_gauge_file
from edge.sources.gauges import pack_events
from edge.wire import Address, Channel
from tests.shop.day import EDGES, SITE, at
from tests.shop.paperwork import photo_lines, record_lines

PUMP, UNTIL = "pump-b", "07:00"
STREAM = f"{0xB:032x}"


def lines(folder: Path) -> list[bytes]:
    """The hour's lines, each with what it says of its own time left in it."""
    until_us = round(at(UNTIL).timestamp() * 1e6)
    rows = takewhile(lambda row: row.at_us < until_us, read_gauge_file(folder / f"{PUMP}_early.csv.gz"))
    packs = (
        (event.at_us, Address(SITE, EDGES[PUMP], Channel.GAUGES, STREAM, seq).topic(), event.payload)
        for seq, event in enumerate(pack_events(rows, SITE, PUMP, 1.0), 1)
    )
    gauges = ((us, msgspec.json.encode({"topic": t, "payload": msgspec.Raw(p)})) for us, t, p in packs)
    written = sorted((_at_us(line), line) for line in (*record_lines(PUMP), *photo_lines(PUMP)))
    return [line for us, line in merge(gauges, sorted(written)) if us < until_us]


def _at_us(line: bytes) -> int:
    told = msgspec.json.decode(line)
    moment = told["at"] if "photo" in told else told["payload"]["at"]
    return round(msgspec.convert(moment, datetime).timestamp() * 1e6)


def main(folder: Path) -> None:
    path = folder / f"{PUMP}_start.ndjson.gz"
    with path.open("wb") as raw, gzip.GzipFile("", "wb", 9, raw, mtime=0) as file:
        file.write(b"".join(line + b"\n" for line in lines(folder)))
    print(path, path.stat().st_size)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
