"""The tank's heat: water around the heater and the rest of it, a thermostat or two, a cooler.

Explicit steps: exact enough while a step is short beside `mix_s` (a minute at most in a filtered tank).
"""

from __future__ import annotations

from rushlight.simulator.conditions import Conditions
from rushlight.simulator.design import TankDesign

__all__ = ["HEATED_SHARE", "Heat"]

JOULE_PER_LITRE_K = 4180.0  # of water
HEATED_SHARE = 0.4  # of the water, around the heater; common practice, no source
STILL_MIXING = 0.3  # of the usual mixing, while pump and filter are off; common practice, no source


def _high(was: bool, value: float, low: float, high: float) -> bool:
    """Whether `value` is high: a switch that moves only outside its two points."""
    if value < low:
        return False
    return True if value > high else was


class Heat:
    """Temperatures of one tank, °C.

    Attributes
    ----------
    near_c, far_c : float
        Of the water around the heater, and of the rest, in which the probe hangs.
    watts : float
        What the heaters give in this step, W.
    heat_called, cool_called : bool
        Whether the heater's and the cooler's thermostats call, whether or not anything comes of it.
    """

    def __init__(self, design: TankDesign, temperature_c: float) -> None:
        self._design = design
        capacity = design.volume * JOULE_PER_LITRE_K
        self._near_capacity = capacity * HEATED_SHARE
        self._far_capacity = capacity * (1 - HEATED_SHARE)
        self._between = capacity / design.mix_s  # W/K
        self.near_c = self.far_c = temperature_c
        self.watts = 0.0
        self.heat_called = self.cool_called = False
        self._second_called = False

    @property
    def mean_c(self) -> float:
        """Of all the water, °C."""
        return HEATED_SHARE * self.near_c + (1 - HEATED_SHARE) * self.far_c

    def pour(self, fraction: float, temperature_c: float) -> None:
        """Replace a share of all water."""
        self.near_c += fraction * (temperature_c - self.near_c)
        self.far_c += fraction * (temperature_c - self.far_c)

    def step(self, dt_s: float, now: Conditions) -> None:
        """Advance by `dt_s` seconds; the switches switch once a step."""
        design = self._design
        near, far, mains = self.near_c, self.far_c, now.mains
        half = design.hysteresis / 2
        want = design.setpoint + now.heater_shift
        self.heat_called = not _high(not self.heat_called, near, want - half, want + half)
        heating = mains if (self.heat_called or now.heater_forced) else 0.0
        watts = heating * now.heater_gain * design.heater_w
        if design.second_heater_w:
            watts += self._second_heater(now)
        warm = now.lamp * design.lamp_heat_w + now.sun_heat + mains * design.pump_w
        if design.cooler:
            warm -= self._cooling(now)
        loss = design.loss * now.loss_gain
        flow = (self._between if mains else STILL_MIXING * self._between) * (near - far)
        room, part = now.room, HEATED_SHARE
        self.near_c += dt_s / self._near_capacity * (watts + part * (warm - loss * (near - room)) - flow)
        self.far_c += dt_s / self._far_capacity * ((1 - part) * (warm - loss * (far - room)) + flow)
        self.watts = watts

    def _second_heater(self, now: Conditions) -> float:
        """Its power, W; unplugged together with the first (`heater_gain` 0)."""
        design = self._design
        want, half = design.second_setpoint, design.hysteresis / 2
        self._second_called = not _high(not self._second_called, self.near_c, want - half, want + half)
        on = now.mains if (self._second_called or now.second_forced) else 0.0
        return on * now.second_gain * (now.heater_gain > 0) * design.second_heater_w

    def _cooling(self, now: Conditions) -> float:
        """What the cooler takes, W. A fan cools towards the wet bulb, a chiller by its power."""
        design = self._design
        want, half = design.cooler_setpoint, design.cooler_hysteresis / 2
        self.cool_called = _high(self.cool_called, self.far_c, want - half, want + half)
        if not (self.cool_called and now.mains):
            return 0.0
        if design.cooler == "fan":
            return now.cooler_gain * design.cooler_strength * (self.far_c - now.room + design.wet_bulb_gap)
        return now.cooler_gain * design.cooler_strength
