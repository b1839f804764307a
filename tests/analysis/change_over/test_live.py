"""`rushlight move --follow` with a probe: over a serial line, and over a real Mosquitto.

The device's clock runs fast, so that a quarter of an hour is a moment. The keeper of the test pours what is
said, and the water in the container is the mixture of two (method of mixtures, by hand).
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from rushlight.analysis.change_over.job import Asked, follow_lines
from rushlight.collector.readings import Reading
from rushlight.collector.settings import load_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.simulator.microcontroller import Firmware, PtyLine
from tests.analysis.change_over.test_move import TOML as TANKS
from tests.conftest import Broker

HOUR = 3_600_000


def kept(folder: Path, tub_c: float) -> None:
    now = time.time_ns() // 1_000_000
    with EmbeddedStore(folder / "rushlight.db") as store:
        store.add_readings(
            Reading(tank, "temperature", now - i * HOUR - 30_000, celsius, 1, i)
            for i in range(24 * 70)
            for tank, celsius in (("porch", 18.0), ("tub", tub_c))
        )


class Container:
    """What the keeper has in front of them."""

    def __init__(self, litres: float, celsius: float, pace_s: float) -> None:
        self.litres, self.celsius = litres, celsius
        self.at_ms = round(time.time() * 1000) - 8 * HOUR
        self.stop, self.pace_s = threading.Event(), pace_s
        self.highest_per_quarter = 0.0

    def run(self, send: Callable[[int, float], object], each_ms: int) -> None:
        while not self.stop.wait(self.pace_s):
            self.at_ms += each_ms
            send(self.at_ms, self.celsius)

    def do(self, words: str) -> None:
        away = re.search(r"pour ([\d.]+) L away", words)
        self.litres -= float(away[1]) if away else 0.0
        added = re.search(r"add ([\d.]+) L", words)
        if added:
            litres = float(added[1])
            before = self.celsius
            self.celsius = round((self.litres * before + litres * 18.0) / (self.litres + litres), 3)
            self.litres += litres
            self.highest_per_quarter = max(self.highest_per_quarter, self.celsius - before)


def followed(folder: Path, asked: Asked, container: Container) -> list[str]:
    said = []
    for line in follow_lines(load_settings(str(folder / "rushlight.toml")), asked):
        said.append(line)
        container.do(line)
    return said


def test_a_container_over_a_serial_line(tmp_path: Path) -> None:
    kept(tmp_path, 14.5)
    container, firmware = Container(4, 14.5, 0.01), Firmware("tub")
    with closing(PtyLine()) as line:
        link = f'[[links]]\nkind = "serial"\nport = "{line.port}"\n'
        store = f'[store]\npath = "{tmp_path / "rushlight.db"}"\n'
        (tmp_path / "rushlight.toml").write_text(link + store + TANKS, "utf-8")

        def board() -> None:
            line.wait_for_reader(container.stop)
            container.run(
                lambda at, celsius: line.write(firmware.line(at, [("temperature", celsius)]), container.stop),
                60_000,
            )

        thread = threading.Thread(target=board)
        thread.start()
        try:
            said = followed(tmp_path, Asked("porch", "tub", "goldfish"), container)
        finally:
            container.stop.set()
            thread.join()
    assert "unplug at the wall" in said[0] and "into the container" in said[1]
    assert any("now add" in one for one in said) and any("Net them over now" in one for one in said)
    assert container.celsius == pytest.approx(18.0, abs=0.51) and container.litres <= 12.1
    assert container.highest_per_quarter <= 2.0 / 4 + 0.06  # 2 °C an hour, amounts to a tenth of a litre


def test_a_tub_over_days_by_mosquitto(tmp_path: Path, mosquitto: Broker) -> None:
    kept(tmp_path, 9.0)
    container = Container(80, 9.0, 0.01)
    link = f'[[links]]\nkind = "mqtt"\nhost = "{mosquitto.host}"\nport = {mosquitto.port}\n'
    store = f'[store]\npath = "{tmp_path / "rushlight.db"}"\n'
    (tmp_path / "rushlight.toml").write_text(link + store + TANKS, "utf-8")
    container.at_ms -= 20 * 24 * HOUR
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.connect(mosquitto.host, mosquitto.port)
    client.loop_start()

    def send(at: int, celsius: float) -> None:
        pack = f'[{{"bn":"tub/","bt":{at / 1000},"n":"temperature","u":"Cel","v":{celsius}}}]'
        client.publish("rushlight/tub/readings", pack, qos=1)
        # 6 °C a day, which is four times what it may, until somebody says so; then 1.4
        container.celsius = min(13.6, container.celsius + (0.06 if not warned else 0.005))

    warned: list[str] = []
    thread = threading.Thread(target=lambda: container.run(send, 15 * 60_000))
    thread.start()
    said = []
    try:
        for text in follow_lines(
            load_settings(str(tmp_path / "rushlight.toml")), Asked("porch", "tub", "goldfish")
        ):
            said.append(text)
            if "at most was meant" in text:
                warned.append(text)
                container.celsius = 10.0  # it was carried back
    finally:
        container.stop.set()
        thread.join()
        client.loop_stop()
        client.disconnect()
    assert "into the tub" in said[1] and any("at the beginning" in one for one in said)
    assert warned and "Bring the tub" in warned[0]
    assert any("not too fast" in one for one in said)
    assert any("within 5 °C of the tank" in one for one in said)
