"""`rushlight listen`: a device that is not understood yet is shown with the line that mends it."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import time
import tty
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from rushlight.analysis.commands.main import main
from rushlight.analysis.views.heard import HeardLines
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.settings import parse_settings
from tests.conftest import Broker, free_port

SETTINGS = """
[[links]]
kind = "mqtt"
host = "127.0.0.1"
port = {port}
[tanks.cellar]
volume_litres = 60
timezone = "Europe/Lisbon"
[tanks.cellar.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
"""
PAYLOADS = [
    ("rushlight/cellar/device", b"online"),
    ("rushlight/cellar/readings", b'[{"bn":"cellar/","seq":4,"n":"temperature","u":"Cel","v":24.06}]'),
    ("rushlight/cellar/readings", b'[{"bn":"cellar/","seq":7,"n":"temperature","u":"Cel","v":24.07}]'),
    ("rushlight/cellar/readings", b'[{"bn":"cellar/","seq":8,"n":"temperature","u":"lx","v":297.2}]'),
    ("rushlight/attic/readings", b'[{"bn":"attic/","n":"temperature","u":"Cel","v":21.5}]'),
    ("home/probe/state", b'{"water":{"temp":23.4}}'),
    ("rushlight/cellar/readings", b"\x1b[31mboot"),
]


def listening(config: Path, *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "rushlight.analysis.commands.main", "listen", "--config", str(config), *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )


def read_until(process: subprocess.Popen[str], mark: str) -> str:
    assert process.stdout is not None
    said = ""
    for line in process.stdout:
        said += line
        if mark in line:
            return said
    raise AssertionError(f"{mark!r} did not come: {said}{process.stderr and process.stderr.read()}")


def test_each_payload_is_shown_with_what_is_wrong_and_the_line_that_mends_it(
    tmp_path: Path, mosquitto: Broker
) -> None:
    config = tmp_path / "rushlight.toml"
    config.write_text(SETTINGS.format(port=mosquitto.port))
    process = listening(config, "--everything")
    try:
        read_until(process, "listening to #")
        time.sleep(0.3)  # its subscription is on the way
        board = mqtt.Client(CallbackAPIVersion.VERSION2)
        board.connect("127.0.0.1", mosquitto.port)
        board.loop_start()
        for topic, payload in PAYLOADS:
            board.publish(topic, payload, qos=1).wait_for_publish(5)
        said = read_until(process, "boot")
        board.disconnect()
        board.loop_stop()
    finally:
        process.terminate()
        process.communicate(timeout=20)
    assert "cellar: its device says online" in said
    assert "cellar: water temperature 24.06 °C" in said.lower().replace("celsius", "°c").replace("°c", "°C")
    assert "2 reports were lost before this one" in said
    assert "wrong:" in said and "lx" in said and "mend: in the firmware" in said
    assert "mend: [tanks.attic] with volume_litres" in said and "it would be: attic: temperature 21.5" in said
    assert '[[links.map]] with topic = "home/probe/state"' in said and 'field = "water.temp"' in said
    assert "\x1b" not in said
    # nothing is stored, and the service's own session is left alone
    assert [path.name for path in tmp_path.iterdir() if path.suffix == ".db"] == []


def test_a_board_on_a_serial_line_without_any_settings(tmp_path: Path) -> None:
    board, line = pty.openpty()
    tty.setraw(line)
    process = listening(tmp_path / "none.toml", "--port", os.ttyname(line))
    try:
        read_until(process, "listening at 115200 baud")
        time.sleep(1.0)
        for _ in range(20):  # the first bytes after the opening may be cut
            os.write(board, b'[{"bn":"cellar/","n":"ph","u":"pH","v":6.82}]\n')
            time.sleep(0.05)
        said = read_until(process, "it would be: cellar: ph 6.82")
    finally:
        process.terminate()
        process.communicate(timeout=20)
        os.close(board)
        os.close(line)
    assert "mend: [tanks.cellar] with volume_litres" in said


@pytest.mark.parametrize(
    ("words", "status", "text"),
    [
        (("--broker", "127.0.0.1:{port}"), 1, "nothing listens there"),
        (("--broker", "127.0.0.1:banana"), 2, "no port number"),
        (("--broker", "a", "--port", "b"), 2, "one of them"),
        ((), 2, "no such file"),
    ],
)
def test_what_cant_be_listened_to(
    words: tuple[str, ...],
    status: int,
    text: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    filled = [word.format(port=free_port()) for word in words]
    assert main(["listen", *filled]) == status
    assert text in capsys.readouterr().err


def test_where_nothing_comes_it_says_so(
    tmp_path: Path, mosquitto: Broker, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "rushlight.toml"
    config.write_text(SETTINGS.format(port=mosquitto.port))
    assert main(["listen", "--config", str(config), "--for", "1"]) == 1
    assert "Nothing came" in capsys.readouterr().err


def test_a_broker_that_refuses_says_so_once_and_times_are_the_tanks(
    tmp_path: Path, make_broker: Callable[[str], Broker], capsys: pytest.CaptureFixture[str]
) -> None:
    broker = make_broker(f"allow_anonymous false\npassword_file {tmp_path / 'passwd'}\n")
    (tmp_path / "passwd").write_text("")
    broker.start()
    config = tmp_path / "rushlight.toml"
    config.write_text(SETTINGS.format(port=broker.port))
    assert main(["listen", "--config", str(config), "--for", "4"]) == 1
    assert capsys.readouterr().out.count("the broker refuses") == 1
    far = parse_settings(config.read_text().replace("Europe/Lisbon", "Pacific/Kiritimati"))  # UTC+14 all year
    payload = b'[{"bn":"cellar/","n":"temperature","u":"Cel","v":24.06}]'
    delivery = Delivery("b", "rushlight/cellar/readings", payload, 1_772_330_400_000)  # 2026-03-01T02:00Z
    assert next(HeardLines(far).of(0, delivery)) == "16:00:00 rushlight/cellar/readings"
