"""What do gauge readings look like on the wire? SenML JSON packs, resolved and packed.

Source: RFC 8428: base fields (4.1), labels to refuse (4.4), names (4.5.1), relative time (4.5.3), sums of
base and own value (4.5.4), order of a resolved pack (4.6), units (12.1).
"""

import math
import re
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Any, Final, NamedTuple

import msgspec
from msgspec import Struct

from edge.errors import InputError
from edge.records import NAME_PATTERN
from edge.words import GAUGE_UNIT, Gauge

PACK_BYTES_MAX: Final = 4 * 1024 * 1024
PACK_RECORDS_MAX: Final = 50_000  # an edge's own packs hold at most 6,000 rows of six gauges
VALUE_MAX: Final = 1e12  # in any gauge's unit: beyond it is no reading, and sums of squares overflow
VERSION: Final = 10  # the version this reads (RFC 8428, 4.4)
RELATIVE_BELOW: Final = 2**28  # times below are relative to now [s] (4.5.3)
# Readings of a time to come are none: a board that sends such counts from 1970, or from its start [s].
READINGS_AHEAD_MAX: Final = 60.0
TIME_MAX: Final = 4_102_444_800.0  # year 2100 [s]: a later clock is a broken one

_NAME: Final = re.compile(r"^[A-Za-z0-9][A-Za-z0-9\-:./_]*\Z")
_PUMP: Final = re.compile(NAME_PATTERN)
_GAUGE: Final = {gauge.value: gauge for gauge in Gauge}


class SenMLRecord(Struct, omit_defaults=True):
    """One record of a pack, as written. Labels in RFC 8428's own short form."""

    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bv: float | None = None
    bs: float | None = None
    bver: int | None = None
    n: str | None = None
    u: str | None = None
    v: float | None = None
    vs: str | None = None
    vb: bool | None = None
    vd: str | None = None
    s: float | None = None
    t: float | None = None
    ut: float | None = None


class Resolved(NamedTuple):
    """A record that stands by itself. time : Unix [s], absolute."""

    name: str
    unit: str | None
    time: float
    value: float | str | bool | None
    sum: float | None


_decoder: Final = msgspec.json.Decoder(list[SenMLRecord])
_encoder: Final = msgspec.json.Encoder()
_labels: Final = frozenset(SenMLRecord.__struct_fields__)


def _refuse(what: str, do: str = "mend the device that sends it") -> InputError:
    return InputError(what, where="SenML pack", do=do)


def decode_pack(payload: bytes) -> list[SenMLRecord]:
    """Records of a JSON pack, unresolved. Raises InputError."""
    if len(payload) > PACK_BYTES_MAX:
        raise _refuse(f"{len(payload)} bytes are more than a pack's {PACK_BYTES_MAX}", "send shorter packs")
    try:
        payload.decode()  # the decoder lets broken text pass in labels that it does not know
        records = _decoder.decode(payload)
        if len(records) > PACK_RECORDS_MAX:
            raise _refuse(
                f"{len(records)} records are more than a pack's {PACK_RECORDS_MAX}", "send shorter packs"
            )
        if b'_"' in payload:
            _refuse_must_understand(msgspec.json.decode(payload))
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise _refuse(f"not SenML JSON: {error}") from None
    return records


def _refuse_must_understand(records: list[dict[str, Any]]) -> None:
    # 4.4: a label that ends in "_" must be understood, or the pack refused; other unknown ones are ignored.
    for record in records:
        for label in record:
            if label.endswith("_") and label not in _labels:
                raise _refuse(f"the label {label[:100]!r} must be understood and is not known")


