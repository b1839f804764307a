"""What a tank is: its water, glass, heater, cooler, gas and plants, as plain numbers."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["TankDesign"]


@dataclass(kw_only=True)
class TankDesign:
    """One tank: temperatures in °C, power in W, rates in mg/L/h where no other unit is named."""

    volume: float  # litres
    loss: float  # W/K through glass and lid
    mix_s: float  # how fast the water around the heater mixes with the rest
    setpoint: float  # of the heater
    heater_w: float
    hysteresis: float  # K between on and off
    lamp_heat_w: float  # what of the lamp's power ends in the water
    pump_w: float
    cooler: str = ""  # "", "fan" or "chiller"
    cooler_setpoint: float = 0.0
    cooler_hysteresis: float = 0.5
    cooler_strength: float = 0.0  # fan: W/K towards the wet bulb; chiller: W
    wet_bulb_gap: float = 0.0  # K by which the wet bulb is colder than the room
    kh: float  # dKH
    ionic: float  # mol/L
    exchange: float  # of gas with the air, 1/h
    uptake: float  # of CO2 by the plants in full light
    respiration: float  # CO2 of animals, plants and filter
    # what only some tanks have
    ph_setpoint: float = 0.0  # of a pH controller on the gas; 0: none
    ph_hysteresis: float = 0.05
    ph_lag_s: float = 60.0  # of the controller's electrode
    soil_rate: float = 0.0  # share of the hardness above the soil's floor that the soil takes up, 1/h
    humic_eq: float = 0.0  # acid groups of humic matter, eq/L
    second_heater_w: float = 0.0
    second_setpoint: float = 0.0
