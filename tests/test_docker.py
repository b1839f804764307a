"""The broker configuration and compose file that ship, the former in a real Mosquitto."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
import yaml
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import Broker, wait_for

ROOT = Path(__file__).parents[1]
COMPOSE = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
TOPIC = "rushlight/porch/readings"


@pytest.fixture
def shipped(make_broker: Callable[[str], Broker], tmp_path: Path) -> Broker:
    """A broker with `docker/mosquitto.conf`; only port and paths are this test's own."""
    passwords, rules = tmp_path / "passwords", tmp_path / "acl"
    passwords.touch(0o600)
    for user in ("collector", "porch", "shed"):
        subprocess.run(["mosquitto_passwd", "-b", passwords, user, f"{user}-secret"], check=True)
    rules.write_text((ROOT / "docker/mosquitto.acl").read_text())
    rules.chmod(0o600)
    broker = make_broker("")
    text = (ROOT / "docker/mosquitto.conf").read_text()
    for old, new in (
        (r"^listener .*$", f"listener {broker.port} 127.0.0.1"),
        (r"^password_file .*$", f"password_file {passwords}\nuser root"),
        (r"^acl_file .*$", f"acl_file {rules}"),
        (r"^persistence_location .*$", f"persistence_location {broker.folder}/"),
    ):
        text, times = re.subn(old, new, text, flags=re.MULTILINE)
        assert times == 1, old
    (broker.folder / "mosquitto.conf").write_text(text)
    broker.start()
    return broker


class Client:
    """A connected client; `refused` holds the reason where it is not."""

    def __init__(self, broker: Broker, user: str, password: str, manual_ack: bool = False) -> None:
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5, manual_ack=manual_ack)
        self.client.username_pw_set(user, password)
        self.answers: list[str] = []
        self.subscribed: list[str] = []
        self.payloads: list[bytes] = []
        self.client.on_connect = lambda c, u, f, reason, p: self.answers.append(str(reason))
        self.client.on_subscribe = lambda c, u, m, reasons, p: self.subscribed.extend(map(str, reasons))
        self.client.on_message = lambda c, u, message: self.payloads.append(message.payload)
        self.client.connect(broker.host, broker.port)
        self.client.loop_start()
        wait_for(lambda: self.answers, "the broker's answer")

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def test_nobody_gets_in_without_the_right_password(shipped: Broker) -> None:
    stranger = Client(shipped, "porch", "wrong")
    stranger.close()
    assert stranger.answers[0] == "Not authorized"
    guest = Client(shipped, "", "")
    guest.close()
    assert guest.answers[0] == "Not authorized"


def test_hundreds_may_wait_for_their_acknowledgement(shipped: Broker) -> None:
    """With Mosquitto's default of 20 in flight (mosquitto.conf(5)) only 20 would come."""
    collector = Client(shipped, "collector", "collector-secret", manual_ack=True)
    collector.client.subscribe("rushlight/#", qos=1)
    wait_for(lambda: collector.subscribed, "the subscription")
    board = Client(shipped, "porch", "porch-secret")
    for number in range(400):
        board.client.publish(TOPIC, b"%d" % number, qos=1)
    wait_for(lambda: len(collector.payloads) == 400, "400 reports, none of them acknowledged")
    assert collector.payloads == [b"%d" % number for number in range(400)]
    board.close()
    collector.close()


def test_a_board_writes_for_its_own_tank_only(shipped: Broker) -> None:
    collector = Client(shipped, "collector", "collector-secret")
    collector.client.subscribe("rushlight/#", qos=1)
    wait_for(lambda: collector.subscribed, "the subscription")
    other, board = Client(shipped, "shed", "shed-secret"), Client(shipped, "porch", "porch-secret")
    other.client.publish(TOPIC, b"forged", qos=1).wait_for_publish(10)
    board.client.publish(TOPIC, b"own", qos=1).wait_for_publish(10)
    wait_for(lambda: collector.payloads, "the board's report")
    assert collector.payloads == [b"own"]
    for client in (other, board, collector):
        client.close()


def test_nothing_listens_beyond_this_machine() -> None:
    ports = [port for service in COMPOSE["services"].values() for port in service.get("ports", [])]
    assert ports
    assert all(port.startswith("127.0.0.1:") for port in ports)


def test_every_service_has_a_health_check_and_no_secret_stands_in_the_file() -> None:
    for name, service in COMPOSE["services"].items():
        assert service["healthcheck"]["test"], name
        assert "environment" not in service, f"{name}: values belong in an env_file or secret"
    ignored = (ROOT / ".gitignore").read_text().split()
    secrets = [secret["file"] for secret in COMPOSE["secrets"].values()]
    secrets += [service["env_file"] for service in COMPOSE["services"].values() if "env_file" in service]
    assert len(secrets) == 2
    assert {"/" + path.removeprefix("./") for path in secrets} <= set(ignored)


def test_files_that_the_compose_file_mounts_are_there() -> None:
    for service in COMPOSE["services"].values():
        for volume in service.get("volumes", []):
            source = volume.split(":")[0]
            if source.startswith("./") and not source.endswith("/data"):
                assert (ROOT / source).is_file(), source
    assert (ROOT / COMPOSE["services"]["rushlight"]["build"]["dockerfile"]).is_file()
