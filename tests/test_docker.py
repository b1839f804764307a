"""The files that ship for Docker, as far as they can be run without a Docker engine.

The compose files are held against the schema of the Compose specification, as the package check-jsonschema
carries it. What the containers would read is read by the real programs:
`prepare.sh` by sh, `mosquitto*.conf` by Mosquitto, `entrypoint.sh` and `rushlight.toml` by `rushlight`.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import socket
import ssl
import subprocess
import sys
from collections.abc import Callable, Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import paho.mqtt.client as mqtt
import pytest
import yaml
from paho.mqtt.enums import CallbackAPIVersion

from rushlight.collector.settings import load_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.conftest import Broker, free_port, wait_for

ROOT = Path(__file__).parents[1]
COMPOSE = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
TLS = yaml.safe_load((ROOT / "docker-compose.tls.yml").read_text())
SCHEMA = json.loads(
    files("check_jsonschema").joinpath("builtin_schemas/vendor/compose-spec.json").read_text()
)
TOPIC = "rushlight/porch/readings"
REPORT = b'[{"bn":"porch/","seq":0,"n":"temperature","u":"Cel","v":21.5}]'


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of `docker/` after `prepare.sh`, as somebody has it who followed the README."""
    folder = tmp_path_factory.mktemp("ship") / "docker"
    shutil.copytree(ROOT / "docker", folder, ignore=shutil.ignore_patterns("data", "secrets", "*.env"))
    for words in (["porch", "shed"], ["--tls", "pi.example,192.0.2.7"]):
        subprocess.run(["sh", folder / "prepare.sh", *words], check=True, capture_output=True)
    return folder


def password(prepared: Path, user: str) -> str:
    if user == "collector":
        return (prepared / "secrets/collector_password").read_text().strip()
    lines = (prepared / "secrets/boards").read_text().splitlines()
    return dict(line.split() for line in lines)[user]


def ship(broker: Broker, prepared: Path, more: str) -> int:
    """Start `docker/mosquitto.conf` and a folder of further settings; only ports and paths are changed.

    Returns the TLS port.
    """
    mounted, port = broker.folder / "secrets", free_port()
    mounted.mkdir()
    for target, file in compose_secrets("broker"):
        shutil.copy(prepared.parent / file, mounted / target)
    rules = broker.folder / "acl"
    rules.write_text((prepared / "mosquitto.acl").read_text())
    rules.chmod(0o600)
    include = broker.folder / "more"
    shutil.copytree(prepared / more, include)
    for path in include.glob("*.conf"):
        text = path.read_text().replace("listener 8883", f"listener {port} 127.0.0.1")
        path.write_text(text.replace("/run/secrets/", f"{mounted}/"))
    text = (prepared / "mosquitto.conf").read_text()
    for old, new in (
        (r"^listener .*$", f"listener {broker.port} 127.0.0.1\nuser root"),
        (r"/run/secrets/", f"{mounted}/"),
        (r"^acl_file .*$", f"acl_file {rules}"),
        (r"^persistence_location .*$", f"persistence_location {broker.folder}/"),
        (r"^include_dir .*$", f"include_dir {include}"),
    ):
        text, times = re.subn(old, new, text, flags=re.MULTILINE)
        assert times == 1, old
    (broker.folder / "mosquitto.conf").write_text(text)
    broker.start()
    return port


def compose_secrets(service: str) -> Iterator[tuple[str, str]]:
    """Name under /run/secrets and file of each secret of a service, of both compose files."""
    sources = COMPOSE["secrets"] | TLS["secrets"]
    for file in (COMPOSE, TLS):
        for secret in file["services"].get(service, {}).get("secrets", []):
            source = secret if isinstance(secret, str) else secret["source"]
            yield source if isinstance(secret, str) else secret["target"], sources[source]["file"]


