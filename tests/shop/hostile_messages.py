"""What may a broken or hostile device publish? Seeded topics and payloads, and what a true row may hold.

`truth` reads a payload by Python's own json and by RFC 8428's words, without the code under test.
"""

# ruff: noqa: E501  a table of payloads reads best with as many on a line as there is room for

import hashlib
import json
import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import NamedTuple
from uuid import UUID

NOW = datetime(2026, 10, 14, 11, tzinfo=UTC)
SITE, EDGE, PUMP = "hall-9", "edge-a", "pump-a"
GAUGES = {
    "base": "Pa",
    "catalyst_1": "Pa",
    "catalyst_2": "Pa",
    "air": "Pa",
    "ambient_temp": "Cel",
    "ambient_rh": "%RH",
}
PICTURE = b"\xff\xd8\xff\xe0 a picture, as far as its beginning tells "


class Sent(NamedTuple):
    """good : must land whole. A channel of "" is a topic of its own."""

    channel: str
    payload: bytes
    good: bool = False
    topic: str = ""


def hostile_messages(seed: int, count: int) -> Iterator[Sent]:
    """So many messages, about one in six of them good."""
    rng = random.Random(seed)
    for number in range(count):
        maker = rng.choice(
            (
                *(good_pack, good_record, good_photo, bent, bent, bent, raw, odd_pack, odd_pack),
                *(odd_record, odd_record, odd_photo, odd_topic),
            )
        )
        yield maker(rng, number)


# -- what is right


def pack_records(rng: random.Random, number: int) -> list[dict]:
    begun = (NOW - timedelta(days=1)).timestamp() + number
    rows = [
        {"n": gauge, "v": round(rng.uniform(1e5, 2e7), 1), "t": step / 10}
        for step in range(rng.randint(1, 4))
        for gauge in ("base", "catalyst_1")
    ]
    rows[0] |= {"bn": f"{SITE}/{PUMP}/", "bt": begun, "bu": "Pa"}
    return rows


def good_pack(rng: random.Random, number: int) -> Sent:
    return Sent("gauges", json.dumps(pack_records(rng, number)).encode(), True)


def record(rng: random.Random, number: int) -> dict:
    head = {
        "id": str(UUID(int=rng.getrandbits(128), version=4)), "site": SITE, "pump": PUMP,
        "at": (NOW - timedelta(hours=1, seconds=number)).isoformat(), "by": "R. Okafor",
    }  # fmt: skip
    return head | rng.choice(
        (
            {"kind": "snap_time", "minutes": 41.5},
            {"kind": "unit_started", "unit": f"H9-{number}"},
            {"kind": "changeover", "part": "base", "new_lot": "B-77"},
            {"kind": "ratio_check", "catches": [{"base_g": 412.0, "curing_agent_g": 41.1}]},
        )
    )


def good_record(rng: random.Random, number: int) -> Sent:
    return Sent("record", json.dumps(record(rng, number)).encode(), True)


def framed(head: object, photo: bytes, length: int | None = None) -> bytes:
    text = head if isinstance(head, bytes) else json.dumps(head).encode()
    return (len(text) if length is None else length).to_bytes(4, "big") + text + photo


def photo_head(rng: random.Random, number: int) -> tuple[dict, bytes]:
    photo = PICTURE + rng.randbytes(20)
    head = {"sha256": hashlib.sha256(photo).hexdigest(), "pump": PUMP, "by": "R. Okafor"}
    return head | {"taken_at": (NOW - timedelta(minutes=number % 500)).isoformat()}, photo


def good_photo(rng: random.Random, number: int) -> Sent:
    return Sent("photo", framed(*photo_head(rng, number)), True)


# -- what is not


def bent(rng: random.Random, number: int) -> Sent:
    """A good message with bytes flipped, cut, doubled or exchanged: it may still be one, but must be true."""
    sent = rng.choice((good_pack, good_record, good_photo))(rng, number)
    data = bytearray(sent.payload)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(data) or 1)
        match rng.randrange(5):
            case 0 if data:
                data[at % len(data)] ^= 1 << rng.randrange(8)
            case 1:
                del data[at:]
            case 2:
                data[at:at] = data[at : at + rng.randint(1, 40)]
            case 3:
                data[at : at + 1] = rng.choice(
                    (b"\0", b"\xff", b'"', b"{", b"]", b",", b"1e999", b"-", b"NaN")
                )
            case _:
                del data[at : at + rng.randint(1, 10)]
    return Sent(sent.channel, bytes(data))


