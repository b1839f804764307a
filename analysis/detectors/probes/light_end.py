"""Where a light meter ends, and for how long the sun keeps it there.

At its end a meter gives one and the same value. The sun comes to it through daylight, every clear day, and
for no longer than a day is; a cut cable leaps there from the lamp's light and stays.
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.probes.numbers import LIGHT_END
from rushlight.analysis.estimators.units import DAY_MS, MINUTE_MS

__all__ = ["LightEnd"]


class LightEnd(msgspec.Struct):
    """What is known of one meter's end. O(1) a frame.

    Attributes
    ----------
    lux : float
        Where this meter ends, as it has shown by itself; 0 where it has not.
    top, top_day : float, int
        The highest value on which it has rested, lx, and on which day (UTC, since 1970).
    longest_min : list of float
        The longest stay at its end of each of the last days that had one, minutes.
    stayed_day : int
        The day of the newest of them.
    before : float
        The last light before it came to its end, lx.
    """

    lux: float = 0.0
    top: float = 0.0
    top_day: int = -1
    longest_min: list[float] = msgspec.field(default_factory=list)
    stayed_day: int = -1
    before: float = 0.0

    def rested(self, lux: float, since_ms: int) -> None:
        """It has rested there since then (ms UTC). On two days the same highest rest is its end."""
        if lux < max(LIGHT_END.least_lx, self.top - LIGHT_END.same_lx):
            return
        day = since_ms // DAY_MS
        if abs(lux - self.top) > LIGHT_END.same_lx:
            self.top, self.top_day = lux, day
        elif day > self.top_day:
            self.lux, self.top_day = self.top, day

    def at(self, lux: float) -> bool:
        """Whether a value is the end that this meter has shown."""
        if self.lux <= 0:
            return False
        if lux > self.lux + LIGHT_END.same_lx:
            self.lux = 0.0  # it goes further than that
        return abs(lux - self.lux) <= LIGHT_END.same_lx

    def stayed(self, span_ms: int, now_ms: int) -> None:
        """It has left its end after so long. Longer than any day is no sun, and nothing to be learnt from."""
        minutes, day = span_ms / MINUTE_MS, now_ms // DAY_MS
        if not 0 < minutes < LIGHT_END.longest_min:
            return
        if day != self.stayed_day:
            self.longest_min.append(0.0)
            del self.longest_min[: -LIGHT_END.days_kept]
            self.stayed_day = day
        self.longest_min[-1] = max(self.longest_min[-1], minutes)

    def limit_ms(self, end: float) -> int:
        """So long at its end (lx) is no sun."""
        if self.before > LIGHT_END.daylight_share * end:
            return LIGHT_END.longest_min * MINUTE_MS  # it came there as the sun does
        usual = max(self.longest_min, default=0.0) + LIGHT_END.more_min
        minutes = min(max(float(LIGHT_END.first_min), usual), float(LIGHT_END.longest_min))
        return round(minutes * MINUTE_MS)