@pytest.fixture
def shipped(make_broker: Callable[[str], Broker], prepared: Path) -> Broker:
    broker = make_broker("")
    ship(broker, prepared, "mosquitto.d")
    return broker


class Client:
    """A client that has had its answer: `answers[0]` is "Success" where it was let in."""

    def __init__(
        self, port: int, user: str, password: str, manual_ack: bool = False, ca: Path | None = None
    ) -> None:
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5, manual_ack=manual_ack, client_id=""
        )
        self.client.username_pw_set(user, password)
        if ca is not None:
            self.client.tls_set(str(ca))
        self.answers: list[str] = []
        self.subscribed: list[str] = []
        self.payloads: list[bytes] = []
        self.client.on_connect = lambda c, u, f, reason, p: self.answers.append(str(reason))
        self.client.on_subscribe = lambda c, u, m, reasons, p: self.subscribed.extend(map(str, reasons))
        self.client.on_message = lambda c, u, message: self.payloads.append(message.payload)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        wait_for(lambda: self.answers, "the broker's answer")

    def subscribe(self) -> None:
        self.client.subscribe("rushlight/#", qos=1)
        wait_for(lambda: self.subscribed, "the subscription")

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def test_nobody_gets_in_without_the_right_password(shipped: Broker) -> None:
    for user, word in (("porch", "wrong"), ("", "")):
        stranger = Client(shipped.port, user, word)
        stranger.close()
        assert stranger.answers[0] == "Not authorized"


def test_hundreds_may_wait_for_their_acknowledgement(shipped: Broker, prepared: Path) -> None:
    """With Mosquitto's default of 20 in flight (mosquitto.conf(5)) only 20 would come."""
    collector = Client(shipped.port, "collector", password(prepared, "collector"), manual_ack=True)
    collector.subscribe()
    board = Client(shipped.port, "porch", password(prepared, "porch"))
    for number in range(400):
        board.client.publish(TOPIC, b"%d" % number, qos=1)
    wait_for(lambda: len(collector.payloads) == 400, "400 reports, none of them acknowledged")
    assert collector.payloads == [b"%d" % number for number in range(400)]
    board.close()
    collector.close()


def test_a_board_writes_for_its_own_tank_only_and_reads_nothing(shipped: Broker, prepared: Path) -> None:
    collector = Client(shipped.port, "collector", password(prepared, "collector"))
    other = Client(shipped.port, "shed", password(prepared, "shed"))
    board = Client(shipped.port, "porch", password(prepared, "porch"))
    collector.subscribe()
    other.subscribe()
    other.client.publish(TOPIC, b"forged", qos=1).wait_for_publish(10)
    collector.client.publish(TOPIC, b"not its to write", qos=1).wait_for_publish(10)
    board.client.publish(TOPIC, b"own", qos=1).wait_for_publish(10)
    wait_for(lambda: collector.payloads, "the board's report")
    assert (collector.payloads, other.payloads) == ([b"own"], [])
    for client in (other, board, collector):
        client.close()


