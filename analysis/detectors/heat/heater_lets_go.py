"""When the water turns from warming to cooling: at one temperature where a thermostat does it."""

from __future__ import annotations

import bisect

import msgspec

from rushlight.analysis.detectors.heat.numbers import HEAT, LETS_GO
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.estimators.window import Window

__all__ = ["HeaterTurns", "Turn"]

_Line = tuple[float, float]


class Turn(msgspec.Struct, frozen=True):
    """One turn: when, at what °C, and the slopes before and after it in °C an hour."""

    time_ms: int
    celsius: float
    before: float
    after: float


class HeaterTurns(msgspec.Struct):
    """The water's course of the last three hours, and when and at how many °C the heater let go of late."""

    course: Window = msgspec.field(default_factory=lambda: Window(HEAT.course_values))
    tops: list[float] = msgspec.field(default_factory=list)
    times: list[int] = msgspec.field(default_factory=list)
    off_ms: int = -1
    lamp_drops: list[float] = msgspec.field(default_factory=list)

    @property
    def top(self) -> float | None:
        """Where the heater lets go, °C; None before three turns."""
        return median(self.tops) if len(self.tops) >= LETS_GO.turns else None

    def add(self, now_ms: int, celsius: float, usual: float | None, learn: bool, off_ms: int = -1) -> None:
        """A value every five minutes.

        `usual` is the slope of the unheated water, °C/h; `off_ms` when the lamp last went off in its time.
        """
        self.course.add(now_ms, celsius)
        if not learn or usual is None:
            return
        since_ms = now_ms - off_ms
        first_ms, last_ms = LETS_GO.lamp_from_min * MINUTE_MS, LETS_GO.lamp_to_min * MINUTE_MS
        if off_ms > self.off_ms and first_ms <= since_ms <= last_ms:
            self.off_ms = off_ms
            rise, fall = self._before(off_ms), self._after(off_ms, now_ms)
            if rise is not None and fall is not None:
                self.lamp_drops.append(rise[0] - fall[0])
                del self.lamp_drops[: -LETS_GO.lamp_kept]
        turn = self.between(now_ms - LETS_GO.from_min * MINUTE_MS, now_ms - LETS_GO.to_min * MINUTE_MS, usual)
        apart_ms = LETS_GO.apart_min * MINUTE_MS
        if turn is not None and (not self.times or turn.time_ms - self.times[-1] > apart_ms):
            self.times.append(turn.time_ms)
            self.tops.append(turn.celsius)
            del self.times[: -LETS_GO.kept]
            del self.tops[: -LETS_GO.kept]

    def between(self, first_ms: int, last_ms: int, usual: float) -> Turn | None:
        """The turn in that span: heated before, as cool as unheated water after; None where there is none."""
        times, values = self.course.times, self.course.values
        first, behind = bisect.bisect_left(times, first_ms), bisect.bisect_right(times, last_ms)
        if first >= behind:
            return None
        begin = max(0, first - LETS_GO.around_values)
        around = values[begin : behind + LETS_GO.around_values]
        peak = begin + around.index(max(around))
        if not first <= peak < behind:
            return None  # still rising, or falling since long
        peak_ms, now_ms = times[peak], times[-1]
        if now_ms - peak_ms > LETS_GO.after_most_min * MINUTE_MS:
            return None
        fall = self._after(peak_ms, now_ms)
        if fall is None or fall[0] >= min(-LETS_GO.fall_c_per_h, LETS_GO.fall_share * usual):
            return None  # most of the time: it does not cool as unheated water does
        rise = self._before(peak_ms)
        if rise is None:
            return None
        before, after = rise[0], fall[0]
        heated = before > max(LETS_GO.rise_c_per_h, usual + LETS_GO.change_c_per_h)
        if not heated or before - after <= LETS_GO.change_c_per_h:
            return None
        # where the two lines meet: a probe of coarse steps shows the turn itself late
        hours = (fall[1] - rise[1]) / (before - after)
        hours = min(max(hours, -LETS_GO.shift_h), LETS_GO.shift_h)
        return Turn(peak_ms + round(hours * HOUR_MS), values[peak], before, after)

    def with_lamp(self, lamp_ms: int, usual: float) -> Turn | None:
        """A turn together with the lamp's going that is no thermostat's doing.

        Either it is short of where the heater lets go, or the heater lets go so rarely that it would be a
        strange chance to do it in that very minute. The lamp warms the water too: what is missing must be
        more than at its ordinary going.
        """
        top = self.top
        turn = None if top is None else self.together(lamp_ms, usual)
        if top is None or turn is None:
            return None
        rarely = self.apart_ms > LETS_GO.rare_min * MINUTE_MS
        return turn if rarely or turn.celsius < top - LETS_GO.short_c else None

    def together(self, lamp_ms: int, usual: float) -> Turn | None:
        """A turn in the very minutes in which the lamp went, and of more than the lamp's own heat."""
        reach = int(LETS_GO.together_min * MINUTE_MS)
        turn = self.between(lamp_ms - 2 * reach, lamp_ms + 2 * reach, usual)
        if turn is None or abs(turn.time_ms - lamp_ms) > reach:
            return None
        lamp = max(0.0, median(self.lamp_drops)) if self.lamp_drops else LETS_GO.lamp_c_per_h
        return None if turn.before - turn.after < LETS_GO.change_c_per_h + lamp else turn

    @property
    def apart_ms(self) -> float:
        """How far its turns lie apart, ms; there must be two of them."""
        return (self.times[-1] - self.times[0]) / (len(self.times) - 1)

    def _before(self, turn_ms: int) -> _Line | None:
        """The water's course up to a moment."""
        first_ms = turn_ms - LETS_GO.before_min * MINUTE_MS
        return self._line(first_ms, turn_ms, turn_ms, LETS_GO.before_values)

    def _after(self, turn_ms: int, now_ms: int) -> _Line | None:
        """The water's course since a moment."""
        return self._line(turn_ms + 1, now_ms, turn_ms, LETS_GO.after_values)

    def _line(self, first_ms: int, last_ms: int, zero_ms: int, least: int) -> _Line | None:
        """Least squares over a span: (°C an hour, °C at `zero_ms`)."""
        times = self.course.times
        first, behind = bisect.bisect_left(times, first_ms), bisect.bisect_right(times, last_ms)
        n = behind - first
        if n < least:
            return None
        pairs = zip(times[first:behind], self.course.values[first:behind], strict=True)
        points = [((at - zero_ms) / HOUR_MS, v) for at, v in pairs]
        mean_x, mean_y = sum(x for x, _ in points) / n, sum(y for _, y in points) / n
        spread = sum((x - mean_x) ** 2 for x, _ in points)
        if spread <= 0:
            return None
        slope = sum((x - mean_x) * (y - mean_y) for x, y in points) / spread
        return slope, mean_y - slope * mean_x
