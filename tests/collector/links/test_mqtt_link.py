"""collector/links/mqtt.py against a real Mosquitto, on MQTT 5 and 3.1.1."""

from __future__ import annotations

import logging
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from rushlight.collector.errors import SettingsError
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.links import make_link
from rushlight.collector.links.contest import undisturbed
from rushlight.collector.links.mqtt import BrokerLink
from rushlight.collector.settings import MqttLink, TopicMap
from tests.conftest import Broker, now_ms, wait_for

PACK = b'[{"bn":"hallway/","seq":%d,"n":"temperature","u":"Cel","v":24.06}]'
TOPIC = "rushlight/hallway/readings"

both = pytest.mark.parametrize("protocol", ["5", "3.1.1"])


class Run:
    """A link and what it delivered."""

    def __init__(self, link: BrokerLink) -> None:
        self.link = link
        self.got: list[Delivery] = []

    def payloads(self, topic: str = TOPIC) -> list[bytes]:
        return [d.payload for d in self.got if d.topic == topic]

    def count(self, counter: str) -> int:
        return self.link.counters[counter]


class Device:
    """What publishes: an ordinary paho client."""

    def __init__(self, broker: Broker, will_topic: str | None = None) -> None:
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        if will_topic:
            self.client.will_set(will_topic, b"offline", 1, True)
        self.client.connect(broker.host, broker.port)
        self.client.loop_start()

    def send(self, topic: str, payload: bytes, retain: bool = False, qos: int = 1) -> None:
        self.client.publish(topic, payload, qos, retain).wait_for_publish(20)

    def vanish(self) -> None:
        """As at a power cut: no goodbye."""
        sock = self.client.socket()
        assert sock is not None
        self.client.loop_stop()
        sock.close()

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def start(caplog: pytest.LogCaptureFixture) -> Iterator[Callable[..., Run]]:
    caplog.set_level(logging.INFO, "rushlight.collector")
    running: list[Run] = []

    def begin(
        broker: Broker, protocol: str = "5", wait: bool = True, base: Path | None = None, **more: object
    ) -> Run:
        settings = MqttLink(host=broker.host, port=broker.port, protocol=protocol, **more)  # type: ignore[arg-type]
        run = Run(BrokerLink(settings, now_ms, base, retry_s=(0.2, 0.2)))
        run.link.start(run.got.append)
        running.append(run)
        if wait:
            wait_for(lambda: run.count("subscribed"), "the subscription")
        return run

    yield begin
    for run in running:
        run.link.stop()


@pytest.fixture
def device(mosquitto: Broker) -> Iterator[Device]:
    device = Device(mosquitto)
    yield device
    device.close()


def die(run: Run) -> None:
    """As kill -9 does, once what was acknowledged is on its way: the socket goes, nothing more is said."""
    client = run.link._client
    wait_for(lambda: not client.want_write(), "acknowledgements to be written")
    time.sleep(0.1)
    client.on_disconnect = None
    run.link._parting.set()
    client._thread_terminate = True
    client._reconnect_on_failure = False
    sock = client.socket()
    assert sock is not None
    sock.shutdown(2)
    wait_for(lambda: client._thread is None or not client._thread.is_alive(), "the client to be dead")
    run.link._up = False


@both
def test_readings_state_and_mapped_topics(
    mosquitto: Broker, device: Device, start: Callable[..., Run], protocol: str
) -> None:
    run = start(mosquitto, protocol, map=[TopicMap(topic="shed/+/t", tank="hallway", quantity="temperature")])
    before = now_ms()
    other = Device(mosquitto, "rushlight/hallway/device")
    other.send("rushlight/hallway/device", b"online", retain=True)
    device.send(TOPIC, PACK % 1)
    device.send(TOPIC, b"{wrong")
    device.send("shed/a/t", b"24.1")
    device.send("elsewhere", b"1")
    other.vanish()
    wait_for(lambda: len(run.got) == 5, "five deliveries")
    assert run.payloads() == [PACK % 1, b"{wrong"]
    assert run.payloads("shed/a/t") == [b"24.1"]
    assert run.payloads("rushlight/hallway/device") == [b"online", b"offline"]
    for delivery in run.got:
        assert before <= delivery.arrived_ms <= now_ms()
        assert not delivery.redelivered
    run.link.acknowledge(run.got)
    assert run.count("acknowledged") == 5


