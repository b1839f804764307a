"""The tank as one lump of water: how fast it should cool or warm, learnt as it runs.

    dT/dt = (T_room − T) / tau + heater + lamp

the lumped-capacitance model of any heat-transfer text. tau, the rate at full heater power and the heat of
the lamp are estimated from the falling and rising stretches of the curve itself.
"""

from __future__ import annotations

import bisect
from typing import Annotated

import msgspec

from rushlight.analysis.numbers import Numbers, Of

__all__ = ["THERMAL", "ThermalModel", "ThermalNumbers", "prior_time_constant_h"]


class ThermalNumbers(Numbers, frozen=True, kw_only=True):
    """How a tank's cooling is learnt, and what it is taken for before."""

    prior_tau_h: Annotated[
        float, Of("h", "time constant of an open-topped glass tank of `prior_litres`: 4 to 5 W/K")
    ] = 14.0
    prior_litres: Annotated[float, Of("L", "the tank that has that time constant")] = 54.0
    slope_c_per_h: Annotated[float, Of("°C/h", "slower changes say nothing of heating or cooling")] = 0.04
    room_gap_c: Annotated[
        float, Of("°C", "a time constant is learnt so far above the room's temperature")
    ] = 1.5
    tau_least_h: Annotated[float, Of("h", "no tank cools faster than with that time constant")] = 1.0
    tau_most_h: Annotated[float, Of("h", "nor slower than with that")] = 120.0
    kept: Annotated[int, Of("", "stretches of each kind that are kept")] = 60
    learnt_stretches: Annotated[
        int, Of("", "stretches of free cooling from which the time constant is the tank's own")
    ] = 8
    quartile_share: Annotated[
        float,
        Of("", "stretches in which the heater ran for a part look slow: that share of them is lower"),
    ] = 0.25
    slopes_least: Annotated[int, Of("", "stretches from which a usual slope is known")] = 6


THERMAL = ThermalNumbers()


def prior_time_constant_h(volume_litres: float) -> float:
    """A first guess of the time constant in hours.

    Water cools through its surface, so tau goes with volume over area, about the cube root of the volume;
    `ThermalNumbers` has the size that it is known of.
    """
    return THERMAL.prior_tau_h * float((volume_litres / THERMAL.prior_litres) ** (1 / 3))


class ThermalModel(msgspec.Struct, dict=True):
    """Running estimates; every figure in °C and hours.

    `taus` are estimates of the time constant from falling stretches with the room known; `falls` and
    `rises` are the slopes of the falling and rising stretches of the thermostat's cycle. Each list is kept
    in order of size, too, beside them.
    """

    taus: list[float] = msgspec.field(default_factory=list)
    falls: list[float] = msgspec.field(default_factory=list)
    rises: list[float] = msgspec.field(default_factory=list)

    def learn(self, slope: float, temperature: float, room: float | None, lit: bool = False) -> None:
        """One clean stretch of the curve (no disturbance, no lamp edge, no alarm).

        `lit`: the lamp warms the water. So it falls slower, and the stretch counts only among others.
        """
        if slope < -THERMAL.slope_c_per_h:
            if not lit:
                self._keep("of_falls", self.falls, slope)
            if room is not None and temperature - room > THERMAL.room_gap_c:
                tau = (temperature - room) / -slope
                if THERMAL.tau_least_h < tau < THERMAL.tau_most_h:
                    self._keep("of_taus", self.taus, tau)
        elif slope > THERMAL.slope_c_per_h:
            self._keep("of_rises", self.rises, slope)

    def _keep(self, name: str, values: list[float], value: float) -> None:
        ordered = self._ordered(name, values)
        values.append(value)
        bisect.insort(ordered, value)
        while len(values) > THERMAL.kept:
            del ordered[bisect.bisect_left(ordered, values.pop(0))]

    def _ordered(self, name: str, values: list[float]) -> list[float]:
        ordered: list[float] | None = self.__dict__.get(name)
        if ordered is None:
            ordered = self.__dict__[name] = sorted(values)
        return ordered

    @property
    def learnt(self) -> bool:
        """Whether the time constant is the tank's own, no first guess."""
        return len(self.taus) >= THERMAL.learnt_stretches

    def time_constant_h(self, volume_litres: float) -> float:
        """The learnt time constant; the prior until enough stretches are in.

        Stretches in which the heater ran for a part look slower than free cooling, so the lower quartile is
        nearer the truth than the middle.
        """
        if not self.learnt:
            return prior_time_constant_h(volume_litres)
        return self._ordered("of_taus", self.taus)[int(len(self.taus) * THERMAL.quartile_share)]

    def passive_slope(self, temperature: float, room: float, volume_litres: float) -> float:
        """Slope in °C/h with nothing switched on."""
        return (room - temperature) / self.time_constant_h(volume_litres)

    def usual_fall(self) -> float | None:
        """The middle slope with the heater off, °C/h (negative)."""
        return self._middle("of_falls", self.falls)

    def usual_rise(self) -> float | None:
        """The middle slope with the heater on, °C/h."""
        return self._middle("of_rises", self.rises)

    def _middle(self, name: str, values: list[float]) -> float | None:
        count = len(values)
        if count < THERMAL.slopes_least:
            return None
        ordered, half = self._ordered(name, values), count // 2
        return ordered[half] if count % 2 else (ordered[half - 1] + ordered[half]) / 2