@pytest.mark.timeout(60)
def test_a_reading_goes_through_tls_into_the_store(
    make_broker: Callable[[str], Broker], prepared: Path, tmp_path: Path
) -> None:
    broker = make_broker("")
    port, ca = ship(broker, prepared, "mosquitto-tls.d"), prepared / "secrets/ca.pem"
    # the container's view of it: secrets under the names that the compose file gives them, one settings file
    secrets, data, programs = tmp_path / "run", tmp_path / "data", tmp_path / "bin"
    for folder in (secrets, data, programs):
        folder.mkdir()
    for target, file in compose_secrets("rushlight"):
        shutil.copy(prepared.parent / file, secrets / target)
    text = (prepared / "data/rushlight.toml").read_text()
    for old, new in (
        ('host = "broker"', 'host = "127.0.0.1"'),
        ("# port = 8883", f"port = {port}"),
        ('# tls_ca = "/run/secrets/tls_ca"', f'tls_ca = "{secrets}/tls_ca"'),
        ('host = "0.0.0.0"', f"port = {free_port()}"),
    ):
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (data / "rushlight.toml").write_text(text)
    program = programs / "rushlight"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m rushlight.analysis.commands.main "$@"\n')
    program.chmod(0o755)
    environment = os.environ | {
        "PATH": f"{programs}:{os.environ['PATH']}",
        "PYTHONPATH": str(ROOT / "src"),
        "SECRETS_FOLDER": str(secrets),
        "TOKEN_WAIT_S": "0",  # no InfluxDB here
    }
    command = ["sh", str(prepared / "entrypoint.sh"), "run", "--config", "rushlight.toml"]
    with (tmp_path / "log").open("wb") as log:
        service = subprocess.Popen(command, cwd=data, env=environment, stderr=log)
    try:
        wait_for(lambda: "connected, MQTT" in (tmp_path / "log").read_text(), "the collector to get in")
        # the certificate is that CA's: who trusts others only is not fooled
        with (
            socket.create_connection(("127.0.0.1", port)) as plain,
            pytest.raises(ssl.SSLCertVerificationError),
        ):
            ssl.create_default_context().wrap_socket(plain, server_hostname="127.0.0.1")
        stranger = Client(port, "porch", "wrong", ca=ca)
        stranger.close()
        assert stranger.answers[0] == "Not authorized"
        board = Client(port, "porch", password(prepared, "porch"), ca=ca)
        board.client.publish(TOPIC, REPORT, qos=1).wait_for_publish(10)
        board.close()

        def stored() -> list[float | None]:
            with EmbeddedStore(data / "rushlight.db", read_only=True) as store:
                return [reading.value for reading in store.readings("porch", "temperature")]

        wait_for(stored, "the reading in the store")
        assert stored() == [21.5]
        service.terminate()
        assert service.wait(20) == 0
    finally:
        service.kill()
        service.wait()


def test_prepare_keeps_what_is_there(prepared: Path) -> None:
    before = {path.name: path.read_bytes() for path in (prepared / "secrets").iterdir()}
    subprocess.run(["sh", prepared / "prepare.sh", "porch", "shed"], check=True, capture_output=True)
    assert {path.name: path.read_bytes() for path in (prepared / "secrets").iterdir()} == before
    assert (prepared / "secrets").stat().st_mode & 0o777 == 0o700
    said = subprocess.run(["sh", prepared / "prepare.sh", "collector"], capture_output=True, text=True)
    assert said.returncode == 1 and "own login" in said.stderr


def test_prepare_shows_no_password_in_the_process_list(tmp_path: Path) -> None:
    # /proc/PID/cmdline is for all to read: proc_pid_cmdline(5)
    folder, programs, seen = tmp_path / "docker", tmp_path / "programs", tmp_path / "seen"
    shutil.copytree(ROOT / "docker", folder, ignore=shutil.ignore_patterns("data", "secrets", "*.env"))
    programs.mkdir()
    for name in ("mosquitto_passwd", "openssl", "grep", "cat"):
        real = shutil.which(name)
        (programs / name).write_text(f'#!/bin/sh\nprintf "%s\\n" "{name} $*" >> {seen}\nexec {real} "$@"\n')
        (programs / name).chmod(0o755)
    path = f"{programs}:{os.environ['PATH']}"
    command = ["sh", folder / "prepare.sh", "porch"]
    subprocess.run(command, check=True, capture_output=True, env=os.environ | {"PATH": path})
    secrets = folder / "secrets"
    (board,) = (secrets / "boards").read_text().splitlines()
    shown = seen.read_text()
    assert "mosquitto_passwd" in shown
    assert board.split()[1] not in shown
    assert (secrets / "collector_password").read_text().strip() not in shown
    kept = (secrets / "mosquitto_passwords").read_text().splitlines()
    assert [line.split(":$")[0] for line in kept] == ["collector", "porch"]


