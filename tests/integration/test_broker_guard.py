"""A real Mosquitto with the files that broker-config writes: strangers and impostors are refused."""

import dataclasses
import json
import os
import ssl
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from edge.broker import BrokerUrl, parse_broker_url
from pipeline.guard.certificates import sign_client
from pipeline.guard.passwords import password_line
from pipeline.history import History
from tests.running import ROOT, beadbook, free_port, mosquitto_path, wait_for_port

pytestmark = pytest.mark.mosquitto

SITE = "hall-9"
OWN = f"beadbook/v1/{SITE}/edge-a"
STREAM = "ab" * 16
NAMES = ("--site", SITE, "--edge", "edge-a", "--pump", "pump-a")


def broker_config(out, port, *more):
    call = beadbook(
        *("broker-config", "--site", SITE, "--host", "localhost", "--host", "127.0.0.1"),
        *("--port", port, "--out", out, *more),
    )
    output, errors = call.communicate(timeout=60)
    assert call.returncode == 0, errors
    return output


@contextmanager
def broker_of(folder, port):
    # As root a Mosquitto takes on a user of its own, whom pytest's folders keep out.
    own = folder / "run.conf"
    own.write_text((folder / "mosquitto.conf").read_text() + "user root\nlog_type all\n")
    with (folder / "mosquitto.log").open("wb") as log:
        process = subprocess.Popen([mosquitto_path(), "-c", own], stdout=log, stderr=log)
        try:
            wait_for_port(port)
            yield
        finally:
            process.kill()
            process.wait(10)


@pytest.fixture(scope="module")
def guarded(tmp_path_factory):
    folder, port = tmp_path_factory.mktemp("guard") / "broker", free_port()
    broker_config(folder, port, "--edge", "edge-a", "--edge", "edge-b", "--watcher", "light")
    with broker_of(folder, port):
        yield folder, port


def url_of(guarded, name, /, host="127.0.0.1", **changes):
    folder, port = guarded
    own = folder / "clients" / name
    url = parse_broker_url(
        f"mqtts://{name}@{host}:{port}", ca=own / "ca.crt", password_file=own / "password", environ={}
    )
    return dataclasses.replace(url, **changes)


class Told(list):
    """Messages a client hears, by topic."""

    def wait_for(self, topic, timeout_s=10.0):
        deadline = time.monotonic() + timeout_s
        while topic not in self:
            assert time.monotonic() < deadline, f"{topic} never came, only {list(self)}"
            time.sleep(0.01)


@contextmanager
def client(url: BrokerUrl, *subscribed):
    """A connected client. Raises PermissionError where the broker refuses it."""
    answer, told = [], Told()
    answered, listening = threading.Event(), threading.Event()
    one = mqtt.Client(CallbackAPIVersion.VERSION2, reconnect_on_failure=False)
    url.identify(one)

    def on_connect(_client, _data, _flags, reason, _properties):
        answer.append(reason)
        answered.set()

    one.on_connect = on_connect
    one.on_subscribe = lambda *_: listening.set()
    one.on_message = lambda _client, _data, message: told.append(message.topic)
    one.connect(url.host, url.port)
    one.loop_start()
    try:
        if not answered.wait(5) or answer[0].is_failure:
            raise PermissionError(str(answer))
        if subscribed:
            one.subscribe([(topic, 1) for topic in subscribed])
            assert listening.wait(10)
        one.told = told
        yield one
    finally:
        one.disconnect()
        one.loop_stop()


def test_an_edge_and_the_pipeline_come_in_and_reach_each_other(guarded):
    receipt, gauges = f"{OWN}/receipt/{STREAM}", f"{OWN}/gauges/{STREAM}/1"
    with (
        client(url_of(guarded, "pipeline"), "beadbook/v1/+/+/gauges/#") as pipeline,
        client(url_of(guarded, "edge-a", host="localhost"), receipt) as edge,
        client(url_of(guarded, "light"), f"beadbook/v1/{SITE}/+/release") as light,
    ):
        edge.publish(gauges, b"x", qos=1)
        pipeline.told.wait_for(gauges)
        pipeline.publish(receipt, b"x", qos=1)
        edge.told.wait_for(receipt)
        pipeline.publish(f"beadbook/v1/{SITE}/pump-a/release", b"x", qos=1)
        light.told.wait_for(f"beadbook/v1/{SITE}/pump-a/release")


@pytest.mark.parametrize("user", ["edge-a", "pipeline", "nobody"])
@pytest.mark.parametrize("password", ["wrong", "", None])
def test_a_wrong_password_and_an_unknown_user_are_refused(guarded, user, password):
    url = url_of(guarded, "edge-a", user=user, password=password)
    with pytest.raises((PermissionError, OSError)), client(url):
        pass


