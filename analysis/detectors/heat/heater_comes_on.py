"""Where this tank's heater comes on, learnt from having seen it do so.

The lowest water of a day says nothing of the heater where the room kept it warm. What says something is the
heater at work: by the meter, or by a corner in the curve, where falling water turns and rises within minutes,
at about the pace the heater's watts give this much water. A day's own trough is round.
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.estimators.robust import median, spread
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.estimators.window import Window

__all__ = ["HeaterMemory"]

ARM = 8  # five-minute values on each side of a corner
ENOUGH_CORNERS = 3  # a corner may be something else; the meter is sure the first time
SETTLE_MS = 45 * MINUTE_MS
STALE_MS = 10 * MINUTE_MS


class HeaterMemory(msgspec.Struct):
    """`picks` are the lowest temperatures (°C) at which it was seen to come on, the newest last."""

    picks: list[float] = msgspec.field(default_factory=list)
    last_pick_ms: int = -1
    watts: Window = msgspec.field(default_factory=lambda: Window(10))
    peak_watts: float = 0.0
    metered: bool = False
    on_since: int = -1
    lowest: float = 0.0

    def meter(self, now_ms: int, watts: float, temperature: float | None, full: float, calm: bool) -> None:
        """One minute of the metering plug; `calm`: nobody is at the tank."""
        self.watts.add(now_ms, watts)
        if len(self.watts.values) >= 3:  # one reading alone may be the plug's
            self.peak_watts = max(self.peak_watts, min(self.watts.values[-3:]))
        self.metered = True
        if temperature is None or full < 5:
            return
        last = self.watts.values[-3:]
        if len(last) == 3 and min(last) > 0.4 * full:
            if self.on_since < 0:
                self.on_since, self.lowest = (now_ms if calm else 0), temperature
            elif self.on_since > 0 and temperature < self.lowest:
                self.lowest = temperature
            if self.on_since > 0 and (not calm or now_ms - self.on_since >= SETTLE_MS):
                self._switched(now_ms, calm)
        elif max(last) < 0.1 * full:
            if self.on_since > 0:
                self._switched(now_ms, calm)
            self.on_since = -1

    def _switched(self, now_ms: int, calm: bool) -> None:
        if calm:
            self._keep(now_ms, self.lowest)
        self.on_since = 0  # this time is counted

    def corner(self, window: Window, rate: float) -> bool:
        """A five-minute value was added to `window`; whether falling water was seen turned up by heat."""
        values = window.values
        if len(values) < 2 * ARM + 1 or window.times[-1] - self.last_pick_ms < SETTLE_MS:
            return False
        near = values[-2 * ARM - 1 :]
        lowest = min(near[ARM - 1 : ARM + 2])
        if lowest > min(near) + 0.01:
            return False
        before, after = _slope(near[:ARM]), _slope(near[ARM + 1 :])
        if before > -0.03 or after < 0.05 or after - before < max(0.15, 0.35 * rate):
            return False
        self._keep(window.times[-1], lowest)
        return True

    def _keep(self, now_ms: int, temperature: float) -> None:
        self.last_pick_ms = now_ms
        self.picks.append(temperature)
        del self.picks[:-12]

    def power(self, now_ms: int) -> float | None:
        """What it draws, W: the middle of the last minutes; None where no meter reports."""
        watts = self.watts
        if not watts.times or now_ms - watts.times[-1] > STALE_MS:
            return None
        return median(watts.values)

    def holds_from(self, setpoint: float | None) -> float | None:
        """The lowest that the heater lets the water fall to, °C.

        The dial is off by a degree as often as not, and the thermostat swings: until the heater has been
        seen at work, much is allowed. None where neither the settings nor the tank have told.
        """
        picks = self.picks
        if len(picks) < (1 if self.metered else ENOUGH_CORNERS):
            return min([setpoint - 1.3, *picks]) if setpoint is not None else None
        usual = sorted(picks)[(len(picks) - 1) // 4]
        return usual if setpoint is None else min(max(usual, setpoint - 2.5), setpoint + 0.3)

    @property
    def sure(self) -> bool:
        """Whether it has come on at one temperature so often that a little below it says something."""
        return len(self.picks) >= 6 and spread(self.picks) < 0.1

    def moved_to(self) -> None:
        """It came on lower than it was thought to hold: what was learnt before holds no more."""
        del self.picks[:-1]


def _slope(values: list[float]) -> float:
    """Least-squares slope in °C/h of values five minutes apart."""
    n = len(values)
    middle = (n - 1) / 2
    total = sum((i - middle) * value for i, value in enumerate(values))
    return 12 * total / (n * (n * n - 1) / 12)
