"""What does a message look like on the broker? Topics, receipts and the framing of photographs (MQTT 3.1.1).

beadbook/v1/<site>/<edge>/gauges/<stream>/<seq>   SenML JSON pack (senml.py)
beadbook/v1/<site>/<edge>/photo/<stream>/<seq>    head length (4 bytes, big endian), JSON head, the photo
beadbook/v1/<site>/<edge>/record/<stream>/<seq>   one JSON record (records.py)
beadbook/v1/<site>/<edge>/receipt/<stream>        retained: all through this seq is durable
beadbook/v1/<site>/<edge>/outbox/<stream>         retained: where the outbox begins, and what it holds
beadbook/v1/<site>/<pump>/release                 retained: may the pump make units
beadbook/v1/<site>/<edge>/gauges                  plain SenML from a foreign device, no stream and seq
"""

import hashlib
import re
from enum import StrEnum
from functools import lru_cache
from typing import Annotated, Final, NamedTuple

import msgspec
from msgspec import Meta, Struct

from edge.errors import InputError
from edge.records import NAME_PATTERN, Moment, Name, Sha256, Text, impossible_moment

ROOT: Final = "beadbook/v1"
UPWARD: Final = (
    f"{ROOT}/+/+/gauges/#",
    f"{ROOT}/+/+/photo/#",
    f"{ROOT}/+/+/record/#",
    f"{ROOT}/+/+/outbox/+",
)
HEAD_BYTES_MAX: Final = 64 * 1024
PHOTO_BYTES_MAX: Final = 32 * 1024 * 1024

OUTBOX: Final = "outbox"
_NAME: Final = re.compile(NAME_PATTERN)
_STREAM: Final = re.compile(r"^[0-9a-f]{32}\Z")
_SEQ: Final = re.compile(r"^[1-9][0-9]{0,17}\Z")


class Channel(StrEnum):
    """What kind of message an edge sends."""

    GAUGES = "gauges"
    PHOTO = "photo"
    RECORD = "record"


class Sender(NamedTuple):
    """Whose a stream is. Nobody else can go on with it, though they learn its id."""

    site: str
    edge: str
    stream: str


class Address(Struct, frozen=True):
    """Where a message comes from. stream and seq are None for a foreign device's plain SenML."""

    site: str
    edge: str
    channel: Channel
    stream: str | None = None
    seq: int | None = None

    def topic(self) -> str:
        """The topic the message travels under."""
        tail = "" if self.stream is None else f"/{self.stream}/{self.seq}"
        return f"{ROOT}/{self.site}/{self.edge}/{self.channel}{tail}"


@lru_cache(maxsize=1024)
def _sender_of(topic: str) -> tuple[str, str, Channel, str] | None:
    """(site, edge, channel, stream) of an edge's topic without its seq, the same for all of a stream."""
    parts = topic.split("/")
    if len(parts) != 6 or not topic.startswith(ROOT + "/"):
        return None
    site, edge, channel, stream = parts[2:]
    named = _NAME.match(site) and _NAME.match(edge) and _STREAM.match(stream)
    return (site, edge, Channel(channel), stream) if named and channel in set(Channel) else None


def parse_topic(topic: str) -> Address:
    """Address in a topic. Raises InputError if it is none of an edge's."""
    before, _, last = topic.rpartition("/")
    sender = _sender_of(before)
    if sender is not None and _SEQ.match(last):
        return Address(*sender, int(last))
    parts = topic.split("/")
    if len(parts) == 5 and topic.startswith(ROOT + "/"):
        site, edge, channel = parts[2:5]
        if _NAME.match(site) and _NAME.match(edge) and channel == Channel.GAUGES:
            return Address(site, edge, Channel.GAUGES)
    raise InputError(
        "not a topic of an edge",
        where=f"topic {topic[:200]!r}",
        do=f"publish to {ROOT}/<site>/<edge>/gauges|photo|record/<stream>/<seq>",
    )


def site_in(topic: str) -> str | None:
    """The site that a topic names, though it may be no edge's in all else; None if it names none."""
    parts = topic.split("/")
    return parts[2] if topic.startswith(ROOT + "/") and _NAME.match(parts[2]) else None