def test_an_edge_can_not_come_in_by_another_ones_password(guarded):
    other = url_of(guarded, "edge-b").password
    with pytest.raises((PermissionError, OSError)), client(url_of(guarded, "edge-a", password=other)):
        pass


def test_nobody_comes_in_without_a_name(guarded):
    with (
        pytest.raises((PermissionError, OSError)),
        client(url_of(guarded, "edge-a", user=None, password=None)),
    ):
        pass


def test_nobody_comes_in_unencrypted(guarded):
    with pytest.raises((PermissionError, OSError)), client(url_of(guarded, "edge-a", tls=False)):
        pass


def test_a_broker_of_another_authority_is_not_spoken_to(guarded, tmp_path):
    broker_config(tmp_path / "other", free_port(), "--edge", "edge-a")
    with (
        pytest.raises(ssl.SSLCertVerificationError),
        client(url_of(guarded, "edge-a", ca=tmp_path / "other" / "ca.crt")),
    ):
        pass
    with pytest.raises(ssl.SSLCertVerificationError), client(url_of(guarded, "edge-a", ca=None)):
        pass


def test_a_broker_under_another_name_is_not_spoken_to(guarded):
    # The same broker, at an address that its certificate does not name.
    with (
        pytest.raises(ssl.SSLCertVerificationError, match="mismatch"),
        client(url_of(guarded, "edge-a", host="127.0.0.2")),
    ):
        pass


FORGED = {
    "another edge's gauges": ("edge-b", f"{OWN}/gauges/{STREAM}/1"),
    "another edge's plain gauges": ("edge-b", f"{OWN}/gauges"),
    "another edge's record": ("edge-b", f"{OWN}/record/{STREAM}/1"),
    "another edge's photo": ("edge-b", f"{OWN}/photo/{STREAM}/1"),
    "another edge's outbox": ("edge-b", f"{OWN}/outbox/{STREAM}"),
    "another site's gauges": ("edge-b", f"beadbook/v1/hall-8/edge-b/gauges/{STREAM}/1"),
    "another edge's receipt": ("edge-b", f"{OWN}/receipt/{STREAM}"),
    "its own receipt": ("edge-b", f"beadbook/v1/{SITE}/edge-b/receipt/{STREAM}"),
    "a release": ("edge-b", f"beadbook/v1/{SITE}/pump-a/release"),
    "a release of its own name": ("edge-b", f"beadbook/v1/{SITE}/edge-b/release"),
    "a release by a light": ("light", f"beadbook/v1/{SITE}/pump-a/release"),
    "gauges by a light": ("light", f"beadbook/v1/{SITE}/light/gauges"),
    "gauges by the pipeline": ("pipeline", f"{OWN}/gauges/{STREAM}/1"),
}


def spy(guarded, tmp_path):
    """A Mosquitto with the same files and one more user, who hears everything."""
    folder, _ = guarded
    own = tmp_path / "spied"
    own.mkdir()
    for name in ("acl", "passwords", "ca.crt", "server.crt", "server.key"):
        (own / name).write_bytes((folder / name).read_bytes())
    with (own / "passwords").open("a") as file:
        file.write(password_line("spy", "sees all") + "\n")
    with (own / "acl").open("a") as file:
        file.write("\nuser spy\ntopic read #\n")
    port = free_port()
    text = (folder / "mosquitto.conf").read_text().replace(str(folder), str(own))
    (own / "mosquitto.conf").write_text(text.replace(f"listener {guarded[1]}", f"listener {port}"))
    return own, port


def test_what_is_forged_reaches_nobody(guarded, tmp_path):
    own, port = spy(guarded, tmp_path)
    with broker_of(own, port):
        spied = url_of(guarded, "edge-a", user="spy", password="sees all", port=port)
        with client(spied, "#") as listener:
            for user, topic in FORGED.values():
                with client(url_of(guarded, user, port=port)) as forger:
                    for retain in (False, True):
                        forger.publish(topic, b"forged", qos=1, retain=retain).wait_for_publish(10)
            # What comes last came through, so what did not come was dropped.
            last = f"{OWN}/gauges/{STREAM}/9"
            with client(url_of(guarded, "edge-a", port=port)) as honest:
                honest.publish(last, b"x", qos=1)
                listener.told.wait_for(last)
            assert listener.told == [last]
        with client(spied, "#") as later, client(url_of(guarded, "edge-a", port=port)) as honest:
            honest.publish(last, b"x", qos=1)
            later.told.wait_for(last)
            assert later.told == [last], "a forged message was retained"