def test_certificates_hold_for_the_names_asked_for(prepared: Path) -> None:
    """Strict X.509 (RFC 5280), as Python has it on from 3.13."""
    secrets = prepared / "secrets"
    for name in (
        ["-verify_hostname", "broker"],
        ["-verify_hostname", "pi.example"],
        ["-verify_ip", "192.0.2.7"],
    ):
        verify = ["openssl", "verify", "-x509_strict", *name, "-CAfile", secrets / "ca.pem"]
        subprocess.run([*verify, secrets / "broker.pem"], check=True, capture_output=True)
    wrong = ["openssl", "verify", "-verify_hostname", "other.example", "-CAfile", secrets / "ca.pem"]
    assert subprocess.run([*wrong, secrets / "broker.pem"], capture_output=True).returncode


@pytest.mark.parametrize("compose", [COMPOSE, TLS], ids=["plain", "tls"])
def test_compose_files_keep_to_the_specification(compose: Any) -> None:
    validator = jsonschema.validators.validator_for(SCHEMA)(SCHEMA)
    assert [error.message for error in validator.iter_errors(compose)] == []
    wrong = {"services": {"broker": compose["services"]["broker"] | {"helthcheck": {}}}}
    assert list(validator.iter_errors(wrong))  # the schema does look


def test_nothing_listens_beyond_this_machine() -> None:
    services = [*COMPOSE["services"].values(), *TLS["services"].values()]
    ports = [port for service in services for port in service.get("ports", [])]
    assert len(ports) == 4
    assert all(port.startswith("127.0.0.1:") for port in ports)


def test_every_service_looks_after_itself_and_no_secret_is_in_the_file() -> None:
    for name, service in COMPOSE["services"].items():
        assert service["healthcheck"]["test"], name
        assert service["restart"] == "unless-stopped", name
        assert service["volumes"], name
        for key in service.get("environment", {}):
            assert not re.search("PASSWORD|TOKEN", key) or key.endswith("_FILE"), f"{name}: {key}"
    paths = [secret["file"] for file in (COMPOSE, TLS) for secret in file["secrets"].values()]
    paths += [service["env_file"] for service in COMPOSE["services"].values() if "env_file" in service]
    assert len(paths) == 9
    ignored = (ROOT / ".gitignore").read_text().split()
    for path in paths:
        path = "/" + path.removeprefix("./")
        assert path in ignored or f"{path.rsplit('/', 1)[0]}/" in ignored, f"{path} could get into git"


def test_all_that_the_compose_files_name_is_there(prepared: Path) -> None:
    top = prepared.parent
    for file in (COMPOSE, TLS):
        named = [secret["file"] for secret in file["secrets"].values()]
        for service in file["services"].values():
            named += [v.split(":")[0] for v in service.get("volumes", []) if v.startswith(".")]
            named += [service["env_file"]] if "env_file" in service else []
            for volume in service.get("volumes", []):
                assert volume.startswith(".") or volume.split(":")[0] in COMPOSE["volumes"], volume
        assert named
        for path in named:
            assert (top / path).exists(), path
    assert (ROOT / COMPOSE["services"]["rushlight"]["build"]["dockerfile"]).is_file()


INFLUX = """#!/bin/sh
# Stands for the program `influx` of InfluxDB 2, which is not here: answers as its reference shows (from
# memory: "influx auth create", "influx bucket list"), and writes down what it was asked.
printf '%s\\n' "$*" >> "$0.asked"
case "$1 $2" in
  "bucket list") printf '0a1b2c3d4e5f6a7b\\trushlight\\tinfinite\\t168h0m0s\\tffff000011112222\\n' ;;
  "auth create") printf '{\\n\\t"id": "0d",\\n\\t"token": "small-token==",\\n\\t"status": "active"\\n}\\n' ;;
  *) exit 64 ;;
esac
"""