@both
def test_unacknowledged_come_again_after_a_kill(
    mosquitto: Broker, device: Device, start: Callable[..., Run], protocol: str
) -> None:
    run = start(mosquitto, protocol)
    for n in range(10):
        device.send(TOPIC, PACK % n)
    wait_for(lambda: len(run.got) == 10, "ten packs")
    run.link.acknowledge(run.got[:4])
    die(run)
    for n in range(10, 15):  # while nobody is there: the session keeps them
        device.send(TOPIC, PACK % n)
    after = start(mosquitto, protocol)
    wait_for(lambda: len(after.got) == 11, "what was not acknowledged")
    assert after.payloads() == [PACK % n for n in range(4, 15)]
    assert [d.redelivered for d in after.got] == [True] * 6 + [False] * 5
    after.link.acknowledge(after.got)
    die(after)
    last = start(mosquitto, protocol)
    time.sleep(0.3)
    assert last.got == []


RECEIVER = """
import sys, time
from rushlight.collector.links.mqtt import BrokerLink
from rushlight.collector.settings import MqttLink
link = BrokerLink(MqttLink(host=sys.argv[1], port=int(sys.argv[2]), protocol=sys.argv[3]), lambda: 1)
seen = []
def deliver(delivery):
    seen.append(delivery)
    if len(seen) <= 3:
        link.acknowledge([delivery])
    print(delivery.payload.decode(), flush=True)
link.start(deliver)
while not link.counters["subscribed"]:
    time.sleep(0.01)
print("ready", flush=True)
time.sleep(60)
"""


@both
def test_process_killed_before_it_acknowledged(
    mosquitto: Broker, device: Device, start: Callable[..., Run], protocol: str
) -> None:
    """kill -9 of a real process that had acknowledged three of eight."""
    command = [sys.executable, "-c", RECEIVER, mosquitto.host, str(mosquitto.port), protocol]
    with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=Path(__file__).parents[3]) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        for n in range(8):
            device.send(TOPIC, PACK % n)
        assert [process.stdout.readline().strip() for _ in range(8)] == [PACK % n for n in range(8)]
        time.sleep(0.5)
        process.kill()
    run = start(mosquitto, protocol)
    wait_for(lambda: len(run.got) == 5, "what was not acknowledged")
    assert run.payloads() == [PACK % n for n in range(3, 8)]
    assert all(delivery.redelivered for delivery in run.got)


@both
def test_more_than_a_batch_unacknowledged(
    make_broker: Callable[..., Broker], start: Callable[..., Run], protocol: str
) -> None:
    """The flow goes on as acknowledgements come, in order and without loss."""
    broker = make_broker()
    broker.start()
    run = start(broker, protocol)
    device = Device(broker)
    for n in range(1500):
        device.client.publish(TOPIC, PACK % n, 1)
    done = 0
    while done < 1500:
        wait_for(lambda seen=done: len(run.got) > seen, f"more than {done}")
        batch = run.got[done:]
        run.link.acknowledge(batch)
        done += len(batch)
    assert run.payloads() == [PACK % n for n in range(1500)]
    device.close()


