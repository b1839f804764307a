"""A planted tank as a handful of balances: heat, dissolved carbon, and what the lamp and plants do to them.

One lump of water at one temperature, with one CO2 concentration. That is what a small filtered tank is to
within what a probe can show: the filter turns the whole volume over in minutes, the balances take hours.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from rushlight.simulator.chemistry import (
    ALKALINITY_PER_DKH,
    CO2_MG_PER_MOL,
    Constants,
    constants,
    dissolved_co2,
    total_carbon,
    water_ph,
)

__all__ = ["Controls", "LampTimer", "Surroundings", "Tank", "TankDesign"]

WATER_HEAT = 4182.0  # J/(kg K) at 20 °C, handbook value from memory
GLASS_HEAT = 840.0  # J/(kg K), soda-lime glass, from memory


@dataclass(frozen=True)
class TankDesign:
    """What the tank is built of; rates are per hour where a person would think in hours."""

    volume_litres: float = 45.0
    glass_kg: float = 11.0
    loss_w_per_k: float = 4.5
    heater_watts: float = 75.0
    heater_setpoint_c: float = 23.0
    heater_hysteresis_k: float = 0.5  # between switching off and on again
    fan_setpoint_c: float | None = None
    fan_cooling_w: float = 25.0  # what evaporation takes while the fan runs
    lamp_watts: float = 20.0
    lamp_heat_share: float = 0.35  # of the lamp's power that ends in the water
    lamp_lux: float = 6400.0
    lamp_on_min: int = 12 * 60
    lamp_off_min: int = 20 * 60
    carbonate_hardness_dkh: float = 4.0
    gas_exchange_per_h: float = 0.25
    injection_mg_l_h: float = 4.4  # CO2 the reactor brings, per litre of tank water
    injection_on_min: int | None = None  # None: a reactor that nothing switches
    injection_off_min: int | None = None
    uptake_mg_l_h: float = 3.4  # plants in full light with CO2 to spare
    uptake_half_lux: float = 1800.0
    uptake_half_co2_mg_l: float = 3.0
    respiration_mg_l_h: float = 0.6  # at 20 °C

    @property
    def heat_capacity(self) -> float:
        """J/K of water and glass."""
        return self.volume_litres * WATER_HEAT + self.glass_kg * GLASS_HEAT


@dataclass
class Controls:
    """What faults act on. The defaults are a tank in which everything works."""

    mains: bool = True
    heater_dead: bool = False
    heater_welded: bool = False
    reactor_factor: float = 1.0
    cylinder_empty: bool = False
    timer_slip_min_per_day: float = 0.0
    timer_being_set: bool = False
    lamp_dead: bool = False
    lamp_output: float = 1.0
    aeration: float = 1.0  # multiplies the gas exchange; an air stone gives about 3
    unplugged: set[str] = field(default_factory=set)  # quantities whose probe is off


@dataclass(frozen=True)
class Surroundings:
    """The room at one moment."""

    room_c: float
    window_lux: float = 0.0
    air_co2_ppm: float = 700.0
    local_minute: float = 0.0  # minutes after local midnight, by a right clock


class LampTimer:
    """A plug-in timer: it runs on the mains, knows no summer time and is late by `error_min`."""

    def __init__(self, on_min: float, off_min: float) -> None:
        self.on_min = on_min
        self.off_min = off_min
        self.error_min = 0.0

    def advance(self, dt_s: float, mains: bool, slip_min_per_day: float) -> None:
        """Let time pass; without mains the timer stops and falls behind."""
        self.error_min += dt_s / 60 if not mains else slip_min_per_day * dt_s / 86_400

    def is_on(self, local_minute: float) -> bool:
        """Whether its contact is closed at this local time."""
        believed = (local_minute - self.error_min) % 1440
        if self.on_min < self.off_min:
            return self.on_min <= believed < self.off_min
        return believed >= self.on_min or believed < self.off_min


class Tank:
    """The state of one tank, advanced by `step`.

    Parameters
    ----------
    design : TankDesign
    temperature_c : float
        Water temperature at the start.
    co2_mg_l : float
        Dissolved CO2 at the start, mg/L.
    """

    def __init__(self, design: TankDesign, temperature_c: float, co2_mg_l: float) -> None:
        self.design = design
        self.controls = Controls()
        self.temperature_c = temperature_c
        self.alkalinity = design.carbonate_hardness_dkh * ALKALINITY_PER_DKH
        # Na+ and HCO3- of the same normality: the ionic strength is the alkalinity
        self.carbon = total_carbon(co2_mg_l, self.alkalinity, self._constants())
        self.ph = water_ph(self.alkalinity, self.carbon, self._constants())
        self.timer = LampTimer(design.lamp_on_min, design.lamp_off_min)
        self.thermostat_closed = False
        self.fan_on = False
        self.heater_w = 0.0
        self.lux = 0.0

    def _constants(self) -> Constants:
        # a hundredth of a degree moves pK1 by less than 0.0001 and lets the cache answer
        return constants(round(self.temperature_c, 2), self.alkalinity)

    @property
    def co2_mg_l(self) -> float:
        """Dissolved CO2, mg/L."""
        return dissolved_co2(self.carbon, self.ph, self._constants())

    def step(self, dt_s: float, around: Surroundings) -> None:
        """Advance by `dt_s` seconds (at most about 60: switching happens once a step)."""
        controls = self.controls
        self.timer.advance(dt_s, controls.mains, controls.timer_slip_min_per_day)
        if controls.timer_being_set:
            self.timer.error_min = 0.0
        self._switch_heat()
        lamp_on = controls.mains and not controls.lamp_dead and self.timer.is_on(around.local_minute)
        output = controls.lamp_output if lamp_on else 0.0
        self.lux = self.design.lamp_lux * output + around.window_lux
        self._step_heat(dt_s, around, output)
        self._step_carbon(dt_s, around)

    def _switch_heat(self) -> None:
        design, controls = self.design, self.controls
        half = design.heater_hysteresis_k / 2
        if self.temperature_c <= design.heater_setpoint_c - half:
            self.thermostat_closed = True
        elif self.temperature_c >= design.heater_setpoint_c + half:
            self.thermostat_closed = False
        heating = (self.thermostat_closed or controls.heater_welded) and not controls.heater_dead
        self.heater_w = design.heater_watts if heating and controls.mains else 0.0
        if design.fan_setpoint_c is not None:
            if self.temperature_c >= design.fan_setpoint_c + half:
                self.fan_on = True
            elif self.temperature_c <= design.fan_setpoint_c - half:
                self.fan_on = False

    def _step_heat(self, dt_s: float, around: Surroundings, lamp_output: float) -> None:
        design = self.design
        watts = self.heater_w + design.lamp_watts * lamp_output * design.lamp_heat_share
        if self.fan_on and self.controls.mains:
            watts -= design.fan_cooling_w
        # exact for constant power over the step, so the step's length brings no error of its own
        resting_c = around.room_c + watts / design.loss_w_per_k
        decay = math.exp(-dt_s * design.loss_w_per_k / design.heat_capacity)
        self.temperature_c = resting_c + (self.temperature_c - resting_c) * decay

    def _step_carbon(self, dt_s: float, around: Surroundings) -> None:
        design, controls = self.design, self.controls
        c = self._constants()
        co2 = dissolved_co2(self.carbon, self.ph, c)
        equilibrium = c.henry * around.air_co2_ppm * 1e-6 * CO2_MG_PER_MOL
        light = self.lux / (self.lux + design.uptake_half_lux)
        warmth = 2 ** ((self.temperature_c - 20) / 10)  # Q10 of 2, common practice, no source
        rate = (
            -design.gas_exchange_per_h * controls.aeration * (co2 - equilibrium)
            - design.uptake_mg_l_h * light * co2 / (co2 + design.uptake_half_co2_mg_l)
            + design.respiration_mg_l_h * warmth
            + self._injection(around.local_minute)
        )
        self.carbon += rate * dt_s / 3600 / CO2_MG_PER_MOL
        self.ph = water_ph(self.alkalinity, self.carbon, self._constants(), self.ph)

    def _injection(self, local_minute: float) -> float:
        """mg/L of CO2 an hour. A valve needs mains; a reactor works on without it."""
        design, controls = self.design, self.controls
        if controls.cylinder_empty:
            return 0.0
        on, off = design.injection_on_min, design.injection_off_min
        if on is not None and off is not None:
            open_now = on <= local_minute < off if on < off else local_minute >= on or local_minute < off
            if not (open_now and controls.mains):
                return 0.0
        return design.injection_mg_l_h * controls.reactor_factor
