"""A broker that hands on but 20 reports while nothing can be stored: said where one speaks MQTT 3.1.1."""

from __future__ import annotations

from pathlib import Path

import pytest

from rushlight.analysis.views.in_flight import IN_FLIGHT, in_flight_lines
from rushlight.analysis.views.overview import overview
from rushlight.analysis.views.status import status_lines
from rushlight.collector.settings import Settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore

TANK = """
[tanks.{name}]
volume_litres = 54
timezone = "Europe/Lisbon"
report_every_s = {every}
[tanks.{name}.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
"""
LINK = '[[links]]\nkind = "mqtt"\nhost = "broker.example"\nprotocol = "{}"\n'
MAPS = """
[[links.map]]
topic = "loft/t"
tank = "loft"
quantity = "temperature"
[[links.map]]
topic = "loft/ph"
tank = "loft"
quantity = "ph"
"""


def settings(text: str, folder: Path | None = None) -> Settings:
    return parse_settings(text, str((folder or Path()) / "rushlight.toml"))


@pytest.mark.parametrize(
    ("maps", "tanks", "span"),
    [
        # Mosquitto's default of 20, measured: one board every ten seconds is judged for 3 min 20 s
        ("", [("loft", 10)], "3 min"),
        ("", [("loft", 60)], "20 min"),
        ("", [("loft", 20), ("attic", 20)], "3 min"),
        (MAPS, [("loft", 60)], "10 min"),  # two topics, two reports
    ],
)
def test_for_how_long_a_broker_of_the_older_kind_hands_on(
    maps: str, tanks: list[tuple[str, int]], span: str
) -> None:
    text = maps + "".join(TANK.format(name=name, every=every) for name, every in tanks)
    (line,) = in_flight_lines(settings(LINK.format("3.1.1") + text))
    assert line.startswith("broker.example:1883, MQTT 3.1.1: ") and f"about {span} only" in line
    assert "max_inflight_messages" in line and IN_FLIGHT == 20
    assert list(in_flight_lines(settings(LINK.format("5") + text))) == []


def test_without_a_tank_nothing_is_said() -> None:
    assert list(in_flight_lines(settings(LINK.format("3.1.1")))) == []


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
def test_check_and_status_say_it(tmp_path: Path, protocol: str) -> None:
    found = settings(LINK.format(protocol) + TANK.format(name="loft", every=10), tmp_path)
    with EmbeddedStore(found.store_path()) as store:
        status = "\n".join(line.plain for line in status_lines(found, store, 1_772_330_400_000))
    said = "weak: broker.example:1883, MQTT 3.1.1"
    assert (said in overview(found)) == (said in status) == (protocol == "3.1.1")