def resolve(records: Sequence[SenMLRecord], now: float, ahead_max: float = math.inf) -> list[Resolved]:
    """Records with base fields applied, in order of time.

    now : Unix [s], what relative times count from; ahead_max : how far ahead of it one may lie [s]
    Raises InputError for a version above 10, a bad name, a time or value that is no number.
    Source: RFC 8428, 4.6; checked against its examples in 5.1.
    """
    base_name, base_unit = "", None
    base_time = base_value = base_sum = 0.0
    has_base_value = has_base_sum = False
    resolved: list[Resolved] = []
    for number, record in enumerate(records, 1):
        if record.bver is not None and record.bver > VERSION:
            raise _refuse(f"version {record.bver} is newer than {VERSION}", "update beadbook")
        if record.bn is not None:
            base_name = record.bn
        if record.bt is not None:
            base_time = record.bt
        if record.bu is not None:
            base_unit = record.bu
        if record.bv is not None:
            base_value, has_base_value = record.bv, True
        if record.bs is not None:
            base_sum, has_base_sum = record.bs, True
        name = base_name + (record.n or "")
        if not _NAME.match(name):
            raise _refuse(
                f"record {number} has the name {name[:100]!r}",
                "use A-Z a-z 0-9 - : . / _, a letter or digit first",
            )
        time = base_time + (record.t or 0.0)
        if time < RELATIVE_BELOW:
            if time > ahead_max:
                raise _refuse(
                    f"record {number} has the time {time:g}, which is that long from now",
                    "set the device's clock",
                )
            time += now
        if not -TIME_MAX < time < TIME_MAX:
            raise _refuse(f"record {number} has the time {time!r}", "set the device's clock")
        value: float | str | bool | None
        if record.v is not None or (
            has_base_value and record.vs is None and record.vb is None and record.vd is None
        ):
            value = base_value + (record.v or 0.0)
            if not math.isfinite(value):
                raise _refuse(f"record {number} ({name}) has the value {value!r}")
        else:
            value = record.vs if record.vs is not None else record.vb if record.vb is not None else record.vd
        total = None if record.s is None and not has_base_sum else base_sum + (record.s or 0.0)
        if value is None and total is None:
            continue  # carries base fields only
        resolved.append(Resolved(name, record.u or base_unit, time, value, total))
    resolved.sort(key=lambda one: one.time)
    return resolved


class GaugeColumns(NamedTuple):
    """Readings of one pump. at_us : (N,) Unix [us], rising; values : (N,) a gauge, None where it has none."""

    pump: str
    at_us: list[int]
    values: dict[Gauge, list[float | None]]


def gauge_columns(payload: bytes, site: str, now: float) -> list[GaugeColumns]:
    """Gauge readings in a pack, by pump; readings of one moment share a row.

    now : Unix [s], what relative times count from
    Raises InputError if a name is not <site>/<pump>/<gauge>, a gauge is unknown, or a unit is not its own.
    """
    if len(payload) <= PACK_BYTES_MAX and payload.isascii():
        try:
            plain = _plain_columns(_plain_decoder.decode(payload), site)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
            plain = None
        if plain is not None:
            return [plain]
    return _resolved_columns(payload, site, now)


def _resolved_columns(payload: bytes, site: str, now: float) -> list[GaugeColumns]:
    """As gauge_columns, for any pack there is: slower."""
    pumps: dict[str, GaugeColumns] = {}
    for one in resolve(decode_pack(payload), now, READINGS_AHEAD_MAX):
        pump, gauge = _place(one.name, site)
        if one.unit != GAUGE_UNIT[gauge]:
            raise _refuse(
                f"{one.name} comes in {(one.unit or 'no unit')[:40]}, not {GAUGE_UNIT[gauge]}",
                "convert it at the device",
            )
        if isinstance(one.value, bool) or not isinstance(one.value, float | int):
            raise _refuse(f"{one.name} has {str(one.value)[:100]!r} where a number belongs")
        if abs(one.value) > VALUE_MAX:
            raise _refuse(f"{one.name} has the value {one.value:g}, which no gauge can give")
        columns = pumps.setdefault(pump, GaugeColumns(pump, [], {}))
        at_us = round(one.time * 1e6)
        if not columns.at_us or columns.at_us[-1] != at_us:
            columns.at_us.append(at_us)
        column = columns.values.setdefault(gauge, [])
        # The first reading of a moment stands: the same sample twice is one sample.
        if len(column) < len(columns.at_us):
            column += [None] * (len(columns.at_us) - 1 - len(column))
            column.append(float(one.value))
    for columns in pumps.values():
        _fill(columns)
    return list(pumps.values())