@both
def test_broker_gone_at_start_then_gone_later(
    make_broker: Callable[..., Broker],
    start: Callable[..., Run],
    caplog: pytest.LogCaptureFixture,
    protocol: str,
) -> None:
    broker = make_broker()
    run = start(broker, protocol, wait=False)
    wait_for(lambda: run.count("failed") >= 2, "attempts")
    said = [r.message for r in caplog.records if "can't reach" in r.message]
    assert len(said) == 1
    assert "is the broker running" in said[0]
    broker.start()
    wait_for(lambda: run.count("subscribed") == 1, "the subscription")
    device = Device(broker)
    device.send(TOPIC, PACK % 1)
    wait_for(lambda: len(run.got) == 1, "the first pack")
    stale = run.got[0]
    device.close()
    broker.stop()
    wait_for(lambda: run.count("lost") == 1, "the loss to be seen")
    broker.start()
    wait_for(lambda: run.count("subscribed") == 2, "the subscription")
    wait_for(lambda: len(run.got) == 2, "the first pack again")
    assert run.got[1].redelivered
    run.link.acknowledge([stale])  # by the earlier connection: has no say over this one's message ids
    assert run.count("acknowledged") == 0
    run.link.acknowledge(run.got)
    assert run.count("acknowledged") == 1
    device = Device(broker)
    device.send(TOPIC, PACK % 2)
    wait_for(lambda: run.payloads()[-1] == PACK % 2, "the second pack")
    device.close()
    assert sum("connection lost" in r.message for r in caplog.records) == 1


@both
def test_wrong_password_then_right(
    make_broker: Callable[..., Broker],
    start: Callable[..., Run],
    caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    protocol: str,
) -> None:
    passwords = tmp_path / "passwords"
    passwords.touch(mode=0o600)
    subprocess.run(
        [_tool("mosquitto_passwd"), "-b", passwords, "collector", "right"], check=True, capture_output=True
    )
    broker = make_broker(f"allow_anonymous false\npassword_file {passwords}\n")
    broker.start()
    monkeypatch.setenv("RUSHLIGHT_MQTT_PASSWORD", "wrong")
    more = {"username": "collector", "password_env": "RUSHLIGHT_MQTT_PASSWORD"}
    run = start(broker, protocol, wait=False, **more)
    wait_for(lambda: run.count("refused") >= 2, "refusals")
    assert run.count("connected") == 0
    said = [r.message for r in caplog.records if "refuses" in r.message]
    assert len(said) == 1
    assert "password" in said[0]
    assert "wrong" not in said[0].replace("wrong password", "")
    run.link.stop()
    monkeypatch.setenv("RUSHLIGHT_MQTT_PASSWORD", "right")
    assert start(broker, protocol, **more).count("refused") == 0


def test_missing_environment_variable_is_a_settings_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_SUCH_VARIABLE", raising=False)
    with pytest.raises(SettingsError, match="NO_SUCH_VARIABLE is not set"):
        make_link(MqttLink(username="a", password_env="NO_SUCH_VARIABLE"), now_ms)
    with pytest.raises(SettingsError, match="tls_ca"):
        make_link(MqttLink(tls_ca="no-such.pem"), now_ms)


@both
def test_ten_megabytes_are_dropped_and_said(
    mosquitto: Broker,
    device: Device,
    start: Callable[..., Run],
    caplog: pytest.LogCaptureFixture,
    protocol: str,
) -> None:
    run = start(mosquitto, protocol)
    for _ in range(2):
        device.send(TOPIC, b"x" * 10_000_000)
    device.send(TOPIC, PACK % 1)
    wait_for(lambda: run.got, "the pack after them")
    assert run.payloads() == [PACK % 1]
    assert run.count("oversize") == 2
    said = [r.message for r in caplog.records if "10000000 bytes" in r.message]
    assert len(said) == 1
    assert TOPIC in said[0]
    run.link.acknowledge(run.got)
    die(run)  # and they don't come again
    again = start(mosquitto, protocol)
    time.sleep(0.3)
    assert again.count("oversize") == 0
    assert again.got == []


