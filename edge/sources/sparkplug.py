"""What does a gateway's Sparkplug B payload say of our gauges? Metrics by name or alias, mapped to gauges.

Source: Eclipse Sparkplug specification 3.0, chapters 4 (topics spBv1.0/<group>/<type>/<node>[/<device>]) and
6 (payload: a protobuf message). The few fields that are needed are read here by protobuf's wire format, so
that a board needs no more libraries for it.
"""

import math
import struct
from collections.abc import Iterator
from typing import Annotated, Any, Final, NamedTuple

from msgspec import Meta, Struct

from edge.errors import InputError
from edge.gaugefile import Row
from edge.sources.loop import Channel
from edge.words import Gauge

NAMESPACE: Final = "spBv1.0"
PAYLOAD_BYTES_MAX: Final = 1024 * 1024
METRICS_MAX: Final = 10_000

# Fields of Payload and of Payload.Metric, and the types, as the specification's chapter 6.4 numbers them.
_TIMESTAMP, _METRICS, _SEQ = 1, 2, 3
_NAME, _ALIAS, _METRIC_TIMESTAMP, _DATATYPE, _IS_NULL = 1, 2, 3, 4, 7
_INT, _LONG, _FLOAT, _DOUBLE, _BOOLEAN = 10, 11, 12, 13, 14
# Signed types travel as the unsigned number of the same bits.
_SIGNED_BITS: Final = {1: 8, 2: 16, 3: 32, 4: 64}
_NUMBERS: Final = frozenset({1, 2, 3, 4, 5, 6, 7, 8, 9, 10})
_SEQ_RUN: Final = 256
_BOOLEAN_TYPE: Final = 11
_VARINT, _FIXED64, _BYTES, _FIXED32 = 0, 1, 2, 5


