"""Probes as they are: they lag, they are noisy, they answer in steps, and some answer wrongly at power-on.

`read` takes the true value and the time since the last reading; None means that nothing could be read.
"""

from __future__ import annotations

import math
import random

__all__ = ["LightSensor", "PhElectrode", "Probe", "TemperatureProbe"]


class Probe:
    """First-order lag, Gaussian noise, a quantum.

    Parameters
    ----------
    lag_s : float
        Time constant; 0 for none.
    noise : float
        Standard deviation, in the probe's unit.
    quantum : float
        Readings are whole multiples of it.
    decimals : int
        Digits after the point that the device sends.
    """

    def __init__(self, rng: random.Random, lag_s: float, noise: float, quantum: float, decimals: int) -> None:
        self._rng = rng
        self._lag_s = lag_s
        self._noise = noise
        self._quantum = quantum
        self._decimals = decimals
        self._felt: float | None = None

    def power_on(self) -> None:
        """The device has just got its supply."""

    def read(self, true_value: float, dt_s: float) -> float | None:
        """One reading, `dt_s` seconds after the one before."""
        if self._felt is None or self._lag_s <= 0:
            self._felt = true_value
        else:
            self._felt += (true_value - self._felt) * (1 - math.exp(-dt_s / self._lag_s))
        noisy = self._felt + self._rng.gauss(0.0, self._noise)
        return round(round(noisy / self._quantum) * self._quantum, self._decimals)


class TemperatureProbe(Probe):
    """A sealed digital probe of 12 bits: 1/16 °C, and 85.0 °C from its register until its first conversion.

    The power-on value and the resolution are those of the usual three-wire part's data sheet.
    """

    POWER_ON_C = 85.0

    def __init__(self, rng: random.Random, lag_s: float = 20.0, noise: float = 0.02) -> None:
        super().__init__(rng, lag_s, noise, 0.0625, 4)
        self._converted = False

    def power_on(self) -> None:
        self._converted = False

    def read(self, true_value: float, dt_s: float) -> float | None:
        value = super().read(true_value, dt_s)
        if not self._converted:
            self._converted = True
            return self.POWER_ON_C
        return value


class PhElectrode(Probe):
    """A glass electrode behind its board, calibrated, with the slow drift that calibration is for."""

    def __init__(
        self,
        rng: random.Random,
        lag_s: float = 30.0,
        noise: float = 0.006,
        drift_per_day: float = 0.001,
    ) -> None:
        super().__init__(rng, lag_s, noise, 0.01, 2)
        self._drift_per_day = drift_per_day
        self._drift = 0.0

    def read(self, true_value: float, dt_s: float) -> float | None:
        self._drift += self._drift_per_day * dt_s / 86_400
        return super().read(true_value + self._drift, dt_s)


class LightSensor(Probe):
    """A digital lux sensor of 16 bits; its noise grows with the light."""

    FULL_SCALE_LX = 54_612.0  # 65535 counts at 1.2 counts a lux

    def __init__(self, rng: random.Random, relative_noise: float = 0.006) -> None:
        super().__init__(rng, 0.0, 0.0, 1.0, 0)
        self._relative_noise = relative_noise

    def read(self, true_value: float, dt_s: float) -> float | None:
        seen = true_value * (1 + self._rng.gauss(0.0, self._relative_noise))
        return super().read(min(max(seen, 0.0), self.FULL_SCALE_LX), dt_s)
