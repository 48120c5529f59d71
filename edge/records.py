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
YEARS: Final = range(1971, 2199)  # of any time in a record; a year of room for offsets and for margins

Name = Annotated[str, Meta(pattern=NAME_PATTERN)]
Text = Annotated[str, Meta(min_length=1, max_length=200)]
Note = Annotated[str, Meta(max_length=4000)]
Moment = Annotated[datetime, Meta(tz=True)]
DegC = Annotated[float, Meta(ge=-40, le=80, description="[degC]")]
Percent = Annotated[float, Meta(ge=0, le=100, description="[%]")]
Grams = Annotated[float, Meta(gt=0, le=100_000, description="[g]")]
Millimetres = Annotated[float, Meta(ge=0, le=10_000, description="[mm]")]
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
    """Minutes from mixing until the sealant snaps back when the stick is lifted 13 to 25 mm.

    temp_degc, rh_pct : of the room; mixed : to one colour before; timed : from the mixing on
    """

    minutes: Annotated[float, Meta(gt=0, le=600, description="[min]")]
    base_lot: Text | None = None
    curing_agent_lot: Text | None = None
    temp_degc: DegC | None = None
    rh_pct: Percent | None = None
    material_degc: DegC | None = None
    mixed: bool | None = None
    timed: bool | None = None
    lift_mm: Millimetres | None = None


class Catch(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Both parts caught separately over the same time, weighed."""

    base_g: Grams
    curing_agent_g: Grams


class RatioCheck(Record, frozen=True, kw_only=True, tag="ratio_check"):
    """Both parts caught and weighed, once or more."""

    catches: Annotated[tuple[Catch, ...], Meta(min_length=1, max_length=50)]


class BeadReading(Record, frozen=True, kw_only=True, tag="bead_reading"):
    """Shore A readings at one mark of a cured bead. mark_mm : distance along the bead.

    edge_mm, apart_mm : least distance of a reading from an edge, and from the next; read_after_s : of contact
    """

    bead: Text
    mark: Text
    age_h: Annotated[float, Meta(ge=0, le=10_000, description="[h]")]
    shore_a: Annotated[tuple[ShoreA, ...], Meta(min_length=1, max_length=20)]
    mark_mm: Annotated[float, Meta(ge=0, le=1_000_000, description="[mm]")] | None = None
    mark_kind: Literal["plain", "reversal", "changeover", "start", "end"] = "plain"
    thickness_mm: Millimetres | None = None
    edge_mm: Millimetres | None = None
    apart_mm: Millimetres | None = None
    read_after_s: Annotated[float, Meta(ge=0, le=600, description="[s]")] | None = None


class BeadMade(Record, frozen=True, kw_only=True, tag="bead_made"):
    """A test bead laid down to cure; its readings are due 24 h and 72 h later."""

    bead: Text


class AdhesionResult(Record, frozen=True, kw_only=True, tag="adhesion"):
    """A peel or tensile coupon pulled: how much of the failed face tore inside the sealant.

    substrate_pct : how much of it was the substrate's own; the rest let go of it. strength_pa : of a tensile
    coupon; peel_n_per_m : force over width of a peel
    """

    specimen: Text
    method: Literal["peel", "tensile"]
    cohesive_pct: Percent
    strength_pa: Annotated[float, Meta(gt=0, le=1e8, description="[Pa]")] | None = None
    result: Literal["pass", "fail"]
    substrate_pct: Percent | None = None
    peel_n_per_m: Annotated[float, Meta(gt=0, le=1e6, description="[N/m]")] | None = None

    def __post_init__(self) -> None:
        """The shares of one face are no more than the face."""
        if self.cohesive_pct + (self.substrate_pct or 0.0) > 100.0:
            raise ValueError("cohesive_pct and substrate_pct are more than 100 together")


class Changeover(Record, frozen=True, kw_only=True, tag="changeover"):
    """A base drum or curing-agent pail replaced.

    snap_min_min, snap_max_min : the range on the lot's own certificate; stored_*_degc : coldest and warmest
    that the store's thermometer shows
    """

    part: Part
    new_lot: Text
    old_lot: Text | None = None
    expires: Moment | None = None
    snap_min_min: Annotated[float, Meta(gt=0, le=600, description="[min]")] | None = None
    snap_max_min: Annotated[float, Meta(gt=0, le=600, description="[min]")] | None = None
    stored_min_degc: DegC | None = None
    stored_max_degc: DegC | None = None


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


class UnitCleared(Record, frozen=True, kw_only=True, tag="unit_cleared"):
    """A lead clears a unit that rests on failed, withdrawn or missing tests, and says on what evidence."""

    unit: Text
    reason: Text
    evidence: Text


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


class CaptureGap(Record, frozen=True, kw_only=True, tag="capture_gap"):
    """Readings of the pump from `at` to `until` are fewer than were captured, or gone, and why.

    thinned : one row a second was kept, for want of disk; not_kept : none was; damaged : the edge's disk gave
    them back wrong. packs : messages it is about, None where not even that can be told
    """

    edge: Name
    until: Moment
    cause: Literal["thinned", "not_kept", "damaged"]
    packs: Annotated[int, Meta(ge=0)] | None = None


class ClockState(Record, frozen=True, kw_only=True, tag="clock_state"):
    """Whether a time service held the edge's clock from `at` on; None where the edge can't tell."""

    edge: Name
    synchronised: bool | None


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
    | BeadMade
    | AdhesionResult
    | Changeover
    | MixerChange
    | Purge
    | Adjustment
    | Service
    | UnitStarted
    | UnitFinished
    | UnitCleared
    | ReleaseOverride
    | ContactLoss
    | CaptureGap
    | ClockState
)
AnyRecord = AnyPlainRecord | Correction

# What a person may type, by kind. Losses of contact and readings, and its clock, are the edge's own to tell.
KINDS: Final[dict[str, type[Record]]] = {
    str(struct.__struct_config__.tag): struct
    for struct in (*get_args(AnyPlainRecord), Correction)
    if struct not in (ContactLoss, CaptureGap, ClockState)
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
        record = _decoder.decode(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InputError(
            f"not a record: {error}", where=where, do="mend that field and send it again"
        ) from None
    inner = record.corrected if isinstance(record, Correction) else None
    for each in (record, inner):
        if each is not None and (odd := impossible_moment(each)) is not None:
            raise InputError(f"not a record: {odd}", where=where, do="mend that field and send it again")
    return record


def impossible_moment(record: Struct) -> str | None:
    """What is wrong with the first time in a struct that no pump can have seen; None if all may be.

    Years at either end of a calendar can't be brought to UTC, nor kept in a table.
    """
    for name in record.__struct_fields__:
        moment = getattr(record, name)
        if isinstance(moment, datetime) and moment.year not in YEARS:
            return f"{name} is in the year {moment.year}, not from {YEARS.start} to {YEARS.stop - 1}"
    return None