class SparkplugNode(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A gateway. metrics : metric name -> which gauge it is; device : None for the node's own metrics."""

    group: Annotated[str, Meta(min_length=1, max_length=200, pattern=r"^[^/+#]+\Z")]
    node: Annotated[str, Meta(min_length=1, max_length=200, pattern=r"^[^/+#]+\Z")]
    metrics: Annotated[dict[str, Channel], Meta(min_length=1, max_length=64)]
    device: Annotated[str, Meta(min_length=1, max_length=200, pattern=r"^[^/+#]+\Z")] | None = None

    def topics(self) -> list[str]:
        """Where all that the node sends comes: its numbers run over all its devices, so all are heard."""
        of_node = [f"{NAMESPACE}/{self.group}/{kind}/{self.node}" for kind in ("NBIRTH", "NDATA", "NDEATH")]
        kinds = ("DBIRTH", "DDATA", "DDEATH")
        return of_node + [f"{NAMESPACE}/{self.group}/{kind}/{self.node}/+" for kind in kinds]

    def command_topic(self) -> str:
        """Where it takes commands."""
        return f"{NAMESPACE}/{self.group}/NCMD/{self.node}"


class Metric(NamedTuple):
    """A metric as it came. at_ms : Unix [ms]; value : None where it is null, or no number."""

    name: str | None
    alias: int | None
    at_ms: int | None
    value: float | None


class Gateway:
    """One gateway's metrics over time: its births give names to the aliases that its data use.

    wants_rebirth : something of it was not heard, so it should be asked for its births (3.0, from memory);
        whoever asks sets it back. missed : messages that its numbers show to be missing
    """

    def __init__(self, node: SparkplugNode) -> None:
        self._node = node
        self._names: dict[tuple[str | None, int], str] = {}  # (device, alias): one for all of a node, or not
        self._next: int | None = None
        self.wants_rebirth = False
        self.missed = 0

    def rows(self, kind: str, payload: bytes, now_us: int, device: str | None = None) -> list[Row]:
        """Rows that a message makes, in order of time; none for a death or another device.

        kind : NBIRTH, NDATA, DBIRTH, DDATA, NDEATH or DDEATH; device : None for the node itself
        now_us : Unix [us], where it gives no time
        Raises InputError if it is no payload.
        """
        if kind == "NDEATH":  # the broker sends it in the node's name, without a number in the run
            self._next = None
            return []
        sent_ms, seq, metrics = decode_payload(payload)
        self._count(kind, seq)
        if kind.endswith("DEATH"):
            return []
        if kind.endswith("BIRTH"):
            self._name(device, metrics)
        if device != self._node.device:
            return []
        by_time: dict[int, dict[Gauge, float | None]] = {}
        for metric in metrics:
            name = metric.name
            if name is None and metric.alias is not None:
                name = self._names.get((device, metric.alias))
                self.wants_rebirth |= name is None
            channel = self._node.metrics.get(name) if name is not None else None
            if channel is None:
                continue
            at_ms = metric.at_ms if metric.at_ms is not None else sent_ms
            reading = None if metric.value is None else channel.reading(metric.value)
            by_time.setdefault(now_us if at_ms is None else at_ms * 1000, {})[channel.gauge] = reading
        return [Row(at_us, by_time[at_us]) for at_us in sorted(by_time)]

    def _name(self, device: str | None, metrics: list[Metric]) -> None:
        self._names = {key: name for key, name in self._names.items() if key[0] != device}
        for metric in metrics:
            if metric.alias is not None and metric.name is not None:
                self._names[device, metric.alias] = metric.name

    def _count(self, kind: str, seq: int | None) -> None:
        """Hold a message's number against the one due: 0 to 255, from 0 again at each birth of the node."""
        if seq is None:
            return
        if kind != "NBIRTH" and self._next is not None and seq != self._next:
            self.missed += (seq - self._next) % _SEQ_RUN
            self.wants_rebirth = True
        self._next = (seq + 1) % _SEQ_RUN


def rebirth_command(now_ms: int) -> bytes:
    """The command that asks a node for its births: Node Control/Rebirth, true. now_ms : Unix [ms]"""
    name = b"Node Control/Rebirth"
    metric = bytes([_NAME << 3 | _BYTES, len(name)]) + name
    metric += bytes([_DATATYPE << 3 | _VARINT, _BOOLEAN_TYPE, _BOOLEAN << 3 | _VARINT, 1])
    stamp = bytes([_TIMESTAMP << 3 | _VARINT]) + _as_varint(now_ms)
    return stamp + bytes([_METRICS << 3 | _BYTES, len(metric)]) + metric


def decode_payload(payload: bytes) -> tuple[int | None, int | None, list[Metric]]:
    """When it was sent, Unix [ms], its number in the node's run, its metrics.

    Raises InputError if it is no Sparkplug B payload.
    """
    if len(payload) > PAYLOAD_BYTES_MAX:
        raise _refuse(f"{len(payload)} bytes are more than a payload's {PAYLOAD_BYTES_MAX}")
    sent_ms: int | None = None
    seq: int | None = None
    metrics: list[Metric] = []
    for field, value in _fields(payload):
        if field == _TIMESTAMP and isinstance(value, int):
            sent_ms = _time(value)
        elif field == _SEQ and isinstance(value, int):
            seq = value % _SEQ_RUN
        elif field == _METRICS and isinstance(value, bytes):
            if len(metrics) == METRICS_MAX:
                raise _refuse(f"more than {METRICS_MAX} metrics")
            metrics.append(_metric(value))
    return sent_ms, seq, metrics


def _metric(data: bytes) -> Metric:
    told: dict[int, Any] = dict(_fields(data))
    name = told.get(_NAME)
    try:
        text = name.decode() if isinstance(name, bytes) else None
    except UnicodeDecodeError:
        raise _refuse("a metric's name is not UTF-8") from None
    alias, at = told.get(_ALIAS), told.get(_METRIC_TIMESTAMP)
    return Metric(
        text,
        alias if isinstance(alias, int) else None,
        _time(at) if isinstance(at, int) else None,
        None if told.get(_IS_NULL) else _value(told),
    )


def _value(told: dict[int, Any]) -> float | None:
    kind = told.get(_DATATYPE)
    if kind is not None and kind not in _NUMBERS:
        return None
    number: float | None = None
    if isinstance(told.get(_FLOAT), bytes) and len(told[_FLOAT]) == 4:
        number = struct.unpack("<f", told[_FLOAT])[0]
    elif isinstance(told.get(_DOUBLE), bytes) and len(told[_DOUBLE]) == 8:
        number = struct.unpack("<d", told[_DOUBLE])[0]
    else:
        whole = told.get(_INT, told.get(_LONG))
        if isinstance(whole, int):
            bits = _SIGNED_BITS.get(kind or 0)
            if bits is not None:
                whole &= (1 << bits) - 1
                whole -= (whole >> (bits - 1)) << bits
            number = float(whole)
    return number if number is not None and math.isfinite(number) else None


def _time(at_ms: int) -> int:
    if not 0 < at_ms < 4_102_444_800_000:  # 2100
        raise _refuse(f"the time {at_ms} ms is none that a clock can show")
    return at_ms


def _fields(data: bytes) -> Iterator[tuple[int, int | bytes]]:
    """Fields of a protobuf message: (number, varint or bytes). Source: protobuf's encoding guide."""
    at = 0
    while at < len(data):
        key, at = _varint(data, at)
        field, wire = key >> 3, key & 7
        if wire == _VARINT:
            whole, at = _varint(data, at)
            yield field, whole
            continue
        if wire == _BYTES:
            length, at = _varint(data, at)
        elif wire in (_FIXED64, _FIXED32):
            length = 8 if wire == _FIXED64 else 4
        else:
            raise _refuse(f"wire type {wire} at byte {at}")
        if length > len(data) - at:
            raise _refuse(f"field {field} is cut short")
        yield field, data[at : at + length]
        at += length


def _varint(data: bytes, at: int) -> tuple[int, int]:
    number = shift = 0
    while at < len(data) and shift < 70:
        byte = data[at]
        number |= (byte & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if not byte & 0x80:
            return number & 0xFFFF_FFFF_FFFF_FFFF, at
    raise _refuse("a number is cut short")


def _as_varint(number: int) -> bytes:
    out = bytearray()
    while number > 0x7F:
        out.append(number & 0x7F | 0x80)
        number >>= 7
    return bytes([*out, number])


def _refuse(what: str) -> InputError:
    return InputError(f"not a payload: {what}", where="Sparkplug B", do="see what the gateway sends there")
