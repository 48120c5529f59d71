"""What does a person write down at the pump? One struct a kind of record, checked when it is made or read.

Every record carries id, site, pump, at, by, note and its kind. Nothing is ever edited or deleted: a
`Correction` supersedes an earlier id with a reason, and both stay visible. `decode_record` and
`encode_record` are the only way in and out.
"""

from datetime import datetime
from typing import Annotated, Final, Literal, get_args
from uuid import UUID

import msgspec
from msgspec import Meta, Struct

from edge.errors import InputError

# Site, pump and edge names travel in topics, SenML names and folder names: the plainest common alphabet.
NAME_PATTERN: Final = r"^[a-z0-9][a-z0-9-]{0,62}\Z"
RECORD_BYTES_MAX: Final = 256 * 1024

Name = Annotated[str, Meta(pattern=NAME_PATTERN)]
Text = Annotated[str, Meta(min_length=1, max_length=200)]
Note = Annotated[str, Meta(max_length=4000)]
Moment = Annotated[datetime, Meta(tz=True)]
DegC = Annotated[float, Meta(ge=-40, le=80, description="[degC]")]
Percent = Annotated[float, Meta(ge=0, le=100, description="[%]")]
Grams = Annotated[float, Meta(gt=0, le=100_000, description="[g]")]
ShoreA = Annotated[float, Meta(ge=0, le=100, description="[Shore A]")]
Sha256 = Annotated[str, Meta(pattern=r"^[0-9a-f]{64}\Z")]
Part = Literal["base", "curing_agent"]


class Record(
    Struct, frozen=True, kw_only=True, tag_field="kind", forbid_unknown_fields=True, omit_defaults=True
):
    """What every record carries. at : when it was so, with an offset; by : who says so."""

    id: UUID
    site: Name
    pump: Name
    at: Moment
    by: Text
    note: Note = ""


class SmearCall(Record, frozen=True, kw_only=True, tag="smear_call"):
    """A person's verdict on a smear sample by eye; photo is its picture's digest, if one was taken."""

    call: Literal["pass", "fail"]
    photo: Sha256 | None = None
    sheet: Annotated[str, Meta(max_length=64)] | None = None


class SnapTime(Record, frozen=True, kw_only=True, tag="snap_time"):
    """Minutes from mixing until the sealant snaps back when the stick is lifted 13 to 25 mm."""

    minutes: Annotated[float, Meta(gt=0, le=600, description="[min]")]
    base_lot: Text | None = None
    curing_agent_lot: Text | None = None
    temp_degc: DegC | None = None
    rh_pct: Percent | None = None


class Catch(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Both parts caught separately over the same time, weighed."""

    base_g: Grams
    curing_agent_g: Grams


class RatioCheck(Record, frozen=True, kw_only=True, tag="ratio_check"):
    """Both parts caught and weighed, once or more."""

    catches: Annotated[tuple[Catch, ...], Meta(min_length=1, max_length=50)]


class BeadReading(Record, frozen=True, kw_only=True, tag="bead_reading"):
    """Shore A readings at one mark of a cured bead. mark_mm : distance along the bead."""

    bead: Text
    mark: Text
    age_h: Annotated[float, Meta(ge=0, le=10_000, description="[h]")]
    shore_a: Annotated[tuple[ShoreA, ...], Meta(min_length=1, max_length=20)]
    mark_mm: Annotated[float, Meta(ge=0, le=1_000_000, description="[mm]")] | None = None
    mark_kind: Literal["plain", "reversal", "changeover", "start", "end"] = "plain"


class AdhesionResult(Record, frozen=True, kw_only=True, tag="adhesion"):
    """A peel or tensile coupon pulled: how much of the failed face tore inside the sealant."""

    specimen: Text
    method: Literal["peel", "tensile"]
    cohesive_pct: Percent
    strength_pa: Annotated[float, Meta(gt=0, le=1e8, description="[Pa]")] | None = None
    result: Literal["pass", "fail"]


class Changeover(Record, frozen=True, kw_only=True, tag="changeover"):
    """A base drum or curing-agent pail replaced."""

    part: Part
    new_lot: Text
    old_lot: Text | None = None
    expires: Moment | None = None


class MixerChange(Record, frozen=True, kw_only=True, tag="mixer_change"):
    """The static mixer replaced."""

    reason: Note = ""


class Purge(Record, frozen=True, kw_only=True, tag="purge"):
    """A base purge that a person made and saw run white."""

    ran_white: bool = True


class Adjustment(Record, frozen=True, kw_only=True, tag="adjustment"):
    """Something set differently at the pump."""

    of: Literal["balance", "ratio", "pressure", "other"]
    did: Text


class Service(Record, frozen=True, kw_only=True, tag="service"):
    """Work on the pump itself, or on the mixer after a second failed smear."""

    did: Text


class UnitStarted(Record, frozen=True, kw_only=True, tag="unit_started"):
    """Glazing of a unit begins."""

    unit: Text


class UnitFinished(Record, frozen=True, kw_only=True, tag="unit_finished"):
    """Glazing of a unit is done."""

    unit: Text


class ReleaseOverride(Record, frozen=True, kw_only=True, tag="release_override"):
    """A lead releases or holds the pump against the rules, with a reason, for a limited time."""

    state: Literal["release", "hold"]
    reason: Text
    until: Moment


class ContactLoss(Record, frozen=True, kw_only=True, tag="contact_loss"):
    """The edge could not reach the broker from `at` to `back_at`; it kept `held` messages meanwhile."""

    edge: Name
    back_at: Moment
    held: Annotated[int, Meta(ge=0)]


class Correction(Record, frozen=True, kw_only=True, tag="correction"):
    """Supersedes an earlier record. corrected : what it should have said, None if it is withdrawn."""

    supersedes: UUID
    reason: Text
    corrected: "AnyPlainRecord | None" = None


AnyPlainRecord = (
    SmearCall
    | SnapTime
    | RatioCheck
    | BeadReading
    | AdhesionResult
    | Changeover
    | MixerChange
    | Purge
    | Adjustment
    | Service
    | UnitStarted
    | UnitFinished
    | ReleaseOverride
    | ContactLoss
)
AnyRecord = AnyPlainRecord | Correction

# What a person may type, by kind. A contact loss is the edge's own to tell.
KINDS: Final[dict[str, type[Record]]] = {
    str(struct.__struct_config__.tag): struct
    for struct in (*get_args(AnyPlainRecord), Correction)
    if struct is not ContactLoss
}
# Fields that every record has: whoever writes one gives them apart from its own.
HEAD_FIELDS: Final = frozenset({"kind", *Record.__struct_fields__})

_decoder: Final[msgspec.json.Decoder[AnyRecord]] = msgspec.json.Decoder(AnyRecord)
_encoder: Final = msgspec.json.Encoder()


def kind_of(record: Record) -> str:
    """The record's kind, as it stands on the wire."""
    return str(type(record).__struct_config__.tag)


def encode_record(record: AnyRecord) -> bytes:
    """The record as one line of JSON."""
    return _encoder.encode(record)


def decode_record(payload: bytes, where: str = "record") -> AnyRecord:
    """The record in a JSON payload. Raises InputError that names the field and what it should be."""
    if len(payload) > RECORD_BYTES_MAX:
        raise InputError(
            f"{len(payload)} bytes are more than a record's {RECORD_BYTES_MAX}",
            where=where,
            do="send one record a message",
        )
    try:
        return _decoder.decode(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InputError(
            f"not a record: {error}", where=where, do="mend that field and send it again"
        ) from None
