"""How far below where the heater comes on the water has been, and came back by itself.

One of two heaters comes on first; what it can't hold in a cold night, the other holds, lower. A weak heater
makes up in the morning for what it lost in the night. So, of water that has been as low in the last weeks and
came back with nobody at the tank, a fall to there is no sign of a heater that has failed: a tank sinks so
about as often as it was seen to, and a heater dies once in years.
"""

from __future__ import annotations

from typing import Annotated

import msgspec

from rushlight.analysis.estimators.units import DAY_MS, HOUR_MS
from rushlight.analysis.numbers import Numbers, Of

__all__ = ["CAME_BACK", "CameBack", "CameBackNumbers"]


class CameBackNumbers(Numbers, frozen=True, kw_only=True):
    """Which water has come back by itself."""

    kept_d: Annotated[
        float, Of("d", "so long it counts that the water came back: after that the weather is another")
    ] = 14.0
    rise_c: Annotated[
        float, Of("°C", "water that has risen by so much has come back: a thermostat's swing, at least")
    ] = 0.3
    most_c: Annotated[
        float, Of("°C", "lower is no other heater: two dials that stand alike differ by that, at most")
    ] = 1.0
    least_c: Annotated[
        float,
        Of("°C", "nearer below where the heater comes on is its own scatter, or a little water poured in"),
    ] = 0.3
    pace_c_per_h: Annotated[
        float, Of("°C/h", "water that sank faster was poured in, as far as anybody can tell")
    ] = 0.5
    days: Annotated[
        int,
        Of("", "on so many days, at least: once may be water poured in slowly, or somebody who put it right"),
    ] = 2


CAME_BACK = CameBackNumbers()


class CameBack(msgspec.Struct):
    """State; °C and ms UTC.

    The water's last peak was `high`, at `from_ms`; `low` is the lowest since then, at `low_ms`; None before
    the first value. `spoilt`: somebody was at the tank since. `lows` are the lowest of each day of those from
    which it came back, `times` when it first had on that day.
    """

    from_ms: int = -1
    low: float | None = None
    low_ms: int = -1
    high: float = 0.0
    spoilt: bool = False
    lows: list[float] = msgspec.field(default_factory=list)
    times: list[int] = msgspec.field(default_factory=list)

    def add(self, now_ms: int, celsius: float, calm: bool) -> None:
        """A five-minute mean; `calm`: nobody is at the tank."""
        while self.times and now_ms - self.times[0] > CAME_BACK.kept_d * DAY_MS:
            del self.times[0], self.lows[0]
        self.spoilt = self.spoilt or not calm
        if self.low is None or celsius >= self.high:
            self._peak(now_ms, celsius, calm)
        elif celsius < self.low:
            self.low, self.low_ms = celsius, now_ms
        elif celsius >= self.low + CAME_BACK.rise_c <= self.high:
            pace = (self.high - self.low) * HOUR_MS / max(1, self.low_ms - self.from_ms)
            if not self.spoilt and pace <= CAME_BACK.pace_c_per_h:
                self._keep(now_ms, self.low)
            self._peak(now_ms, celsius, calm)

    def _peak(self, now_ms: int, celsius: float, calm: bool) -> None:
        self.low = self.high = celsius
        self.from_ms = self.low_ms = now_ms
        self.spoilt = not calm

    def _keep(self, now_ms: int, low: float) -> None:
        if self.times and now_ms - self.times[-1] < DAY_MS:
            self.lows[-1] = min(self.lows[-1], low)
            return
        self.lows.append(low)
        self.times.append(now_ms)

    def lowest(self, level: float, usual: float) -> float:
        """From where (°C) the water came back by itself; `level` (°C) where it was not far enough below.

        `usual` (°C) is where the heater comes on most often, `level` what it is taken to hold the water from.
        """
        first, last = usual - CAME_BACK.most_c, usual - CAME_BACK.least_c
        within = sorted(low for low in self.lows if first <= low <= last)
        return min([level, *within[CAME_BACK.days - 1 : CAME_BACK.days]])
