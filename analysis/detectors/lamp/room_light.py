"""How bright it gets at each hour while the lamp is out: sun, sky, the room's own lamps."""

from __future__ import annotations

import math

import msgspec

from rushlight.analysis.detectors.lamp.numbers import ROOM_LIGHT
from rushlight.analysis.detectors.lamp.schedule import DAY_MIN

__all__ = ["Daylight"]


def _bins() -> int:
    return math.ceil(DAY_MIN / ROOM_LIGHT.bin_min)


class Daylight(msgspec.Struct):
    """The brightest light of each half-hour of the day, lamp out, over the last week or two.

    A mean over days won't do: the first clear day after a cloudy week is brighter than any mean.
    """

    highest: list[float] = msgspec.field(default_factory=lambda: [0.0] * _bins())
    days: list[int] = msgspec.field(default_factory=lambda: [0] * _bins())
    bin: int = -1
    peak: float = 0.0
    count: int = 0
    fresh: list[tuple[int, float]] = msgspec.field(default_factory=list)

    def add(self, minute_of_day: float, lux: float | None, lapsed: int = 1) -> None:
        """One frame, of so many minutes; None where the lamp is lit or may be."""
        index = int(minute_of_day // ROOM_LIGHT.bin_min)
        if index != self.bin:
            self.fresh.append((self.bin, self.peak if self.count >= ROOM_LIGHT.least_minutes else -1.0))
            if len(self.fresh) > ROOM_LIGHT.wait_bins:
                self._keep(*self.fresh.pop(0))
            self.bin, self.peak, self.count = index, 0.0, 0
        if lux is not None:
            self.count += lapsed
            if lux > self.peak:
                self.peak = lux

    def _keep(self, index: int, peak: float) -> None:
        if index >= 0 and peak >= 0:
            self.highest[index] = max(peak, ROOM_LIGHT.fades_per_day * self.highest[index])
            self.days[index] += 1

    def forget(self) -> None:
        """What was seen in the last hours was the lamp after all."""
        self.fresh.clear()
        self.peak, self.count = 0.0, 0

    def at(self, minute_of_day: float, least_days: int = 1) -> float | None:
        """Lux that daylight has reached at about this hour; None where fewer days were seen."""
        here = int(minute_of_day // ROOM_LIGHT.bin_min)
        bins = len(self.highest)
        near = (here - 1) % bins, here, (here + 1) % bins
        if self.days[here] < least_days:
            return None
        return max(self.highest[index] for index in near)
