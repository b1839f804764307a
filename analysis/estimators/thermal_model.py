"""The tank as one lump of water: how fast it should cool or warm, learnt as it runs.

    dT/dt = (T_room − T) / tau + heater + lamp

the lumped-capacitance model of any heat-transfer text. tau, the rate at full heater power and the heat of
the lamp are estimated from the falling and rising stretches of the curve itself.
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.estimators.robust import median

__all__ = ["ThermalModel", "prior_time_constant_h"]


def prior_time_constant_h(volume_litres: float) -> float:
    """A first guess of the time constant in hours.

    Water cools through its surface, so tau goes with volume over area, about the cube root of the volume;
    14 h at 54 L comes from 4 to 5 W/K for an open-topped glass tank (common practice, no source).
    """
    return 14.0 * float((volume_litres / 54.0) ** (1 / 3))


class ThermalModel(msgspec.Struct):
    """Running estimates; every figure in °C and hours.

    `taus` are estimates of the time constant from falling stretches with the room known; `falls` and
    `rises` are the slopes of the falling and rising stretches of the thermostat's cycle.
    """

    taus: list[float] = msgspec.field(default_factory=list)
    falls: list[float] = msgspec.field(default_factory=list)
    rises: list[float] = msgspec.field(default_factory=list)

    def learn(self, slope: float, temperature: float, room: float | None) -> None:
        """One clean stretch of the curve (no disturbance, no lamp edge, no alarm)."""
        if slope < -0.04:
            self._keep(self.falls, slope)
            if room is not None and temperature - room > 1.5:
                tau = (temperature - room) / -slope
                if 1.0 < tau < 120:
                    self._keep(self.taus, tau)
        elif slope > 0.04:
            self._keep(self.rises, slope)

    @staticmethod
    def _keep(values: list[float], value: float) -> None:
        values.append(value)
        del values[:-60]

    def time_constant_h(self, volume_litres: float) -> float:
        """The learnt time constant; the prior until eight stretches are in.

        Stretches in which the heater ran for a part look slower than free cooling, so the lower quartile is
        nearer the truth than the middle.
        """
        if len(self.taus) < 8:
            return prior_time_constant_h(volume_litres)
        return sorted(self.taus)[len(self.taus) // 4]

    def passive_slope(self, temperature: float, room: float, volume_litres: float) -> float:
        """Slope in °C/h with nothing switched on."""
        return (room - temperature) / self.time_constant_h(volume_litres)

    def usual_fall(self) -> float | None:
        """The middle slope with the heater off, °C/h (negative)."""
        return median(self.falls) if len(self.falls) >= 6 else None

    def usual_rise(self) -> float | None:
        """The middle slope with the heater on, °C/h."""
        return median(self.rises) if len(self.rises) >= 6 else None
