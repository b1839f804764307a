"""Links that are there twice would shut each other out."""

from __future__ import annotations

import pytest

from rushlight.collector.errors import SettingsError
from rushlight.collector.settings import parse_settings

TANK = """
[tanks.loft]
volume_litres = 40
timezone = "UTC"
[tanks.loft.livestock]
temperature_low_c = 18
temperature_high_c = 26
"""
BROKER = '[[links]]\nkind = "mqtt"\nhost = "localhost"\n'
PORT = '[[links]]\nkind = "serial"\nport = "/dev/ttyUSB0"\n'


@pytest.mark.parametrize(
    ("twice", "apart", "says"),
    [
        (BROKER + BROKER, BROKER + BROKER + 'client_id = "other"\n', "end the other's connection"),
        (BROKER + BROKER, BROKER + BROKER + "port = 1884\n", r"links\[1\] at localhost:1883"),
        (BROKER + BROKER.replace("localhost", "LocalHost"), BROKER + PORT, r"links\[2\].client_id"),
        (PORT + PORT, PORT + PORT.replace("USB0", "USB1"), "one port has one reader"),
    ],
)
def test_two_links_to_the_same_place_are_refused(twice: str, apart: str, says: str) -> None:
    with pytest.raises(SettingsError, match=says):
        parse_settings(twice + TANK)
    assert len(parse_settings(apart + TANK).links) == 2