@pytest.mark.parametrize(
    "given", [{"DOCKER_INFLUXDB_INIT_BUCKET_ID": "0a1b2c3d4e5f6a7b"}, {}], ids=["init", "by hand"]
)
def test_the_collector_has_a_token_for_its_own_bucket_only(
    prepared: Path, tmp_path: Path, given: dict[str, str]
) -> None:
    secrets = dict(compose_secrets("rushlight"))
    assert "influxdb_token" not in " ".join(secrets.values())  # the administrator's
    influx = COMPOSE["services"]["influxdb"]
    mounts = dict(reversed(volume.split(":")[:2]) for volume in influx["volumes"])
    # one file: what the script writes in one container is the other's secret
    assert mounts["/run/collector_token"] == secrets["RUSHLIGHT_INFLUX_TOKEN"]
    script = prepared.parent / mounts["/docker-entrypoint-initdb.d"] / "collector-token.sh"
    assert os.access(script, os.X_OK)  # the image runs what may be executed
    target = prepared.parent / mounts["/run/collector_token"]
    assert target.read_bytes() == b"" and target.stat().st_mode & 0o777 == 0o666
    token, programs = tmp_path / "RUSHLIGHT_INFLUX_TOKEN", tmp_path / "bin"
    token.touch()
    programs.mkdir()
    (programs / "influx").write_text(INFLUX)
    # what the collector is started with is what its environment says
    (programs / "rushlight").write_text('#!/bin/sh\nprintf "%s" "${RUSHLIGHT_INFLUX_TOKEN-none}"\n')
    for program in programs.iterdir():
        program.chmod(0o755)
    environment = {
        "PATH": f"{programs}:{os.environ['PATH']}",
        "SECRETS_FOLDER": str(tmp_path),
        "TOKEN_WAIT_S": "1",
        "COLLECTOR_TOKEN_FILE": str(token),
        **{key: value for key, value in influx["environment"].items() if not key.endswith("_FILE")},
        **given,
    }

    def start() -> subprocess.CompletedProcess[str]:
        command = ["sh", str(prepared / "entrypoint.sh"), "run"]
        return subprocess.run(command, env=environment, check=True, capture_output=True, text=True)

    without = start()  # InfluxDB is broken: the tanks are watched all the same
    assert without.stdout == "" and "starting without" in without.stderr
    inode = token.stat().st_ino
    for _ in range(2):  # the second time there is one already
        subprocess.run([script], env=environment, check=True)
    asked = (programs / "influx.asked").read_text().splitlines()
    (made,) = [line for line in asked if line.startswith("auth create")]
    assert re.findall(r"--(?:read|write|all|operator)\S*(?: [0-9a-f]{16})?", made) == [
        "--read-bucket 0a1b2c3d4e5f6a7b",
        "--write-bucket 0a1b2c3d4e5f6a7b",
    ]
    assert len(asked) == 1 + (not given)
    assert token.stat().st_ino == inode
    assert start().stdout == "small-token=="


def test_settings_and_compose_file_agree(prepared: Path) -> None:
    settings = load_settings(prepared / "data/rushlight.toml")
    influx = COMPOSE["services"]["influxdb"]
    assert settings.store.url == f"http://influxdb:{influx['ports'][0].split(':')[-1]}"
    assert settings.store.org == influx["environment"]["DOCKER_INFLUXDB_INIT_ORG"]
    assert settings.store.bucket == influx["environment"]["DOCKER_INFLUXDB_INIT_BUCKET"]
    assert settings.links[0].host in COMPOSE["services"]
    targets = dict(compose_secrets("rushlight"))
    assert {settings.links[0].password_env, settings.store.token_env} <= targets.keys()
    for value in influx["environment"].values():
        if value.startswith("/run/secrets/"):
            assert value.removeprefix("/run/secrets/") in dict(compose_secrets("influxdb"))
