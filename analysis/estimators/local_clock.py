"""The tank's own clock: minutes of the day in its time zone."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from rushlight.analysis.estimators.numbers import CLOCK
from rushlight.analysis.estimators.units import DAY_MS, MINUTE_MS

__all__ = ["LocalClock"]


_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


class LocalClock:
    """Local minute of day and day number from UTC milliseconds; looks the zone up once a quarter-hour."""

    def __init__(self, timezone: str) -> None:
        self._zone = ZoneInfo(timezone)
        self._until = self._from = 0
        self._offset = 0

    def offset_ms(self, time_ms: int) -> int:
        """Offset from UTC at that moment, in ms (offsets only change on quarter-hours)."""
        if not self._from <= time_ms < self._until:
            self._from = time_ms // CLOCK.zone_step_ms * CLOCK.zone_step_ms
            self._until = self._from + CLOCK.zone_step_ms
            moment = datetime.fromtimestamp(self._from / 1000, UTC).astimezone(self._zone)
            delta = moment.utcoffset()
            self._offset = int(delta.total_seconds() * 1000) if delta else 0
        return self._offset

    def local(self, time_ms: int) -> tuple[int, float]:
        """(day number, minutes after local midnight)."""
        day, rest = divmod(time_ms + self.offset_ms(time_ms), DAY_MS)
        return day, rest / MINUTE_MS

    def moment_text(self, time_ms: int) -> str:
        """Day, month and time, local, to the minute: "27 Nov, 14:05"."""
        day, minute = self.local(time_ms)
        date = datetime.fromtimestamp(day * DAY_MS / 1000, UTC)
        return f"{date.day} {_MONTHS[date.month - 1]}, {int(minute) // 60:02d}:{int(minute) % 60:02d}"

    def text(self, time_ms: int) -> str:
        """HH:MM, local."""
        minute = int(self.local(time_ms)[1])
        return f"{minute // 60:02d}:{minute % 60:02d}"
