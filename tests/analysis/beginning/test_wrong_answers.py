"""`rushlight init` where the first try is wrong: a password, a word, a port with nothing at it."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from rushlight.analysis.beginning import heard_devices, interview
from rushlight.analysis.beginning.asking import Desk, choice, time_of_day, time_zone, yes
from rushlight.analysis.beginning.heard_devices import Heard
from rushlight.analysis.how_installed import how_to_call
from rushlight.collector.settings import MqttLink, SerialLink, load_settings
from tests.analysis.beginning.test_init import Terminal
from tests.conftest import Broker


class Typed:
    """Answers, one after the other; what was said."""

    def __init__(self, *answers: str) -> None:
        self.answers, self.said = list(answers), list[str]()
        self.desk = Desk(self.said.append, self._next, lambda text: self._next(text, ""))

    def _next(self, text: str, offered: str) -> str:
        return self.answers.pop(0) or offered


def test_what_is_not_among_the_answers_is_asked_again() -> None:
    """A gas source in other words was taken as none, and CO2 was not watched."""
    typed = Typed("bottle", "Cylinder")
    assert choice(typed.desk, "CO2", ("none", "cylinder", "yeast", "citric-acid")) == "cylinder"
    assert typed.said == ["'bottle' isn't one of them; write none, cylinder, yeast or citric-acid"]
    typed = Typed("perhaps", "Y", "")
    assert yes(typed.desk, "New") and not yes(typed.desk, "New") and typed.said == ["write yes or no"]


def test_a_city_and_a_short_time_are_understood() -> None:
    typed = Typed("helsinki", "Moon/Sea", "Europe/Helsinki", "8:00", "19.30", "25:00", "", "soon", "")
    assert time_zone(typed.desk, "Time zone", "UTC") == "Europe/Helsinki"
    assert "did you mean Europe/Helsinki?" in typed.said[0] and "write it as Europe/Lisbon" in typed.said[1]
    assert [time_of_day(typed.desk, "On", "12:00") for _ in range(3)] == ["08:00", "19:30", "12:00"]


def test_a_port_that_is_soldered_in_is_not_offered(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Most computers have one with nothing at it: listening there is half a minute for nothing."""
    heard = Heard(tanks={"shed": {"temperature": 20.0}})
    monkeypatch.setattr(interview, "serial_ports", lambda: ["/dev/ttyS0"])
    monkeypatch.setattr(interview, "hear", lambda *_: heard)
    monkeypatch.setattr(interview, "_answers", lambda *_: True)
    offered: list[str] = []

    def ask(text: str, offer: str) -> str:
        offered.append(offer)
        return offer

    desk = Desk(lambda text: None, ask, lambda text: "")
    link, _ = interview._device(desk, None, 1, tmp_path)
    assert isinstance(link, MqttLink) and offered[0] == "localhost"
    # the twin: a board on USB is
    monkeypatch.setattr(interview, "serial_ports", lambda: ["/dev/serial/by-id/usb-board"])
    link, _ = interview._device(desk, None, 1, tmp_path)
    assert isinstance(link, SerialLink) and link.port == "/dev/serial/by-id/usb-board"


def test_ports_on_usb_come_first(monkeypatch: pytest.MonkeyPatch) -> None:
    class Port:
        def __init__(self, device: str, vid: int | None) -> None:
            self.device, self.vid = device, vid

    ports = [Port("/dev/ttyS0", None), Port("/dev/ttyUSB0", 0x1A86)]
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: ports)
    monkeypatch.setattr(Path, "is_dir", lambda self: False)
    assert heard_devices.serial_ports() == ["/dev/ttyUSB0", "/dev/ttyS0"]
    assert heard_devices.is_usb("/dev/ttyUSB0") and not heard_devices.is_usb("/dev/ttyS0")


def test_a_broker_with_a_password_and_no_address_yet(
    tmp_path: Path, make_broker: Callable[[str], Broker]
) -> None:
    """A wrong password is said once; the right one is kept, so that what is printed at the end runs."""
    words = tmp_path / "passwd"
    command = ["mosquitto_passwd", "-b", "-c", str(words), "collector", "s3cret & more"]
    subprocess.run(command, check=True, capture_output=True)
    broker = make_broker(f"allow_anonymous false\npassword_file {words}\n")
    broker.start()
    stop = threading.Event()

    def board() -> None:
        pack = '[{"bn":"attic/","n":"temperature","u":"Cel","v":22.5}]'
        target = ["mosquitto_pub", "-h", broker.host, "-p", str(broker.port), "-u", "collector"]
        while not stop.wait(0.3):
            subprocess.run(
                [*target, "-P", "s3cret & more", "-t", "rushlight/attic/readings", "-m", pack], check=True
            )

    thread = threading.Thread(target=board)
    thread.start()
    terminal = Terminal(tmp_path, "init")
    try:
        where = f"{broker.host}:{broker.port}"
        terminal.answer("Where does your board report?", where)
        terminal.answer("user name", "collector")
        terminal.answer("password", "wrong")
        terminal.answer("Where does your board report?", where)
        terminal.answer("user name", "collector")
        terminal.answer("password", "s3cret & more")
        for question, said in (
            ("Units", ""), ("The tank's name [attic]", ""), ("name for people", ""), ("Litres", "20 gal"),
            ("Time zone", ""),
            ("coldest", "68 F"), ("warmest", ""), ("new tank", ""), ("active soil", ""), ("setpoint", "75 F"),
            ("watts", ""), ("CO2: none", ""), ("Address", ""), ("Install that now", "no"),
        ):  # fmt: skip
            terminal.answer(question.partition(" [")[0], said)
        assert terminal.end() == 0, terminal.text
    finally:
        stop.set()
        thread.join()
    assert terminal.text.count("the broker refuses") == 1 and "is its cable in" not in terminal.text
    settings = load_settings(tmp_path / "rushlight.toml")
    assert settings.tanks["attic"].volume_litres == 75.71
    assert "s3cret" not in terminal.text and "set -a; . /" in terminal.text
    shell = 'set -a; . ./rushlight.env; printf "%s" "$RUSHLIGHT_MQTT_PASSWORD"'
    done = subprocess.run(["sh", "-c", shell], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert done.stdout == "s3cret & more"


def test_the_command_is_printed_as_it_can_be_typed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In a venv that isn't active `rushlight` alone is not found, and `sudo` has a path of its own."""
    program = tmp_path / "rushlight"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", "/nowhere")
    assert how_to_call(program=str(program)) == str(program)
    assert how_to_call(program="-m") == "rushlight"
    monkeypatch.setenv("PATH", str(tmp_path))
    assert how_to_call(program=str(program)) == "rushlight"
    assert how_to_call(anywhere=True, program=str(program)) == str(program)
    assert sys.argv[0] != str(program)
