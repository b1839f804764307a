"""A thermostat's cycle in the water: where the heater lets go, and how fast it heats.

Water that is held by a thermostat turns up and down between two levels, within minutes; a day's own peak is
round. A turn counts once the water has gone back by several standard errors of a value.
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.heat.likelihood_numbers import CYCLE, WEIGHED
from rushlight.analysis.estimators.robust import median, spread
from rushlight.analysis.estimators.units import HOUR_MS

__all__ = ["HeaterCycle"]


class HeaterCycle(msgspec.Struct, dict=True):
    """State of one tank's cycle; what follows from `tops` and `heats` is kept beside them.

    Attributes
    ----------
    rising : bool or None
        Whether the last turn was upwards; None before the first.
    turned_c, turned_ms : float, int
        The last turn.
    peak_c, peak_ms : float, int
        The furthest value since.
    fall : float
        Slope before the last turn upwards (°C/h).
    tops : list of float
        Where the heater let go (°C), the newest last.
    heats : list of float
        By how much the water's slope changed while it was on (°C/h).
    from_c : float
        The last turn upwards (°C).
    let_go_ms : int
        When it was seen to let go (ms UTC), -1 where it was not since.
    by_heater : bool
        The last turn upwards was the heater's: it is on until the water has come to `top`.
    """

    rising: bool | None = None
    turned_c: float = 0.0
    turned_ms: int = -1
    peak_c: float = 0.0
    peak_ms: int = -1
    fall: float = 0.0
    tops: list[float] = msgspec.field(default_factory=list)
    heats: list[float] = msgspec.field(default_factory=list)
    by_heater: bool = False
    let_go_ms: int = -1
    from_c: float = 0.0

    def restart(self) -> None:
        """After a gap or a hand in the tank; what was learnt stays."""
        self.rising, self.peak_ms, self.by_heater, self.let_go_ms = None, -1, False, -1

    def add(self, now_ms: int, celsius: float, noise: float, rate: float, learn: bool) -> float | None:
        """A five-minute mean; the level (°C) at which the heater was seen to come on, where it just was.

        `noise` is its standard error, `rate` what the heater should give (°C/h); `learn` False: lamp or
        person may have made the turn.
        """
        if self.peak_ms < 0:
            self.turned_c = self.peak_c = celsius
            self.turned_ms = self.peak_ms = now_ms
            return None
        turn = max(CYCLE.turn_c, CYCLE.turn_noises * noise)
        if self.rising is None:  # which way it goes is not known yet
            if abs(celsius - self.turned_c) >= turn:
                self.rising, self.peak_c, self.peak_ms = celsius > self.turned_c, celsius, now_ms
            return None
        beyond = celsius - self.peak_c if self.rising else self.peak_c - celsius
        if beyond >= 0:
            self.peak_c, self.peak_ms = celsius, now_ms
        elif -beyond >= turn:
            return self._turn(now_ms, celsius, rate, learn)
        return None

    def _turn(self, now_ms: int, celsius: float, rate: float, learn: bool) -> float | None:
        before = (self.peak_c - self.turned_c) / max(1, self.peak_ms - self.turned_ms) * HOUR_MS
        after = (celsius - self.peak_c) / max(1, now_ms - self.peak_ms) * HOUR_MS
        sharp = abs(after - before) > max(CYCLE.least_c_per_h, CYCLE.share * rate)
        heated, fell = self.by_heater, self.fall
        self.turned_c, self.turned_ms = self.peak_c, self.peak_ms
        self.peak_c, self.peak_ms = celsius, now_ms
        self.rising = not self.rising
        self.let_go_ms = self.turned_ms if sharp and learn and not self.rising else -1
        if self.rising:
            self.by_heater = sharp and learn
            self.from_c = self.turned_c
            self.fall = before
            return self.turned_c if self.by_heater else None
        if heated and sharp and learn:
            _keep(self.tops, self.turned_c)
            _keep(self.heats, before - fell)
            self.__dict__.clear()
        return None

    def heated_from(self, comes_on: float | None) -> float | None:
        """Where the last rise began (°C) if that is where the heater comes on."""
        near = comes_on is not None and 0 < self.from_c < comes_on + WEIGHED.came_on_c
        return self.from_c if near else None

    @property
    def top(self) -> tuple[float, float, float] | None:
        """Where the heater lets go: (lowest, highest that counts, spread) in °C; None before it is known."""
        if len(self.tops) < CYCLE.tops:
            return None
        kept: tuple[float, float, float] | None = self.__dict__.get("kept_top")
        if kept is None:
            ordered = sorted(self.tops)
            last = len(ordered) - 1
            low, high = ordered[int(last * CYCLE.low_share)], ordered[round(last * CYCLE.high_share)]
            kept = self.__dict__["kept_top"] = low, high, spread(ordered)
        return kept

    @property
    def heat(self) -> float | None:
        """What the heater gives, °C/h; None before it is known."""
        return median(self.heats) if len(self.heats) >= CYCLE.heats else None


def _keep(values: list[float], value: float) -> None:
    values.append(value)
    del values[: -CYCLE.kept]
