"""When the water turns from warming to cooling: at one temperature where a thermostat does it."""

from __future__ import annotations

import msgspec

from analysis.detectors.base import MINUTE_MS
from analysis.trend import Window, median

__all__ = ["HeaterTurns", "Turn"]

BEFORE_MIN, AFTER_MIN, MOST_AFTER_MIN = 35, 22, 90
CHANGE_C_PER_H = 0.2
SHORT_C = 0.1  # what the turns of one thermostat differ by, as a probe sees them; common practice, no source
KEPT = 8


class Turn(msgspec.Struct, frozen=True):
    """One turn: when, at what °C, and the slopes before and after it in °C an hour."""

    time_ms: int
    celsius: float
    before: float
    after: float


class HeaterTurns(msgspec.Struct):
    """The water's course of the last three hours, and the temperatures at which the heater let go."""

    course: Window = msgspec.field(default_factory=lambda: Window(36))
    tops: list[float] = msgspec.field(default_factory=list)
    last_ms: int = -1

    @property
    def top(self) -> float | None:
        """Where the heater lets go, °C; None before three turns."""
        return median(self.tops) if len(self.tops) >= 3 else None

    def add(self, now_ms: int, celsius: float, usual: float | None, learn: bool) -> None:
        """A value every five minutes; `usual` is the slope of the unheated water, °C/h."""
        self.course.add(now_ms, celsius)
        if not learn or usual is None:
            return
        turn = self.between(now_ms - 50 * MINUTE_MS, now_ms - 30 * MINUTE_MS, usual)
        if turn is not None and turn.time_ms - self.last_ms > 20 * MINUTE_MS:
            self.last_ms = turn.time_ms
            self.tops.append(turn.celsius)
            del self.tops[:-KEPT]

    def between(self, first_ms: int, last_ms: int, usual: float) -> Turn | None:
        """The turn in that span: heated before, as cool as unheated water after; None where there is none."""
        times, values = self.course.times, self.course.values
        within = [i for i, at in enumerate(times) if first_ms <= at <= last_ms]
        if not within:
            return None
        peak = max(within, key=lambda i: values[i])
        peak_ms, now_ms = times[peak], times[-1]
        if not AFTER_MIN * MINUTE_MS <= now_ms - peak_ms <= MOST_AFTER_MIN * MINUTE_MS:
            return None
        before = self._slope(peak_ms - BEFORE_MIN * MINUTE_MS, peak_ms, 6)
        after = self._slope(peak_ms + 1, now_ms, 5)
        if before is None or after is None:
            return None
        heated = before > max(0.04, usual + CHANGE_C_PER_H)
        cools = after < min(-0.08, 0.55 * usual) and before - after > CHANGE_C_PER_H
        return Turn(peak_ms, values[peak], before, after) if heated and cools else None

    def cut_short(self, first_ms: int, last_ms: int, usual: float) -> Turn | None:
        """A turn in that span below where the heater lets go: not the thermostat's doing."""
        top = self.top
        if top is None:
            return None
        turn = self.between(first_ms, last_ms, usual)
        return turn if turn is not None and turn.celsius < top - SHORT_C else None

    def _slope(self, first_ms: int, last_ms: int, least: int) -> float | None:
        """Least squares, °C an hour, over a span."""
        pairs = zip(self.course.times, self.course.values, strict=True)
        points = [((at - first_ms) / (60 * MINUTE_MS), v) for at, v in pairs if first_ms <= at <= last_ms]
        n = len(points)
        if n < least:
            return None
        mean_x, mean_y = sum(x for x, _ in points) / n, sum(y for _, y in points) / n
        spread = sum((x - mean_x) ** 2 for x, _ in points)
        return sum((x - mean_x) * (y - mean_y) for x, y in points) / spread if spread > 0 else None
