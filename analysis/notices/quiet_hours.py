"""The hours in which to keep quiet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from rushlight.analysis.alarms.rationale import RATIONALE
from rushlight.collector.events import PRIORITY_RANK, Event
from rushlight.collector.settings import NoticeSettings, parse_time_of_day
from rushlight.collector.store.records import Notice

__all__ = ["QUIET", "TIME_TO_ACT_MS", "QuietHours", "for_the_morning", "harm_ms", "quiet_lines"]

TIME_TO_ACT_MS = 3_600_000
"""Harm must be at least this long after the quiet hours for the morning to be soon enough: a person has to
wake, read and go. Common practice, no source."""


QUIET = "quiet hours"
"""Why a notice waits, where failing has pushed it into them."""


def for_the_morning(notice: Notice, now_ms: int, resend_ms: int, storm_ms: int) -> bool:
    """Whether a notice waits for the end of quiet hours, and for nothing else.

    Parameters
    ----------
    resend_ms : int
        Before that a reminder is not due in any case.
    storm_ms : int
        What waits for no longer is being gathered with others; -1 where that counts, too.
    """
    if notice.next_attempt_ms <= now_ms:
        return False
    if notice.error != QUIET:
        if notice.not_before_ms <= now_ms:
            return False  # it waits for its target
        if notice.not_before_ms - notice.created_ms <= storm_ms:
            return False
    return not (notice.number and notice.created_ms + resend_ms > now_ms)


class QuietHours:
    """When a person is not to be woken, and by what all the same.

    What can kill before the quiet hours end wakes, always: settings can only add to that.

    Parameters
    ----------
    settings : NoticeSettings
    timezone : str
        IANA name, where the settings name none.
    """

    def __init__(self, settings: NoticeSettings, timezone: str) -> None:
        self._zone = ZoneInfo(settings.quiet_timezone or timezone)
        self._wake_for = frozenset(settings.wake_for)
        self._span: tuple[int, int] | None = None
        if settings.quiet_from is not None and settings.quiet_to is not None:
            self._span = parse_time_of_day(settings.quiet_from), parse_time_of_day(settings.quiet_to)

    @property
    def any(self) -> bool:
        """Whether the settings have quiet hours at all."""
        return self._span is not None

    def end_ms(self, alarm: str, priority: str, at_ms: int, harm_at_ms: int | None = None) -> int:
        """End of the quiet hours if `at_ms` is in them and this must not wake anyone, else 0.

        Parameters
        ----------
        alarm, priority : str
        at_ms : int
            When it would be sent, ms UTC.
        harm_at_ms : int, optional
            When animals come to harm, as estimated; None where that can't be said.
        """
        if self._span is None or priority == "critical" or alarm in self._wake_for:
            return 0
        start, end = self._span
        local = datetime.fromtimestamp(at_ms / 1000, self._zone)
        minute = local.hour * 60 + local.minute
        if not (start <= minute < end if start <= end else minute >= start or minute < end):
            return 0
        day = local.date() + timedelta(days=1 if minute >= end else 0)
        wakes = datetime(day.year, day.month, day.day, end // 60, end % 60, tzinfo=self._zone)
        end_ms = round(wakes.timestamp() * 1000)
        return 0 if _deadly(alarm, priority, harm_at_ms, end_ms) else end_ms


def _deadly(alarm: str, priority: str, harm_at_ms: int | None, end_ms: int) -> bool:
    """Whether it can kill, or hide what kills, before a person looks in the morning."""
    row = RATIONALE.get(alarm)
    if row is None or row.wakes_from is None:
        return False
    if PRIORITY_RANK[priority] < PRIORITY_RANK[row.wakes_from]:
        return False
    return harm_at_ms is None or harm_at_ms < end_ms + TIME_TO_ACT_MS


def harm_ms(events: Sequence[Event]) -> int | None:
    """When harm comes by the last word on an alarm (ms UTC); None where that can't be said."""
    said = [event for event in events if event.event in ("raised", "priority-changed")]
    if not said or said[-1].time_left_s is None:
        return None
    moment = datetime.fromisoformat(said[-1].time).timestamp()
    return round((moment + said[-1].time_left_s) * 1000)


def quiet_lines(settings: NoticeSettings, timezone: str) -> Iterator[str]:
    """What wakes and what waits by these settings, in words, for `rushlight check`."""
    if settings.quiet_from is None or settings.quiet_to is None:
        yield "Quiet hours: none, so every alarm is sent at any hour (notices.quiet_from and quiet_to)."
        return
    end = parse_time_of_day(settings.quiet_to)
    late = (end + TIME_TO_ACT_MS // 60_000) % 1440
    added = frozenset(settings.wake_for)
    always, by_time, by_priority, waits = [], [], [], []
    for name, row in RATIONALE.items():
        if name in added or row.least_priority == "critical":
            always.append(name)
        elif row.wakes_from is None:
            waits.append(name)
        elif PRIORITY_RANK[row.wakes_from] > 0:
            by_priority.append(f"{name} if {row.wakes_from} or critical")
        else:
            by_time.append(name)
    zone = settings.quiet_timezone or timezone
    yield f"Quiet from {settings.quiet_from} to {settings.quiet_to} ({zone}):"
    yield f"  wakes you   {', '.join([*always, 'whatever is critical'])}"
    if by_time or by_priority:
        yield (
            f"  wakes you   {', '.join([*by_time, *by_priority])}; unless there is surely time until "
            f"after {late // 60:02d}:{late % 60:02d}"
        )
    yield f"  waits       {', '.join(waits)}; sent at {settings.quiet_to}"
