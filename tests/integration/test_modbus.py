"""Registers of a real Modbus server, over TCP and over a serial line: types, word order, loops, silence."""

import asyncio
import os
import struct
import threading
import time
import tty
from contextlib import contextmanager

import pytest
from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from edge.sources.loop import Calibration
from edge.sources.modbus import ModbusDevice, Register, poll
from edge.words import Gauge
from tests.running import free_port, wait_for_port


def words(text, number, order="big"):
    data = struct.pack(text, number)
    found = [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]
    return found if order == "big" else found[::-1]


# By Python's own struct, big-endian within a register as Modbus has it.
HELD = [
    *words(">h", -12),  # 0 int16
    *words(">H", 65_000),  # 1 uint16
    *words(">i", -70_000),  # 2, 3 int32
    *words(">f", 131.5),  # 4, 5 float32
    *words(">f", 17.25, "little"),  # 6, 7 float32, low word first
    *words(">I", 4_000_000_000),  # 8, 9 uint32
    *words(">H", 12_000),  # 10: 12.000 mA
    *words(">H", 3_500),  # 11: 3.500 mA, a broken wire
    *words(">f", float("nan")),  # 12, 13
    *words(">H", 21_000),  # 14: 21.000 mA
]


@contextmanager
def served(make):
    """A Modbus server in a thread of its own. make : called in its loop"""
    loop = asyncio.new_event_loop()
    server = []

    async def start():
        server.append(make())
        await server[0].serve_forever(background=True)

    def work():
        asyncio.set_event_loop(loop)
        loop.run_until_complete(start())
        loop.run_forever()
        loop.run_until_complete(server[0].shutdown())

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        yield
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)


def device():
    return SimDevice(1, simdata=[SimData(0, values=HELD, datatype=DataType.REGISTERS)])


def tcp(port, framer=FramerType.SOCKET):
    return served(lambda: ModbusTcpServer(device(), framer=framer, address=("127.0.0.1", port)))


@contextmanager
def serial_line():
    """Two ends of a line: what is written to one comes out of the other."""
    (one, its), (two, others) = os.openpty(), os.openpty()
    for end in (one, its, two, others):
        tty.setraw(end)

    def pump(source, sink):
        while True:
            try:
                os.write(sink, os.read(source, 1024))
            except OSError:
                return

    for ends in ((one, two), (two, one)):
        threading.Thread(target=pump, args=ends, daemon=True).start()
    yield os.ttyname(its), os.ttyname(others)
    for end in (one, its, two, others):
        os.close(end)


def channel(register, type_="uint16", gauge=Gauge.BASE, **more):
    return Register(gauge=gauge, register=register, type=type_, unit="bar", **more)


def first_rows(url, *channels, count=1, timeout_s=10.0, **settings):
    rows, deadline = [], time.monotonic() + timeout_s
    for row in poll(
        ModbusDevice(url=url, channels=channels, hz=50, **settings), lambda: time.monotonic() > deadline
    ):
        rows.append(row)
        if len(rows) == count:
            return rows
    raise AssertionError(f"only {rows}")


@pytest.mark.parametrize("kind", ["input", "holding"])
@pytest.mark.parametrize(
    ("one", "bar"),
    [
        (channel(0, "int16"), -12),
        (channel(1, "uint16"), 65_000),
        (channel(2, "int32"), -70_000),
        (channel(4, "float32"), 131.5),
        (channel(6, "float32", word_order="little"), 17.25),
        (channel(8, "uint32"), 4_000_000_000),
        (channel(0, "int16", factor=0.5, offset=10), 4),
        (channel(10, factor=0.001, loop_low=0.0, loop_high=400.0), 200),
        (channel(11, factor=0.001, loop_low=0.0, loop_high=400.0), None),
        (channel(14, factor=0.001, loop_low=0.0, loop_high=400.0), None),
        (channel(12, "float32"), None),
    ],
    ids=lambda value: f"{value.type}-{value.register}" if isinstance(value, Register) else None,
)
def test_a_register_is_read_as_its_type(kind, one, bar, modbus_port):
    (row,) = first_rows(f"tcp://127.0.0.1:{modbus_port}", type(one)(**{**vars_of(one), "kind": kind}))
    assert row.values == {Gauge.BASE: None if bar is None else pytest.approx(bar * 1e5)}
    assert abs(row.at_us / 1e6 - time.time()) < 5


def vars_of(one):
    return {name: getattr(one, name) for name in one.__struct_fields__}


@pytest.fixture(scope="module")
def modbus_port():
    port = free_port()
    with tcp(port):
        wait_for_port(port)
        yield port


def test_several_channels_are_one_row_and_a_calibration_counts(modbus_port):
    from datetime import date

    held = Calibration(read_low=0, true_low=2, read_high=100, true_high=102, due=date(2027, 1, 1))
    (row,) = first_rows(
        f"tcp://127.0.0.1:{modbus_port}",
        channel(4, "float32"),
        channel(6, "float32", Gauge.CATALYST_1, word_order="little", calibration=held),
        channel(10, gauge=Gauge.CATALYST_2, factor=0.001, loop_low=0.0, loop_high=400.0),
    )
    assert row.values == {
        Gauge.BASE: pytest.approx(131.5e5),
        Gauge.CATALYST_1: pytest.approx(19.25e5),
        Gauge.CATALYST_2: pytest.approx(200e5),
    }


def test_rtu_over_a_socket():
    port = free_port()
    with tcp(port, FramerType.RTU):
        wait_for_port(port)
        (row,) = first_rows(f"rtu+tcp://127.0.0.1:{port}", channel(4, "float32"))
    assert row.values == {Gauge.BASE: pytest.approx(131.5e5)}


def test_rtu_over_a_serial_line():
    with (
        serial_line() as (ours, theirs),
        served(lambda: ModbusSerialServer(device(), framer=FramerType.RTU, port=theirs, baudrate=19_200)),
    ):
        time.sleep(0.5)
        row = next(
            row for row in first_rows(f"rtu://{ours}", channel(4, "float32"), parity="N", count=1) if row
        )
    assert row.values == {Gauge.BASE: pytest.approx(131.5e5)}


def test_a_device_that_is_away_is_told_of_once_and_read_again(caplog):
    port, rows, began = free_port(), [], time.monotonic()
    one = ModbusDevice(url=f"tcp://127.0.0.1:{port}", channels=(channel(4, "float32"),), hz=20)
    stack = None
    with caplog.at_level("INFO"):
        for row in poll(one, lambda: time.monotonic() - began > 25):
            rows.append(row)
            if len(rows) == 2 and stack is None:
                stack = tcp(port)
                stack.__enter__()
                wait_for_port(port)
            if row is not None:
                break
    stack.__exit__(None, None, None)
    assert rows[:2] == [None, None]
    assert rows[-1].values == {Gauge.BASE: pytest.approx(131.5e5)}
    told = [record.getMessage() for record in caplog.records if record.name == "edge.sources.modbus"]
    assert sum("no readings" in text for text in told) == 1
    assert sum("readings again" in text for text in told) == 1


def test_a_register_that_is_not_there_is_told(modbus_port, caplog):
    (row,) = first_rows(f"tcp://127.0.0.1:{modbus_port}", channel(500))
    assert row is None
    assert "input registers 500 to 500" in caplog.text
