"""What may have put the timer's clock wrong: daylight saving, a power cut, a gap in the reports."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.lamp.drift import LampDrift
from rushlight.analysis.detectors.lamp.drift_numbers import DRIFT
from rushlight.analysis.detectors.lamp.numbers import TIMER
from rushlight.analysis.detectors.moment import Tank
from rushlight.analysis.estimators.local_clock import LocalClock
from rushlight.analysis.estimators.units import DAY_MS, MINUTE_MS

__all__ = ["TimerClock", "error_min"]


class TimerClock(msgspec.Struct):
    """State.

    Attributes
    ----------
    last_ms, last_offset : int
        The last frame (ms UTC; −1 before) and the offset from UTC then (ms).
    changed_ms : int
        When the clocks last changed (ms UTC; −1: not seen).
    step_min : float
        By how much; positive in spring.
    cut_ms : int
        When the power was last seen or thought to be cut (ms UTC; −1: never).
    """

    last_ms: int = -1
    last_offset: int = 0
    changed_ms: int = -1
    step_min: float = 0.0
    cut_ms: int = -1

    def watch(self, tank: Tank, now: int) -> None:
        """One frame."""
        offset = tank.clock.offset_ms(now)
        if offset != self.last_offset:
            if self.last_ms >= 0:
                self.changed_ms = now
                self.step_min = (offset - self.last_offset) / MINUTE_MS
            self.last_offset = offset
        if self.last_ms >= 0 and now - self.last_ms > TIMER.gap_min * MINUTE_MS:
            self.cut_ms = now
        self.last_ms = now

    def repeats(self, now: int) -> bool:
        """Whether this hour was already there, before the clocks were put back: what is due of it is done."""
        return self.changed_ms >= 0 and now - self.changed_ms < -self.step_min * MINUTE_MS

    def came_back(self, edge_ms: int, out_ms: int) -> None:
        """The lamp came back after `out_ms`: it may have been a power cut, in which the timer stopped."""
        if out_ms > TIMER.cut_min * MINUTE_MS:
            self.cut_ms = edge_ms

    def hour_off(self, now: int, drift: LampDrift) -> bool:
        """Whether the timer is likely to be an hour off: it has not followed the clocks, or never fitted."""
        if not drift.fitted:
            return True  # the settings may be wrong, too
        if self.changed_ms < 0 or now - self.changed_ms >= TIMER.clock_days * DAY_MS:
            return False
        days = drift.error_days
        followed = not drift.standing and bool(days) and days[-1] * DAY_MS > self.changed_ms
        return not followed

    def explains(self, now: int, drift: LampDrift) -> bool:
        """Whether there is a reason for one clear switching at the wrong time to be believed at once."""
        waiting = drift.waiting
        if waiting is None:
            return False
        recent = self.changed_ms >= 0 and now - self.changed_ms < DRIFT.clock_change_d * DAY_MS
        if recent and abs(waiting.error - self.step_min) < DRIFT.agree_min:
            return True
        # out early on a day on which it came on as always: it has gone out, the timer is right
        gone = waiting.sign < 0 and waiting.error < 0
        return not gone and self.cut_ms >= 0 and now - self.cut_ms < TIMER.cut_d * DAY_MS


def error_min(clock: LocalClock, edge_ms: int, minute: float, due: float) -> float:
    """How late a switching at `minute` (local) is that was `due`, minutes; negative: early.

    Where the clocks skipped an hour in between, in spring, nobody waited for that hour.
    """
    error = minute - due
    step_ms = clock.offset_ms(edge_ms) - clock.offset_ms(edge_ms - round(error * MINUTE_MS))
    skipped = error - step_ms / MINUTE_MS if step_ms * error > 0 else error
    return min(error, skipped, key=abs)