def raw(rng: random.Random, number: int) -> Sent:
    channel = rng.choice(("gauges", "record", "photo"))
    deep = rng.choice((50, 5_000, 200_000))
    return Sent(
        channel,
        rng.choice(
            (
                b"", b"null", b"[]", b"{}", b"[{}]", b"[null]", b"0", b'""', b"\xff\xfe", b"\0" * 100, b"[" * deep,
                b'{"a":' * deep, b"[{" + b'"x":[' * deep, rng.randbytes(rng.randint(1, 300)), b"\xef\xbb\xbf[]",
                b'[{"x":' + b"[" * deep + b"]" * deep + b"}]", b'{"kind":' + b"[" * deep + b"]" * deep + b"}",
                b"[" + b"{}," * 60_000 + b"{}]", b"9" * 5_000, b"[" + b"9" * 5_000 + b"]", b'"' + b"x" * 300_000 + b'"',
                b"<?xml version='1.0'?><!DOCTYPE a [<!ENTITY b 'c'>]>", b"\x1f\x8b\x08\0", b"-" * 1_000, b"tru",
            )
        ),
    )  # fmt: skip


NUMBERS = (
    "NaN", "Infinity", "-Infinity", "1e400", "-1e400", "1e308", "9" * 400, "1e-400", "0x10", "01", ".5", "1.", "--1",
    "true", '"1"', "null", "[1]", '{"a":1}', "1e12", "1.0000001e12", "-0.0", "18446744073709551616",
)  # fmt: skip
TEXTS = (
    "", " ", "x" * 300, "x" * 70_000, "\0", "\n\r", "‮", "../../etc", "a/b/c", "'; DROP TABLE records; --", "é" * 100,
    "hall-8", "Hall-9", "pump-b", "😀", "\\", '"', "{{7*7}}", "<script>alert(1)</script>", "%s%n", "$(reboot)",
)  # fmt: skip
MOMENTS = (
    "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "2099-01-01T00:00:00Z", "1969-12-31T23:59:59Z", "", "now",
    "2026-10-14T11:00:00", "2026-13-40T25:61:61Z", "2026-10-14T11:00:00+99:99", "1999-12-31T23:59:59Z", "-1", "1e99",
    "2026-02-30T00:00:00Z", "2026-10-14T23:59:60Z", "10000-01-01T00:00:00Z", "2026-10-14T11:00:00.123456789123Z",
)  # fmt: skip


def odd_pack(rng: random.Random, number: int) -> Sent:
    records = pack_records(rng, number)
    one = rng.choice(records)
    match rng.randrange(12):
        case 0:
            one[rng.choice(("v", "t", "bt", "bv", "bs", "s", "ut", "bver"))] = "@"
            return Sent("gauges", json.dumps(records).replace('"@"', rng.choice(NUMBERS)).encode())
        case 1:
            one[rng.choice(("n", "u", "bn", "bu", "vs", "vd"))] = rng.choice(TEXTS)
        case 2:
            records[0]["bn"] = rng.choice(
                (f"hall-8/{PUMP}/", f"{SITE}/", f"{SITE}/{PUMP}", f"{SITE}/{PUMP}/x/", "/", "urn:x:")
            )
        case 3:
            records[0]["bt"] = rng.choice(
                (4e9, 4.2e9, 1e300, -1e300, 0, -5, 1, 2**28, 946_684_799, -1e9, 2**63)
            )
        case 4:
            one["bver"] = rng.choice((11, 999, -1, 0, 10))
        case 5:
            one[rng.choice(("must_", "x_", "_", "n_"))] = rng.choice((1, "x", [[[]]]))
        case 6:
            one["u"] = rng.choice(("psi", "bar", "degF", "%", "Cel", "kPa", "pa"))
        case 7:
            one["n"] = rng.choice(("flow", "base ", "Base", "base/base", "ambient_rh"))
        case 8:
            del one[rng.choice(tuple(one))]
        case 9:
            records = records * rng.choice((2, 50))
        case 10:
            one["t"] = rng.choice((-1e9, 1e9, -86_400 * 400, 86_400 * 400, 0.0000001, -0.05))
        case _:
            rng.shuffle(records)
    return Sent("gauges", json.dumps(records).encode())


def odd_record(rng: random.Random, number: int) -> Sent:
    told = record(rng, number)
    field = rng.choice(tuple(told))
    match rng.randrange(7):
        case 0:
            told[field] = "@"
            return Sent("record", json.dumps(told).replace('"@"', rng.choice(NUMBERS), 1).encode())
        case 1:
            told[field] = rng.choice(TEXTS)
        case 2:
            told["at"] = rng.choice(MOMENTS)
        case 3:
            told[rng.choice(("verdict", "release", "__class__", "id ", "supersedes"))] = "x"
        case 4:
            del told[field]
        case 5:
            told = {
                **told,
                "kind": rng.choice(("release", "", "SnapTime", "record", "smear_call", "x" * 5_000)),
            }
        case _:
            inner = {**told, "site": rng.choice((SITE, "hall-8")), "at": rng.choice((told["at"], *MOMENTS))}
            keep = ("id", "site", "pump", "at", "by")
            told = {key: told[key] for key in keep} | {"kind": "correction", "supersedes": told["id"]}
            told |= {"reason": "typed wrong", "corrected": inner}
    return Sent("record", json.dumps(told).encode())