@both
def test_retained_reading_of_unknown_age_is_not_taken(
    mosquitto: Broker, device: Device, start: Callable[..., Run], protocol: str
) -> None:
    device.send(TOPIC, PACK % 1, retain=True)
    device.send("rushlight/hallway/device", b"online", retain=True)
    run = start(mosquitto, protocol)
    wait_for(lambda: run.got, "the device's state")
    device.send(TOPIC, PACK % 2, retain=True)  # sent now: that one counts
    wait_for(lambda: run.payloads(), "the pack")
    assert run.payloads() == [PACK % 2]
    assert run.payloads("rushlight/hallway/device") == [b"online"]


@both
def test_own_state_and_last_will(mosquitto: Broker, start: Callable[..., Run], protocol: str) -> None:
    seen: list[bytes] = []
    watcher = Device(mosquitto)
    watcher.client.on_message = lambda client, userdata, message: seen.append(message.payload)
    watcher.client.subscribe("rushlight/collector/+", 1)
    run = start(mosquitto, protocol)
    wait_for(lambda: seen == [b"online"], "online")
    die(run)
    wait_for(lambda: seen == [b"online", b"offline"], "the last will")
    run = start(mosquitto, protocol)
    wait_for(lambda: len(seen) == 3, "online again")
    run.link.stop()
    wait_for(lambda: len(seen) == 4, "offline at the end")
    assert seen == [b"online", b"offline"] * 2
    watcher.close()


def test_two_collectors_of_one_name(
    mosquitto: Broker, start: Callable[..., Run], caplog: pytest.LogCaptureFixture
) -> None:
    first = start(mosquitto)
    assert undisturbed([first.link])
    start(mosquitto)
    wait_for(lambda: first.count("lost"), "the first to be thrown out")
    wait_for(lambda: any("another collector" in r.message for r in caplog.records), "the cause to be named")
    wait_for(lambda: not undisturbed([first.link]), "the contest to be known")


def test_receiver_that_fails_keeps_the_message(mosquitto: Broker, device: Device) -> None:
    link = BrokerLink(MqttLink(host=mosquitto.host, port=mosquitto.port), now_ms, retry_s=(0.2, 0.2))
    seen: list[bytes] = []

    def deliver(delivery: Delivery) -> None:
        seen.append(delivery.payload)
        raise RuntimeError("full")

    link.start(deliver)
    wait_for(lambda: link.counters["subscribed"], "the subscription")
    device.send(TOPIC, PACK % 1)
    device.send(TOPIC, PACK % 2)
    wait_for(lambda: len(seen) == 2, "both: the thread lives on")
    link.stop()


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A CA, another CA, and a server's certificate for 127.0.0.1, made by openssl."""
    folder = tmp_path_factory.mktemp("certificates")

    def openssl(*arguments: str) -> None:
        subprocess.run([_tool("openssl"), *arguments], cwd=folder, check=True, capture_output=True)

    for name in ("ca", "otherca"):
        openssl(
            "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2",
            "-keyout", f"{name}.key", "-out", f"{name}.pem", "-subj", f"/CN={name}",
            "-addext", "keyUsage=critical,keyCertSign,cRLSign",
        )  # fmt: skip
    openssl(
        "req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-keyout", "server.key",
        "-out", "server.csr", "-subj", "/CN=localhost",
    )  # fmt: skip
    (folder / "names").write_text("subjectAltName=IP:127.0.0.1,DNS:localhost\nauthorityKeyIdentifier=keyid\n")
    openssl(
        "x509", "-req", "-in", "server.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial",
        "-days", "2", "-extfile", "names", "-out", "server.pem",
    )  # fmt: skip
    return folder


