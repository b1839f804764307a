"""When the water turns from warming to cooling: at one temperature where a thermostat does it."""

from __future__ import annotations

import msgspec

from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.estimators.window import Window

__all__ = ["HeaterTurns", "Turn"]

BEFORE_MIN, AFTER_MIN, MOST_AFTER_MIN = 35, 22, 90
CHANGE_C_PER_H = 0.2
SHORT_C = 0.1  # what the turns of one thermostat differ by, as a probe sees them; common practice, no source
KEPT = 8
TOGETHER_MIN = 7.5  # lamp out and heater off by one cause: no further apart than probes lag
RARE_MIN = 150  # between one turn and the next
KEPT_OFFS = 6
LAMP_C_PER_H = (
    0.2  # what a lamp over a small tank warms it by, until this one is known; common practice, no source
)
HOUR_MS = 60 * MINUTE_MS

_Line = tuple[float, float]


class Turn(msgspec.Struct, frozen=True):
    """One turn: when, at what °C, and the slopes before and after it in °C an hour."""

    time_ms: int
    celsius: float
    before: float
    after: float


class HeaterTurns(msgspec.Struct):
    """The water's course of the last three hours, and when and at how many °C the heater let go of late."""

    course: Window = msgspec.field(default_factory=lambda: Window(36))
    tops: list[float] = msgspec.field(default_factory=list)
    times: list[int] = msgspec.field(default_factory=list)
    off_ms: int = -1
    lamp_drops: list[float] = msgspec.field(default_factory=list)

    @property
    def top(self) -> float | None:
        """Where the heater lets go, °C; None before three turns."""
        return median(self.tops) if len(self.tops) >= 3 else None

    def add(self, now_ms: int, celsius: float, usual: float | None, learn: bool, off_ms: int = -1) -> None:
        """A value every five minutes.

        `usual` is the slope of the unheated water, °C/h; `off_ms` when the lamp last went off in its time.
        """
        self.course.add(now_ms, celsius)
        if not learn or usual is None:
            return
        if off_ms > self.off_ms and 40 * MINUTE_MS <= now_ms - off_ms <= 60 * MINUTE_MS:
            self.off_ms = off_ms
            rise, fall = self._lines(off_ms, now_ms)
            if rise is not None and fall is not None:
                self.lamp_drops.append(rise[0] - fall[0])
                del self.lamp_drops[:-KEPT_OFFS]
        turn = self.between(now_ms - 50 * MINUTE_MS, now_ms - 30 * MINUTE_MS, usual)
        if turn is not None and (not self.times or turn.time_ms - self.times[-1] > 40 * MINUTE_MS):
            self.times.append(turn.time_ms)
            self.tops.append(turn.celsius)
            del self.times[:-KEPT]
            del self.tops[:-KEPT]

    def between(self, first_ms: int, last_ms: int, usual: float) -> Turn | None:
        """The turn in that span: heated before, as cool as unheated water after; None where there is none."""
        times, values = self.course.times, self.course.values
        within = [i for i, at in enumerate(times) if first_ms <= at <= last_ms]
        if not within:
            return None
        around = range(max(0, within[0] - 2), min(len(values), within[-1] + 3))
        peak = max(around, key=lambda i: values[i])
        if not within[0] <= peak <= within[-1]:
            return None  # still rising, or falling since long
        peak_ms, now_ms = times[peak], times[-1]
        if not AFTER_MIN * MINUTE_MS <= now_ms - peak_ms <= MOST_AFTER_MIN * MINUTE_MS:
            return None
        rise, fall = self._lines(peak_ms, now_ms)
        if rise is None or fall is None:
            return None
        before, after = rise[0], fall[0]
        heated = before > max(0.04, usual + CHANGE_C_PER_H)
        cools = after < min(-0.1, 0.6 * usual) and before - after > CHANGE_C_PER_H
        if not heated or not cools:
            return None
        # where the two lines meet: a probe of coarse steps shows the turn itself late
        hours = (fall[1] - rise[1]) / (before - after)
        hours = min(max(hours, -0.4), 0.4)
        return Turn(peak_ms + round(hours * HOUR_MS), values[peak], before, after)

    def with_lamp(self, lamp_ms: int, usual: float) -> Turn | None:
        """A turn together with the lamp's going that is no thermostat's doing.

        Either it is short of where the heater lets go, or the heater lets go so rarely that it would be a
        strange chance to do it in that very minute. The lamp warms the water too: what is missing must be
        more than at its ordinary going.
        """
        top = self.top
        if top is None:
            return None
        reach = int(TOGETHER_MIN * MINUTE_MS)
        turn = self.between(lamp_ms - 2 * reach, lamp_ms + 2 * reach, usual)
        if turn is None or abs(turn.time_ms - lamp_ms) > reach:
            return None
        lamp = max(0.0, median(self.lamp_drops)) if self.lamp_drops else LAMP_C_PER_H
        if turn.before - turn.after < CHANGE_C_PER_H + lamp:
            return None
        apart = (self.times[-1] - self.times[0]) / (len(self.times) - 1)
        return turn if apart > RARE_MIN * MINUTE_MS or turn.celsius < top - SHORT_C else None

    def _lines(self, turn_ms: int, now_ms: int) -> tuple[_Line | None, _Line | None]:
        """The water's course before and after a moment."""
        before = self._line(turn_ms - BEFORE_MIN * MINUTE_MS, turn_ms, turn_ms, 6)
        return before, self._line(turn_ms + 1, now_ms, turn_ms, 5)

    def _line(self, first_ms: int, last_ms: int, zero_ms: int, least: int) -> _Line | None:
        """Least squares over a span: (°C an hour, °C at `zero_ms`)."""
        pairs = zip(self.course.times, self.course.values, strict=True)
        points = [((at - zero_ms) / HOUR_MS, v) for at, v in pairs if first_ms <= at <= last_ms]
        n = len(points)
        if n < least:
            return None
        mean_x, mean_y = sum(x for x, _ in points) / n, sum(y for _, y in points) / n
        spread = sum((x - mean_x) ** 2 for x, _ in points)
        if spread <= 0:
            return None
        slope = sum((x - mean_x) * (y - mean_y) for x, y in points) / spread
        return slope, mean_y - slope * mean_x