def outbox_topic(site: str, edge: str, stream: str) -> str:
    """Where an outbox says what it holds."""
    return f"{ROOT}/{site}/{edge}/{OUTBOX}/{stream}"


def sender_of_outbox(topic: str) -> Sender | None:
    """Whose outbox a topic speaks of; None for any other topic."""
    parts = topic.split("/")
    told = len(parts) == 6 and topic.startswith(ROOT + "/") and parts[4] == OUTBOX
    named = told and _NAME.match(parts[2]) and _NAME.match(parts[3]) and _STREAM.match(parts[5])
    return Sender(parts[2], parts[3], parts[5]) if named else None


def receipt_topic(site: str, edge: str, stream: str) -> str:
    """Where the pipeline says what is durable."""
    return f"{ROOT}/{site}/{edge}/receipt/{stream}"


def release_topic(site: str, pump: str) -> str:
    """Where the pump's release or hold stands, retained."""
    return f"{ROOT}/{site}/{pump}/release"


class Receipt(Struct, frozen=True, omit_defaults=False):
    """through : highest seq up to which every message is durable; also : durable ones beyond it."""

    through: Annotated[int, Meta(ge=0)]
    also: tuple[int, ...] = ()


class OutboxNote(Struct, frozen=True, kw_only=True):
    """What an outbox holds. first : lowest seq not receipted yet, or the next one; held : messages in it.

    All below `first` was receipted once. A pipeline that misses some of it (a new or restored home) learns
    here that waiting for it is in vain.
    """

    first: Annotated[int, Meta(ge=1)]
    held: Annotated[int, Meta(ge=0)]


class PhotoHead(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """What travels in front of a photograph."""

    sha256: Sha256
    pump: Name
    taken_at: Moment
    by: Text
    sheet: Annotated[str, Meta(max_length=64)] | None = None
    name: Annotated[str, Meta(max_length=200)] = ""


_head_decoder: Final = msgspec.json.Decoder(PhotoHead)
_receipt_decoder: Final = msgspec.json.Decoder(Receipt)
_note_decoder: Final = msgspec.json.Decoder(OutboxNote)


def decode_receipt(payload: bytes) -> Receipt:
    """The receipt in a payload. Raises InputError."""
    try:
        return _receipt_decoder.decode(payload)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise InputError(
            f"not a receipt: {error}", where="receipt", do="check who else publishes there"
        ) from None


def decode_outbox_note(payload: bytes) -> OutboxNote:
    """The note in a payload. Raises InputError."""
    try:
        return _note_decoder.decode(payload)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise InputError(
            f"not an outbox's note: {error}", where="outbox note", do="check who else publishes there"
        ) from None


def frame_photo(head: PhotoHead, photo: bytes) -> bytes:
    """The photo with its head in front."""
    text = msgspec.json.encode(head)
    return len(text).to_bytes(4, "big") + text + photo


def unframe_photo(payload: bytes) -> tuple[PhotoHead, bytes]:
    """Head and bytes of a framed photo. Raises InputError if the frame or the digest is wrong."""

    def refuse(what: str) -> InputError:
        return InputError(what, where="photo frame", do="send it again through the edge's outbox")

    if len(payload) < 4:
        raise refuse(f"{len(payload)} bytes are no frame")
    length = int.from_bytes(payload[:4], "big")
    if length > HEAD_BYTES_MAX or 4 + length > len(payload):
        raise refuse(f"the head claims {length} bytes of a message of {len(payload)}")
    try:
        head = _head_decoder.decode(payload[4 : 4 + length])
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise refuse(f"the head is not one: {error}") from None
    if (odd := impossible_moment(head)) is not None:
        raise refuse(odd)
    photo = payload[4 + length :]
    if len(photo) > PHOTO_BYTES_MAX:
        raise refuse(f"{len(photo)} bytes are more than a photo's {PHOTO_BYTES_MAX}")
    if hashlib.sha256(photo).hexdigest() != head.sha256:
        raise refuse(f"the {len(photo)} bytes do not match the digest in the head")
    return head, photo
