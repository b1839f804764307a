"""Dissolved gas: carbon dioxide from the supply, the plants, the animals and the air, and the pH it makes."""

from __future__ import annotations

import math

from rushlight.simulator.chemistry import (
    ALKALINITY_PER_DKH,
    CO2_MG_PER_MOL,
    constants_at,
    humic_alkalinity,
    speciate,
    table,
    total_from_co2,
)
from rushlight.simulator.conditions import FROZEN, OPEN, SHUT, Conditions
from rushlight.simulator.design import TankDesign

__all__ = ["Gas"]

HALF_LIGHT = 0.3  # of full light, at which plants take half; common practice, no source
HALF_CO2_MG_L = 3.0  # at which they take half; common practice, no source
STILL_EXCHANGE = 0.4  # of the usual exchange with the air, while the pump is off; no source
LEAST_CARBON = 1e-7  # mol/L: the solver needs some


class Gas:
    """Carbon, hardness and pH of one tank's water.

    Attributes
    ----------
    co2_mg_l : float
        Dissolved CO2, mg/L.
    """

    def __init__(self, design: TankDesign, temperature_c: float, co2_mg_l: float) -> None:
        self._design = design
        self._constants = table(design.ionic)
        self._now = constants_at(self._constants, temperature_c)
        self._alkalinity = design.kh * ALKALINITY_PER_DKH
        self._carbon, self._h = total_from_co2(co2_mg_l / CO2_MG_PER_MOL, self._alkalinity, self._now)
        self._valve = _Controller(design) if design.ph_setpoint else None
        self.co2_mg_l = co2_mg_l

    @property
    def ph(self) -> float:
        """Of the water itself."""
        return -math.log10(self._h)

    @property
    def kh(self) -> float:
        """Hardness, dKH; of humic water with what its acids take up."""
        return self._alkalinity / ALKALINITY_PER_DKH

    def pour(self, fraction: float, kh: float, co2_mg_l: float) -> None:
        """Replace a share of the water."""
        alkalinity = kh * ALKALINITY_PER_DKH
        carbon, _ = total_from_co2(co2_mg_l / CO2_MG_PER_MOL, alkalinity, self._now)
        self._alkalinity += fraction * (alkalinity - self._alkalinity)
        self._carbon += fraction * (carbon - self._carbon)

    def step(self, dt_s: float, now: Conditions, temperature_c: float, heating: bool) -> None:
        """Advance by `dt_s` seconds in water of a temperature (°C)."""
        design, hours = self._design, dt_s / 3600
        self._now = k = constants_at(self._constants, temperature_c)
        self._alkalinity += now.alkalinity_rate * ALKALINITY_PER_DKH * hours
        dose = now.dose
        if self._valve is not None:
            dose *= self._valve.step(dt_s, now, self.ph, heating)
        if design.soil_rate:
            above = self._alkalinity - now.soil_floor * ALKALINITY_PER_DKH
            self._alkalinity -= max(above, 0.0) * design.soil_rate * dt_s / 3600
        carbonate = self._alkalinity - humic_alkalinity(design.humic_eq, self._h)
        dissolved, self._h = speciate(self._carbon, carbonate, k, self._h)
        self.co2_mg_l = mg = dissolved * CO2_MG_PER_MOL
        in_balance = k.henry * now.air_ppm * 1e-6 * CO2_MG_PER_MOL
        light = now.lamp
        taken = design.uptake * now.uptake_gain * light / (light + HALF_LIGHT) * mg / (mg + HALF_CO2_MG_L)
        speed = design.exchange * now.exchange_gain * (1.0 if now.mains else STILL_EXCHANGE)
        gained = dose - taken + design.respiration * now.respiration_gain - speed * (mg - in_balance)
        self._carbon = max(self._carbon + hours * gained / CO2_MG_PER_MOL, LEAST_CARBON)


class _Controller:
    """A pH controller's valve, switched by what its electrode reads."""

    def __init__(self, design: TankDesign) -> None:
        self._design = design
        self._reading: float | None = None
        self._open = False

    def step(self, dt_s: float, now: Conditions, ph: float, heating: bool) -> float:
        """1 while it lets gas through, else 0."""
        design = self._design
        seen = ph + now.probe_error + (now.coupled if heating else 0.0)
        if self._reading is None:
            self._reading = seen
        else:
            self._reading += dt_s / (dt_s + design.ph_lag_s) * (seen - self._reading)
        if now.valve_mode in (OPEN, SHUT):
            return float(now.valve_mode == OPEN)
        if now.valve_mode != FROZEN:
            if self._reading > design.ph_setpoint + design.ph_hysteresis / 2:
                self._open = True
            elif self._reading < design.ph_setpoint - design.ph_hysteresis / 2:
                self._open = False
        return float(self._open)