class _Plain(Struct, gc=False, forbid_unknown_fields=True):
    """A record of the packs that pack_rows makes: base fields in the first one only, numbers only."""

    v: float
    n: str
    t: float = 0.0
    u: str | None = None
    bn: str | None = None
    bt: float | None = None
    bu: str | None = None


_plain_decoder: Final = msgspec.json.Decoder(list[_Plain])


def _plain_columns(records: list[_Plain], site: str) -> GaugeColumns | None:
    """Columns of a pack such as pack_rows makes, just as the slow way gives them; None for any other."""
    if not 0 < len(records) <= PACK_RECORDS_MAX or records[0].bt is None or records[0].bn is None:
        return None
    base_name, base_time, base_unit = records[0].bn, records[0].bt, records[0].bu
    parts = base_name.split("/")
    if len(parts) != 3 or parts[0] != site or parts[2] or not _PUMP.match(parts[1]):
        return None
    if not base_time + records[0].t >= RELATIVE_BELOW or base_time + records[-1].t >= TIME_MAX:
        return None
    records[0].bn = records[0].bt = records[0].bu = None
    columns = GaugeColumns(parts[1], [], {})
    column_of: dict[tuple[str, str | None], list[float | None]] = {}
    at_us = columns.at_us
    rows, last = 0, -math.inf
    for record in records:
        time = record.t
        if time != last:
            if time < last:
                return None
            last = time
            at_us.append(round((base_time + time) * 1e6))
            rows += 1
        column = column_of.get((record.n, record.u))
        if column is None:
            # A gauge's unit is its own, so a second name or unit for the same gauge goes the slow way.
            gauge = _GAUGE.get(record.n)
            if gauge is None or gauge in columns.values or (record.u or base_unit) != GAUGE_UNIT[gauge]:
                return None
            column = column_of[record.n, record.u] = columns.values[gauge] = []
        if (missing := rows - 1 - len(column)) > 0:
            column += [None] * missing
        elif missing < 0:
            return None
        if not -VALUE_MAX <= record.v <= VALUE_MAX:
            return None
        column.append(record.v)
        if record.bn is not None or record.bt is not None or record.bu is not None:
            return None
    if any(a == b for a, b in pairwise(at_us)):
        return None
    _fill(columns)
    return columns


def _fill(columns: GaugeColumns) -> None:
    for column in columns.values.values():
        column += [None] * (len(columns.at_us) - len(column))


def _place(name: str, site: str) -> tuple[str, Gauge]:
    parts = name.split("/")
    if len(parts) != 3 or parts[0] != site or not _PUMP.match(parts[1]):
        raise _refuse(
            f"the name {name[:200]!r} is not {site}/<pump>/<gauge>", "set the base name to the site and pump"
        )
    try:
        return parts[1], Gauge(parts[2])
    except ValueError:
        known = ", ".join(Gauge)
        raise _refuse(f"the gauge {parts[2][:100]!r} is not known", f"name it one of {known}") from None


def pack_rows(site: str, pump: str, rows: Iterable[tuple[int, dict[Gauge, float]]]) -> bytes:
    """A pack of a pump's rows.

    rows : (Unix [us], value by gauge in the gauge's own unit); one row at least
    The times are sent relative to the first row, so that a double holds them to the microsecond.
    """
    records: list[SenMLRecord] = []
    start_us: int | None = None
    for at_us, values in rows:
        if start_us is None:
            start_us = at_us
        offset = (at_us - start_us) / 1e6 or None
        for gauge, value in values.items():
            unit = GAUGE_UNIT[gauge]
            records.append(SenMLRecord(n=gauge.value, u=None if unit == "Pa" else unit, t=offset, v=value))
    if start_us is None or not records:
        raise ValueError("a pack needs at least one reading")
    first = records[0]
    first.bn, first.bt, first.bu = f"{site}/{pump}/", start_us / 1e6, "Pa"
    return _encoder.encode(records)