def odd_photo(rng: random.Random, number: int) -> Sent:
    head, photo = photo_head(rng, number)
    match rng.randrange(7):
        case 0:
            return Sent("photo", framed(head, photo + b"x"))
        case 1:
            return Sent("photo", framed(head, photo, rng.choice((0, 1, 2**31, 2**32 - 1, 70_000))))
        case 2:
            head["taken_at"] = rng.choice(MOMENTS)
        case 3:
            head[rng.choice(tuple(head))] = rng.choice(TEXTS)
        case 4:
            page = b"<html>" + rng.randbytes(8)
            head, photo = head | {"sha256": hashlib.sha256(page).hexdigest()}, page
        case 5:
            head["name"] = rng.choice(("../" * 40 + "etc/passwd", "x" * 5_000, "a\0b", "\n"))
        case _:
            return Sent("photo", framed(b"{" * 60_000, photo))
    return Sent("photo", framed(head, photo))


def odd_topic(rng: random.Random, number: int) -> Sent:
    stream = f"{number:032x}"
    own = f"beadbook/v1/{SITE}/{EDGE}"
    topic = rng.choice(
        (
            f"{own}/gauges/{stream}/0", f"{own}/gauges/{stream}/-1", f"{own}/gauges/{stream}/1e9", f"{own}/gauges/x/1",
            f"{own}/gauges/{stream}", f"{own}/gauges/{stream}/1/2", f"{own}/photo", f"{own}/record/{stream}/٣",
            f"{own}/record/{stream}/{10**30}", f"beadbook/v1/Hall 9/{EDGE}/gauges", f"beadbook/v1//{EDGE}/gauges/{stream}/1",
            f"beadbook/v2/{SITE}/{EDGE}/gauges", f"beadbook/v1/{SITE}/{'e' * 200}/gauges", f"{own}/photo/{stream.upper()}A/1",
            f"beadbook/v1/{SITE}/../gauges/{stream}/1", f"beadbook/v1/{SITE}/{EDGE}\n/gauges", f"{own}/record/ {stream}/1",
        )
    )  # fmt: skip
    return Sent("", good_pack(rng, number).payload, topic=topic)


# -- what a row may say


class Truth(NamedTuple):
    """What may stand in the history after a message.

    readings : (pump, Unix [us], gauge, value); records : id -> JSON; photos : digests
    """

    readings: set
    records: dict
    photos: set


def truth(sent: Sent) -> Truth:
    """Every row that a message can be said to tell of, if any; more may be refused, no other may land."""
    found = Truth(set(), {}, set())
    if sent.channel == "photo" and len(sent.payload) > 4:
        photo = sent.payload[4 + int.from_bytes(sent.payload[:4], "big") :]
        found.photos.add(hashlib.sha256(photo).hexdigest())
        return found
    try:
        told = json.loads(sent.payload)
    except (ValueError, RecursionError):
        return found
    if sent.channel == "record" and isinstance(told, dict) and isinstance(told.get("id"), str):
        found.records[told["id"].lower()] = told
    if sent.channel == "gauges" and isinstance(told, list):
        found.readings.update(_readings(json.loads(sent.payload, parse_int=float)))
    return found


def _readings(records: list) -> Iterator[tuple]:
    """RFC 8428, 4.6: base fields live on until they are replaced."""
    name, time, unit, value = "", 0.0, "", 0.0
    for one in records:
        if not isinstance(one, dict):
            return
        name, unit = _or(one.get("bn"), name), _or(one.get("bu"), unit)
        time, value = _or(one.get("bt"), time), _or(one.get("bv"), value)
        try:
            whole = name + _or(one.get("n"), "")
            at = time + _or(one.get("t"), 0.0)
            reading = value + _or(one.get("v"), 0.0)
        except TypeError:
            return
        if not abs(at) < 1e12:
            return
        if at < 2**28:
            at += NOW.timestamp()
        parts = whole.split("/")
        if len(parts) == 3 and parts[0] == SITE and GAUGES.get(parts[2]) == (one.get("u") or unit):
            yield parts[1], round(at * 1e6), parts[2], reading


def _or(value: object, other: object) -> object:
    return other if value is None else value
