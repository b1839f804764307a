"""The types everything else speaks: a reading, its quantity, its quality flag."""

from __future__ import annotations

import re
from enum import IntEnum
from typing import NamedTuple

import msgspec

__all__ = [
    "CONVERSIONS",
    "HEATER_POWER",
    "LIGHT",
    "PH",
    "PH_PROBE",
    "QUANTITIES",
    "ROOM_TEMPERATURE",
    "SOURCE_PH",
    "SOURCE_TEMPERATURE",
    "STAMP_ARRIVAL",
    "STAMP_DEVICE",
    "TANK_NAME",
    "TEMPERATURE",
    "Flag",
    "QuantityInfo",
    "Reading",
]

TEMPERATURE = "temperature"
ROOM_TEMPERATURE = "room_temperature"
PH = "ph"
PH_PROBE = "ph_probe"
LIGHT = "light"
HEATER_POWER = "heater_power"
SOURCE_TEMPERATURE = "source_temperature"
SOURCE_PH = "source_ph"


TANK_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.:-]{0,63}")
"""What a tank may be called, so that its name fits into a topic and a SenML name; for `fullmatch`."""


class QuantityInfo(NamedTuple):
    """What one quantity is: SenML unit (RFC 8428, RFC 8798), how to print it, what it is."""

    unit: str
    printed_unit: str
    decimals: int
    title: str


# Plain strings rather than an Enum: Enum members hash in Python code, too slow for every reading.
QUANTITIES: dict[str, QuantityInfo] = {
    TEMPERATURE: QuantityInfo("Cel", "°C", 2, "water temperature"),
    ROOM_TEMPERATURE: QuantityInfo("Cel", "°C", 2, "room temperature"),
    PH: QuantityInfo("pH", "", 2, "pH"),
    PH_PROBE: QuantityInfo("mV", "mV", 1, "pH electrode"),
    LIGHT: QuantityInfo("lx", "lx", 0, "light"),
    HEATER_POWER: QuantityInfo("W", "W", 1, "heater power"),
    SOURCE_TEMPERATURE: QuantityInfo("Cel", "°C", 2, "temperature of the second water"),
    SOURCE_PH: QuantityInfo("pH", "", 2, "pH of the second water"),
}

# (quantity's unit, unit sent) -> value in the quantity's unit. All are registered: RFC 8428 section 12.1
# (K, V), RFC 8798 (kW). "F" is the farad there, so degrees Fahrenheit can't be sent in a SenML pack.
CONVERSIONS: dict[tuple[str, str], tuple[float, float]] = {
    ("Cel", "K"): (1.0, -273.15),
    ("mV", "V"): (1000.0, 0.0),
    ("W", "kW"): (1000.0, 0.0),
}


class Flag(IntEnum):
    """IOOS QARTOD quality flags."""

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


STAMP_DEVICE = 0  # the device's own time, found plausible
STAMP_ARRIVAL = 1  # stamped by the collector on arrival: no time, or one from 1970 or the future


class Reading(msgspec.Struct, gc=False):
    """One value of one quantity of one tank.

    Attributes
    ----------
    tank, quantity : str
        Names as in the settings and in `QUANTITIES`.
    time_ms : int
        UTC, milliseconds since 1970.
    value : float or None
        In the quantity's unit; None where the probe could not be read.
    flag : int
        A `Flag` value (kept as a plain int for speed).
    seq : int
        The device's report number, -1 where it sends none.
    stamp : int
        `STAMP_DEVICE` or `STAMP_ARRIVAL`.
    """

    tank: str
    quantity: str
    time_ms: int
    value: float | None
    flag: int = 2
    seq: int = -1
    stamp: int = 0
