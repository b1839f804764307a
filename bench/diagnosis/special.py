"""What only some tanks have: a pH controller, soil that takes up hardness, humic acids, a second heater.

Kept apart from `tank.py`, so that the usual tank stays as it is. Ranges are common practice, no source, where
no source is named.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rushlight.simulator.chemistry import ALKALINITY_PER_DKH

if TYPE_CHECKING:
    from bench.diagnosis.tank import Array, Drive, Tank

__all__ = ["FROZEN", "OPEN", "SHUT", "STEP_S", "TITRATED", "WORKS", "Special", "humic_alkalinity"]

STEP_S = 30
WORKS, OPEN, SHUT, FROZEN = 0.0, 1.0, 2.0, 3.0
"""Modes of a controller's valve; FROZEN: it stays as it is, since the reading does."""
TITRATED = 10**-4.4
"""Where a drop test for KH turns its colour (H+ activity; common practice, no source)."""


def humic_alkalinity(groups: float, h: float) -> float:
    """Negative charge of humic acids, eq/L, in water of H+ activity `h`.

    Oliver, Thurman & Malcolm (1983), Geochim. Cosmochim. Acta 47:2031-2035: pK = 0.96 + 0.90 pH - 0.039 pH²
    (from memory).
    """
    if not groups:
        return 0.0
    ph = -math.log10(h)
    k = 10 ** -(0.96 + 0.90 * ph - 0.039 * ph * ph)
    return groups * k / (k + h)


class Special:
    """The state of these, step by step."""

    def __init__(self, tank: Tank, drive: Drive) -> None:
        n = len(drive.room)

        def values(x: Array | None, default: float) -> list[float]:
            return [default] * n if x is None else list(x.tolist())

        self._tank = tank
        self._mode, self._error = values(drive.valve_mode, WORKS), values(drive.probe_error, 0.0)
        self._coupled = values(drive.coupled, 0.0)
        self._floor = values(drive.soil_floor, 0.0)
        self._gain, self._forced = values(drive.second_gain, 1.0), values(drive.second_forced, 0.0)
        self._first_gain = values(drive.heater_gain, 1.0)
        self._calls = False
        self._open = False
        self._reading = math.nan
        self._smooth = STEP_S / (STEP_S + tank.ph_lag_s)

    def second_heater(self, i: int, t_h: float, mains: float) -> float:
        """Its power, W; unplugged together with the first (`heater_gain` 0)."""
        tank = self._tank
        if not tank.second_heater_w:
            return 0.0
        if t_h < tank.second_setpoint - tank.hysteresis / 2:
            self._calls = True
        elif t_h > tank.second_setpoint + tank.hysteresis / 2:
            self._calls = False
        on = mains if (self._calls or self._forced[i]) else 0.0
        return on * self._gain[i] * (self._first_gain[i] > 0) * tank.second_heater_w

    def valve(self, i: int, ph: float, heating: bool) -> float:
        """1 while the controller lets gas through, by what its electrode reads; 1 where there is none."""
        tank = self._tank
        if not tank.ph_setpoint:
            return 1.0
        seen = ph + self._error[i] + (self._coupled[i] if heating else 0.0)
        self._reading += self._smooth * (seen - self._reading) if self._reading == self._reading else 0.0
        if self._reading != self._reading:
            self._reading = seen
        mode = self._mode[i]
        if mode == OPEN:
            return 1.0
        if mode == SHUT:
            return 0.0
        if mode != FROZEN:
            if self._reading > tank.ph_setpoint + tank.ph_hysteresis / 2:
                self._open = True
            elif self._reading < tank.ph_setpoint - tank.ph_hysteresis / 2:
                self._open = False
        return 1.0 if self._open else 0.0

    def soil(self, i: int, alkalinity: float) -> float:
        """Alkalinity that the soil takes up in this step, mol/L."""
        if not self._tank.soil_rate:
            return 0.0
        above = alkalinity - self._floor[i] * ALKALINITY_PER_DKH
        return max(above, 0.0) * self._tank.soil_rate * STEP_S / 3600

    def humic(self, h: float) -> float:
        """Alkalinity that is no carbonate, mol/L."""
        return humic_alkalinity(self._tank.humic_eq, h)