def test_an_edge_hears_nothing_of_the_others(guarded):
    with client(url_of(guarded, "edge-b"), "#", f"{OWN}/#") as curious:
        with client(url_of(guarded, "edge-a")) as edge, client(url_of(guarded, "pipeline")) as pipeline:
            edge.publish(f"{OWN}/record/{STREAM}/1", b"x", qos=1).wait_for_publish(10)
            pipeline.publish(f"{OWN}/receipt/{STREAM}", b"x", qos=1).wait_for_publish(10)
            last = f"beadbook/v1/{SITE}/edge-b/receipt/{STREAM}"
            pipeline.publish(last, b"x", qos=1)
            curious.told.wait_for(last)
        assert curious.told == [last]


def test_with_client_certificates_the_certificate_says_who_it_is(tmp_path):
    folder, port = tmp_path / "broker", free_port()
    broker_config(folder, port, "--edge", "edge-a", "--edge", "edge-b", "--client-certificates")
    other = tmp_path / "other"
    broker_config(other, free_port(), "--edge", "edge-a", "--client-certificates")
    with broker_of(folder, port):

        def url(certificate):
            own = folder / "clients" / "edge-a"
            return BrokerUrl(
                *("127.0.0.1", port, "edge-a", (own / "password").read_text().strip(), True),
                *(folder / "ca.crt", certificate),
            )

        for stranger in (None, other / "clients" / "edge-a" / "client.pem"):
            with pytest.raises((PermissionError, OSError)), client(url(stranger)):
                pass
        with client(
            dataclasses.replace(url(folder / "clients/pipeline/client.pem"), user=None, password=None),
            f"beadbook/v1/{SITE}/+/gauges/#",
        ) as pipeline:
            # With edge-b's certificate and edge-a's name and password it is edge-b all the same.
            with client(url(folder / "clients" / "edge-b" / "client.pem")) as impostor:
                impostor.publish(f"{OWN}/gauges", b"forged", qos=1).wait_for_publish(10)
            with client(url(folder / "clients" / "edge-a" / "client.pem")) as edge:
                edge.publish(f"{OWN}/gauges/{STREAM}/1", b"x", qos=1)
                pipeline.told.wait_for(f"{OWN}/gauges/{STREAM}/1")
            assert pipeline.told == [f"{OWN}/gauges/{STREAM}/1"]


def test_called_again_it_keeps_passwords_adds_edges_and_revokes(tmp_path):
    folder, port = tmp_path / "broker", free_port()
    broker_config(folder, port, "--edge", "edge-a", "--edge", "edge-b")
    passwords = {name: (folder / "clients" / name / "password").read_text() for name in ("edge-a", "edge-b")}
    authority = (folder / "ca.crt").read_bytes()
    broker_config(folder, port, "--edge", "edge-c", "--revoke", "edge-b")
    assert (folder / "ca.crt").read_bytes() == authority
    assert (folder / "clients" / "edge-a" / "password").read_text() == passwords["edge-a"]
    assert not (folder / "clients" / "edge-b").exists()
    guarded = folder, port
    with broker_of(folder, port):
        for name in ("edge-a", "edge-c"):
            with client(url_of(guarded, name)):
                pass
        gone = url_of(guarded, "edge-a", user="edge-b", password=passwords["edge-b"].strip())
        with pytest.raises((PermissionError, OSError)), client(gone):
            pass


def test_a_revoked_certificate_lets_nobody_in_though_its_name_is_given_again(tmp_path):
    folder, port = tmp_path / "broker", free_port()
    all_of = ("--edge", "edge-a", "--edge", "edge-b", "--client-certificates")
    broker_config(folder, port, *all_of)
    first = tmp_path / "first.pem"
    first.write_bytes((folder / "clients" / "edge-a" / "client.pem").read_bytes())
    broker_config(folder, port, *all_of)  # signs anew; the copy of the first stays good
    second = tmp_path / "second.pem"
    second.write_bytes((folder / "clients" / "edge-a" / "client.pem").read_bytes())

    def url(certificate):
        return BrokerUrl("127.0.0.1", port, None, None, True, folder / "ca.crt", certificate)

    with broker_of(folder, port), client(url(first)), client(url(second)):
        pass
    broker_config(folder, port, *all_of, "--revoke", "edge-a")
    with broker_of(folder, port):
        for old in (first, second):
            with pytest.raises((PermissionError, OSError)), client(url(old)):
                pass
        for name in ("edge-a", "edge-b", "pipeline"):
            with client(url(folder / "clients" / name / "client.pem")):
                pass
    # What is on the list stays on it.
    broker_config(folder, port, *all_of, "--revoke", "edge-b")
    with broker_of(folder, port), pytest.raises((PermissionError, OSError)), client(url(first)):
        pass


