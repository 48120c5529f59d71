"""What do the registers of a Modbus device say? Polled at a steady rate, TCP or RTU, a row a poll.

`pymodbus` is asked for only where a device is polled: install 'beadbook[modbus]'.
"""

import logging
import math
import time
from collections.abc import Callable, Iterator
from typing import Annotated, Any, Final, Literal
from urllib.parse import urlsplit

from msgspec import Meta, Struct

from edge.errors import CallError, InputError
from edge.gaugefile import Row
from edge.sources.loop import Channel
from edge.words import Gauge

log = logging.getLogger(__name__)

_WAIT_S: Final = 0.5
_AGAIN_S: Final = 2.0
_REGISTERS: Final = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
_READ_MAX: Final = 125  # registers in one request (Modbus application protocol 1.1b3, 6.3 and 6.4)


class Register(Channel, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One gauge's register. word_order : big where the first register holds the high word."""

    register: Annotated[int, Meta(ge=0, le=65535)]
    kind: Literal["holding", "input"] = "input"
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = "int16"
    word_order: Literal["big", "little"] = "big"


class ModbusDevice(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A device. url : tcp://host[:port]; rtu:///dev/ttyUSB0, a serial line; rtu+tcp://, a gateway to one."""

    url: str
    channels: Annotated[tuple[Register, ...], Meta(min_length=1, max_length=32)]
    device: Annotated[int, Meta(ge=0, le=247)] = 1
    hz: Annotated[float, Meta(gt=0, le=50, description="[Hz]")] = 10.0
    baud: Annotated[int, Meta(ge=300, le=1_000_000)] = 19_200
    parity: Literal["N", "E", "O"] = "E"  # the standard's own default
    stop_bits: Literal[1, 2] = 1


def poll(device: ModbusDevice, ended: Callable[[], bool]) -> Iterator[Row | None]:
    """Rows as they are read, until `ended`; None where the device does not answer, which is told of once.

    Raises CallError if its URL is none, or pymodbus is not installed.
    """
    client = _client(device)
    blocks = _blocks(device)
    silent: str | None = None
    due = time.monotonic()
    try:
        while not ended():
            due = max(due + 1 / device.hz, time.monotonic())
            raw, why = _read(client, device, blocks)
            if why is not None:
                if why != silent:
                    log.warning("no readings device=%s reason=%s", device.url, why)
                silent = why
                yield None
                due = max(due, time.monotonic() + _AGAIN_S)
            else:
                if silent is not None:
                    log.info("readings again device=%s", device.url)
                silent = None
                yield Row(time.time_ns() // 1000, _gauges(device, raw))
            while (wait := due - time.monotonic()) > 0 and not ended():
                time.sleep(min(wait, _WAIT_S))
    finally:
        client.close()


def _gauges(device: ModbusDevice, raw: dict[Register, float]) -> dict[Gauge, float | None]:
    return {one.gauge: one.reading(raw[one]) for one in device.channels}


def _blocks(device: ModbusDevice) -> list[tuple[str, int, int]]:
    """(kind, first register, count) of the requests that fetch all channels: neighbours in one."""
    blocks: list[tuple[str, int, int]] = []
    for one in sorted(device.channels, key=lambda one: (one.kind, one.register)):
        end = one.register + _REGISTERS[one.type]
        if blocks and blocks[-1][0] == one.kind:
            kind, first, count = blocks[-1]
            # Only what touches: a device may refuse a request over a register that it does not have.
            if one.register <= first + count and end - first <= _READ_MAX:
                blocks[-1] = kind, first, max(count, end - first)
                continue
        blocks.append((one.kind, one.register, end - one.register))
    return blocks


def _read(
    client: Any, device: ModbusDevice, blocks: list[tuple[str, int, int]]
) -> tuple[dict[Register, float], str | None]:
    """Raw numbers by channel, or why there are none."""
    from pymodbus.exceptions import ModbusException

    held: dict[tuple[str, int], int] = {}
    try:
        if not client.connected and not client.connect():
            return {}, "no connection"
        for kind, first, count in blocks:
            ask = client.read_holding_registers if kind == "holding" else client.read_input_registers
            answer = ask(first, count=count, device_id=device.device)
            if answer.isError():
                return {}, f"{kind} registers {first} to {first + count - 1}: {answer}"
            if len(answer.registers) != count:
                return {}, f"{len(answer.registers)} registers came where {count} were asked for"
            held |= {(kind, first + place): word for place, word in enumerate(answer.registers)}
    except (ModbusException, OSError) as error:
        client.close()
        return {}, str(error)
    return {one: _number(client, one, held) for one in device.channels}, None


def _number(client: Any, one: Register, held: dict[tuple[str, int], int]) -> float:
    words = [held[one.kind, one.register + place] for place in range(_REGISTERS[one.type])]
    kind = client.DATATYPE[one.type.upper()]
    number = float(client.convert_from_registers(words, kind, word_order=one.word_order))
    return number if math.isfinite(number) else math.nan


def _client(device: ModbusDevice) -> Any:
    where = f"Modbus device {device.url!r}"
    try:
        from pymodbus import FramerType
        from pymodbus.client import ModbusSerialClient, ModbusTcpClient
    except ImportError:
        raise CallError("pymodbus is not installed", where=where, do="install 'beadbook[modbus]'") from None
    # pymodbus logs each failure with a dump of what went before; what matters we say ourselves.
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    try:
        url = urlsplit(device.url)
        port = url.port or 502
    except ValueError as error:
        raise InputError(str(error), where=where, do="write it as tcp://host:502") from None
    if url.scheme in ("tcp", "rtu+tcp") and url.hostname:
        framer = FramerType.SOCKET if url.scheme == "tcp" else FramerType.RTU
        return ModbusTcpClient(url.hostname, port=port, framer=framer, timeout=1, retries=0)
    if url.scheme == "rtu" and url.path:
        try:
            return ModbusSerialClient(
                url.path,
                baudrate=device.baud,
                parity=device.parity,
                stopbits=device.stop_bits,
                timeout=1,
                retries=0,
            )
        except (RuntimeError, ImportError):
            raise CallError(
                "pyserial is not installed", where=where, do="install 'beadbook[modbus]'"
            ) from None
    raise InputError(
        "is no URL of tcp://, rtu+tcp:// or rtu:///", where=where, do="write it as tcp://host:502"
    )
