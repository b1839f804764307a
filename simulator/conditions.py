"""What acts on a tank from outside, at one step: the room, the light, what its devices do and fail to do."""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["FROZEN", "OPEN", "SHUT", "WORKS", "Conditions", "Poured"]

WORKS, OPEN, SHUT, FROZEN = 0.0, 1.0, 2.0, 3.0
"""Modes of a pH controller's valve; FROZEN: it stays as it is, since the reading does."""


class Conditions(NamedTuple):
    """One step's. The defaults are a room at rest in which all devices have power and work."""

    room: float  # °C
    lamp: float = 0.0  # 0 to 1 of full light: light and heat
    sun_heat: float = 0.0  # W
    air_ppm: float = 700.0  # CO2 of the room's air
    dose: float = 0.0  # CO2 into the water while the valve lets it, mg/L/h
    mains: float = 1.0  # 1 or 0
    heater_gain: float = 1.0  # 0: dead
    heater_forced: float = 0.0  # 1: on whatever the thermostat says
    heater_shift: float = 0.0  # K on the thermostat
    cooler_gain: float = 1.0
    loss_gain: float = 1.0  # above 1: lid off
    exchange_gain: float = 1.0  # above 1: surface stirred, air stone
    alkalinity_rate: float = 0.0  # dKH an hour
    uptake_gain: float = 1.0  # plants set or cut
    # what only some tanks have
    valve_mode: float = WORKS  # of a pH controller
    probe_error: float = 0.0  # what its electrode reads too high, pH
    coupled: float = 0.0  # what it reads too high while a heater is on, pH
    soil_floor: float = 0.0  # dKH at which the soil takes up no more
    second_gain: float = 1.0
    second_forced: float = 0.0
    respiration_gain: float = 1.0  # above 1: fed


class Poured(NamedTuple):
    """Water replaced at once: its share of the tank, temperature (°C), KH (dKH) and CO2 (mg/L)."""

    fraction: float
    temperature: float
    kh: float
    co2: float
