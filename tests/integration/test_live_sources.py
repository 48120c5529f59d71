"""`beadbook capture --config`: registers and a gateway's metrics, from the site's own TOML to the history."""

import threading
import time
from contextlib import contextmanager

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from edge.errors import InputError
from edge.settings import load_edge
from edge.words import Gauge
from pipeline.history import History
from pipeline.settings import parse_settings
from tests.integration.test_modbus import tcp
from tests.integration.test_pump_to_history import SITE, landing
from tests.running import beadbook, free_port, wait_for_port
from tests.shop.sparkplug import payload

TOML = """
name = "hall-9"

[edges.edge-a]
pump = "pump-a"

[[edges.edge-a.modbus]]
url = "tcp://127.0.0.1:{port}"
hz = 10

[[edges.edge-a.modbus.channels]]
gauge = "base"
register = 4
type = "float32"
unit = "bar"

[[edges.edge-a.modbus.channels]]
gauge = "catalyst_1"
register = 10
type = "uint16"
unit = "bar"
factor = 0.001
loop_low = 0
loop_high = 400
calibration = {{ read_low = 0, true_low = 1, read_high = 400, true_high = 401, due = 2027-03-01 }}

[[edges.edge-a.modbus.channels]]
gauge = "catalyst_2"
register = 11
type = "uint16"
unit = "bar"
factor = 0.001
loop_low = 0
loop_high = 400

[edges.edge-a.sparkplug]
group = "hall-9"
node = "gateway-1"
[edges.edge-a.sparkplug.metrics]
"Air/Pressure" = {{ gauge = "air", unit = "psi" }}
"""


def publish(broker, *payloads):
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect(broker.host, broker.port)
    client.loop_start()
    for kind, data in payloads:
        client.publish(f"spBv1.0/hall-9/{kind}/gateway-1", data, qos=1).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()


@contextmanager
def commands(broker):
    """What the gateway is told."""
    told, listening = [], threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _client, _data, message: told.append(message.payload)
    client.on_subscribe = lambda *_: listening.set()
    client.connect(broker.host, broker.port)
    client.subscribe("spBv1.0/hall-9/NCMD/gateway-1", qos=1)
    client.loop_start()
    assert listening.wait(10)
    yield told
    client.disconnect()
    client.loop_stop()


def wait_for(found, timeout_s=30.0):
    deadline = time.monotonic() + timeout_s
    while not (rows := found()):
        assert time.monotonic() < deadline
        time.sleep(0.2)
    return rows


def test_registers_and_metrics_land(broker, tmp_path):
    port, home, config = free_port(), tmp_path / "home", tmp_path / "site.toml"
    config.write_text(TOML.format(port=port))

    def rows(gauge):
        return [row for row in History(home).read("gauge_samples").to_pylist() if row[gauge] is not None]

    with tcp(port), landing(broker, home):
        wait_for_port(port)
        capture = beadbook(
            *(
                "capture",
                *SITE,
                "--config",
                config,
                "--broker",
                broker,
                "--outbox",
                tmp_path / "outbox.sqlite",
            )
        )
        try:
            wait_for(lambda: rows("base_pa"))
            now_ms = time.time_ns() // 1_000_000
            birth = {
                "name": "Air/Pressure",
                "alias": 3,
                "datatype": 9,
                "float_value": 90.0,
                "timestamp": now_ms,
            }
            data = {"alias": 3, "datatype": 9, "float_value": 91.0, "timestamp": now_ms + 10}
            publish(broker, ("NBIRTH", payload(birth)), ("NDATA", b"\xff\xff"), ("NDATA", payload(data)))
            air = wait_for(lambda: len(rows("air_pa")) >= 2 and rows("air_pa"))
            with commands(broker) as asked:
                # An alias that no birth has named: the gateway is asked to be born again.
                publish(broker, ("NDATA", payload({"alias": 99, "float_value": 1.0})))
                wait_for(lambda: asked)
        finally:
            capture.terminate()
            _, errors = capture.communicate(timeout=30)
    assert capture.returncode == 0, errors
    assert "a message of the gateway is passed over" in errors
    assert "Traceback" not in errors
    assert sorted(row["air_pa"] for row in air) == pytest.approx(
        [90 * 6894.757293168361, 91 * 6894.757293168361]
    )
    base = rows("base_pa")
    assert {row["base_pa"] for row in base} == {131.5e5}
    assert [row["catalyst_1_pa"] for row in base] == pytest.approx([201e5] * len(base))
    # 3.5 mA: the wire is broken, and what it says is no reading.
    assert {row["catalyst_2_pa"] for row in base} == {None}
    assert {(row["site"], row["pump"], row["edge"]) for row in base} == {("hall-9", "pump-a", "edge-a")}
    assert len({row["at"] for row in base}) == len(base)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("pump = \"pump-a\"", "pump = \"Pump A\""), "edges.edge-a"),
        (("unit = \"psi\"", "unit = \"atm\""), "metric 'Air/Pressure': unknown unit 'atm'"),
        (("gauge = \"air\"", "gauge = \"base\""), "are both base"),
        (("register = 4", "register = 70000"), "register"),
        (("loop_high = 400\n", ""), "go together"),
        (("hz = 10", "hz = 10\nspeed = 3"), "unknown field 'speed'"),
        (("[edges.edge-a]", "[edges.edge-b]\npump = \"pump-b\"\n[edges.edge-a]"), None),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)  # fmt: skip
def test_a_mistake_in_the_file_is_told_to_edge_and_pipeline(tmp_path, change, says):
    text = TOML.format(port=502).replace(*change)
    path = tmp_path / "site.toml"
    path.write_text(text)
    if says is None:
        assert set(parse_settings(text).edges) == {"edge-a", "edge-b"}
        assert load_edge(path, "edge-a").modbus[0].channels[0].gauge is Gauge.BASE
        return
    for read in (lambda: load_edge(path, "edge-a"), lambda: parse_settings(text)):
        with pytest.raises(InputError) as refused:
            read()
        assert says in str(refused.value)


def test_an_edge_that_the_file_does_not_know_is_told(tmp_path):
    path = tmp_path / "site.toml"
    path.write_text(TOML.format(port=502))
    with pytest.raises(InputError, match=r"no table \[edges.edge-z\]"):
        load_edge(path, "edge-z")