def _tool(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        package = "openssl" if name == "openssl" else "mosquitto"
        pytest.fail(f"{name} is missing: apt-get install {package}")
    return found


@both
def test_tls(
    make_broker: Callable[..., Broker],
    start: Callable[..., Run],
    certificates: Path,
    caplog: pytest.LogCaptureFixture,
    protocol: str,
) -> None:
    broker = make_broker(
        f"allow_anonymous true\ncafile {certificates}/ca.pem\ncertfile {certificates}/server.pem\n"
        f"keyfile {certificates}/server.key\n"
    )
    broker.start()
    good = start(broker, protocol, base=certificates, tls_ca="ca.pem")
    assert good.count("failed") == 0
    bad = start(broker, protocol, wait=False, tls_ca=str(certificates / "otherca.pem"), client_id="b")
    wait_for(lambda: bad.count("failed"), "the refusal")
    assert bad.count("connected") == 0
    assert any("not trusted" in r.message for r in caplog.records)
    caplog.clear()
    plain = start(broker, protocol, wait=False, client_id="c")
    wait_for(lambda: plain.count("failed"), "the refusal")
    assert any("does it want TLS" in r.message for r in caplog.records)


@both
@pytest.mark.parametrize(
    "answer",
    [
        b"HTTP/1.1 400 Bad Request\r\n\r\n",
        b"\x20\x03\x00\x00\xff",
        b"\x20\x02\x00\x00\x30\x03\x00\xff\xff",
        b"",
    ],
    ids=["http", "bad connack", "bad publish", "closes"],
)
def test_what_is_no_broker_does_not_end_the_link(
    caplog: pytest.LogCaptureFixture, protocol: str, answer: bytes
) -> None:
    """Another server on that port: said, retried, survived."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10)
        settings = MqttLink(host="127.0.0.1", port=server.getsockname()[1], protocol=protocol)  # type: ignore[arg-type]
        link = BrokerLink(settings, now_ms, retry_s=(0.1, 0.1))
        link.start(lambda delivery: None)
        try:
            for _ in range(4):
                connection, _ = server.accept()
                with connection:
                    connection.settimeout(10)
                    connection.recv(1000)
                    connection.sendall(answer)
        finally:
            link.stop()
    assert any(r.levelno >= logging.WARNING for r in caplog.records)


@both
@pytest.mark.parametrize("bad", ["a+/b", "a/#/b", ""])
def test_one_malformed_topic_stops_no_other(
    mosquitto: Broker,
    device: Device,
    start: Callable[..., Run],
    caplog: pytest.LogCaptureFixture,
    protocol: str,
    bad: str,
) -> None:
    maps = [TopicMap(topic=topic, tank="hallway", quantity="temperature") for topic in (bad, "shed/t")]
    run = start(mosquitto, protocol, wait=False, map=maps)
    wait_for(lambda: run.count("subscribed") == 3, "the three others")
    assert run.count("unsubscribed") == 1
    assert f"won't let us read {bad} (malformed): nothing of it comes in" in caplog.text
    device.send("shed/t", b"21")
    device.send(TOPIC, PACK % 1)
    wait_for(lambda: len(run.got) == 2, "both")
    assert run.count("lost") == 0


def test_a_topic_that_the_broker_refuses_is_named(
    start: Callable[..., Run], caplog: pytest.LogCaptureFixture, tmp_path: Path
) -> None:
    """A broker in bytes, because Mosquitto's ACL files refuse no subscription: MQTT 3.1.1 section 3.9.3."""
    ready = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            with server.accept()[0] as client:
                client.recv(4096)
                client.sendall(b"\x20\x02\x00\x00")  # CONNACK, accepted
                data = b""
                while b"shed/t" not in data:
                    data += client.recv(4096)
                mid = data[data.index(b"\x82") + 2 :][:2]
                client.sendall(b"\x90\x06" + mid + b"\x01\x01\x80\x01")  # SUBACK, the third is refused
                ready.wait(20)

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            names = ("shed/secret", "shed/t")
            maps = [TopicMap(topic=topic, tank="hallway", quantity="temperature") for topic in names]
            here = Broker("", tmp_path)
            here.port = server.getsockname()[1]
            run = start(here, "3.1.1", wait=False, map=maps)
            wait_for(lambda: run.count("unsubscribed"), "the answer")
        finally:
            ready.set()
            thread.join(20)
    assert run.count("unsubscribed") == 1
    assert "won't let us read shed/secret (" in caplog.text and "shed/t (" not in caplog.text