def test_what_is_secret_is_for_its_owner_alone(guarded):
    folder, _ = guarded
    for path in folder.rglob("*"):
        mode = path.stat().st_mode & 0o777
        if path.name in ("ca.key", "password", "client.pem"):
            assert mode == 0o600, path
        elif path.name in ("server.key", "passwords"):
            assert mode & 0o007 == 0, path
    held = (folder / "passwords").read_text()
    assert (folder / "clients" / "edge-a" / "password").read_text().strip() not in held


@pytest.fixture
def running(guarded, tmp_path):
    """`beadbook serve` at the guarded broker; its process, and the environment of each client."""

    def environment(user):
        own = guarded[0] / "clients" / user
        told = dict(line.split("=", 1) for line in (own / "broker.env").read_text().splitlines())
        return {
            **os.environ,
            **{key: value.replace("/etc/beadbook", str(own)) for key, value in told.items()},
        }

    serve = subprocess.Popen(
        [*beadbook_words(), "serve", "--home", tmp_path / "home"],
        cwd=ROOT, env=environment("pipeline"), text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert "receiving" in serve.stdout.readline()
    yield serve, environment
    if serve.poll() is None:
        serve.kill()
        serve.wait(10)


def beadbook_words():
    return [sys.executable, "-m", "pipeline"]


def test_a_record_lands_over_tls_and_no_password_is_seen(guarded, running, tmp_path):
    serve, environment = running
    secrets = [
        (guarded[0] / "clients" / name / "password").read_text().strip() for name in ("pipeline", "edge-a")
    ]
    line = Path(f"/proc/{serve.pid}/cmdline").read_bytes().decode()
    sent = subprocess.run(
        [*beadbook_words(), "record", "purge", *NAMES, "--by", "R. Okafor", "--outbox", tmp_path / "o"],
        cwd=ROOT, env=environment("edge-a"), text=True, capture_output=True, timeout=60,
    )  # fmt: skip
    assert sent.returncode == 0, sent.stderr
    assert "1 message receipted" in sent.stdout
    serve.terminate()
    output, errors = serve.communicate(timeout=60)
    seen = line + output + errors + sent.stdout + sent.stderr
    written = b"".join(path.read_bytes() for path in tmp_path.rglob("*") if path.is_file())
    for secret in secrets:
        assert secret not in seen
        assert secret.encode() not in written
    (row,) = History(tmp_path / "home").read("records").to_pylist()
    assert (row["edge"], row["by"], json.loads(row["body"])["kind"]) == ("edge-a", "R. Okafor", "purge")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"BEADBOOK_PASSWORD_FILE": "{wrong}"}, "Not authorized"),
        ({"BEADBOOK_BROKER": "mqtts://edge-a@127.0.0.2:{port}"}, "IP address mismatch"),
        ({"BEADBOOK_CA": "{other}"}, "certificate verify failed"),
    ],
    ids=["password", "certificate", "authority"],
)
def test_a_refusal_is_told_to_whoever_sends(guarded, tmp_path, change, says):
    folder, port = guarded
    wrong, other = tmp_path / "wrong", tmp_path / "other"
    wrong.write_text("wrong\n")
    broker_config(other, free_port(), "--edge", "edge-a")
    own = folder / "clients" / "edge-a"
    told = {
        "BEADBOOK_BROKER": f"mqtts://edge-a@127.0.0.1:{port}",
        "BEADBOOK_CA": str(own / "ca.crt"),
        "BEADBOOK_PASSWORD_FILE": str(own / "password"),
    }
    for key, value in change.items():
        told[key] = value.format(wrong=wrong, port=port, other=other / "ca.crt")
    sent = subprocess.run(
        [*beadbook_words(), "record", "purge", *NAMES, "--by=x", "--timeout=2", "--outbox", tmp_path / "o"],
        cwd=ROOT, env={**os.environ, **told}, text=True, capture_output=True, timeout=60,
    )  # fmt: skip
    assert sent.returncode == 3
    assert says in sent.stderr.splitlines()[-1], sent.stderr
    assert "Traceback" not in sent.stderr


def test_a_client_certificate_outlives_no_authority(tmp_path):
    from datetime import UTC, datetime, timedelta

    from cryptography import x509

    from pipeline.guard.certificates import CA_LASTS, make_authority

    now = datetime(2026, 1, 1, tzinfo=UTC)
    authority = make_authority("hall-9", now)
    late = sign_client(authority, "edge-a", now + CA_LASTS - timedelta(days=10))
    until = x509.load_pem_x509_certificate(late.certificate).not_valid_after_utc
    assert until == now + CA_LASTS
