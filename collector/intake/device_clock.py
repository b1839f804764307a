"""Whether a device's clock can be believed, or its report comes now and says that it is old.

A report may be old for a good reason: the device kept it while nothing could be sent, or the broker did while
the collector was away. Such a backlog shows itself. It was measured after the last report that came, or it
comes in a rush, many reports a second, or its times run on faster than the clock on the wall: it catches up.
A clock that is behind (put back, never set right, stopped) does none of that: its reports come at a board's
pace and stay as old as they are, or grow older. Of a board that reports every second or faster a rush is no
sign of anything, but a rush of ten seconds that doesn't catch up is.

One thing the times can't show: a device that sends what it kept at the pace at which it measures never
catches up, and looks like a clock that is behind.
"""

from __future__ import annotations

import msgspec

from rushlight.collector.intake.reports import Record

__all__ = ["BACKLOG_MS", "BEHIND_MS", "EARLIEST_MS", "DeviceClock", "believable"]

EARLIEST_MS = 1_577_836_800_000  # 2020-01-01T00:00Z: a clock before this was never set
AHEAD_MS = 120_000  # a device's clock may be this far ahead of the collector's
BACKLOG_MS = 31 * 86_400_000  # a device may send what it kept, up to this old

BEHIND_MS = 120_000
"""So old a report may be and count as just measured; as far as a device may be ahead (common practice)."""
_RUSH_MS = 1000  # what was kept comes faster than this, a board's own reports no faster (as in timing)
_LONG_RUSH_MS = 10_000  # by then what was kept has caught up, or there is a board that reports so fast
_CATCHES_UP = 1.5  # its times run on so many times faster than the clock
_DOUBTED = 2  # old reports in a row that keep a pace: the next is stamped on arrival
_DOUBTED_AT_ONCE = 1  # where they can't have waited: they say they are older than one that came before


class DeviceClock(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Given each report that has a plausible time; all times ms UTC.

    Attributes
    ----------
    live_ms : int
        When the last report came that was just measured, or was stamped on arrival; -1 before the first.
    old_ms, old_arrival_ms : int
        What the last old report said, and when it came; -1 where the last report was not old.
    paced : int
        How many old ones in a row came at a board's pace and did not catch up.
    rush_ms, rush_old_ms : int
        When the first report of a rush came, and what it said; -1 outside of one.
    """

    live_ms: int = -1
    old_ms: int = -1
    old_arrival_ms: int = -1
    paced: int = 0
    rush_ms: int = -1
    rush_old_ms: int = -1

    @property
    def doubted(self) -> bool:
        """Whether the last report was not believed."""
        return self.old_arrival_ms >= 0 and self.live_ms == self.old_arrival_ms

    def believes(self, time_ms: int, arrived_ms: int) -> bool:
        """Whether a report with this time, its newest, that came at `arrived_ms` was measured then."""
        if arrived_ms - time_ms <= BEHIND_MS:
            self.live_ms, self.old_ms, self.old_arrival_ms, self.paced = arrived_ms, -1, -1, 0
            self.rush_ms = self.rush_old_ms = -1
            return True
        waited = time_ms > self.live_ms - BEHIND_MS
        if self.old_arrival_ms >= 0:
            passed = arrived_ms - self.old_arrival_ms
            if 0 <= passed < _RUSH_MS:
                self._rushes(time_ms, arrived_ms)
            elif time_ms - self.old_ms >= _CATCHES_UP * max(passed, 0) > 0:
                self.paced = 0
            else:
                self.paced += 1
            if not 0 <= passed < _LONG_RUSH_MS:
                self.rush_ms = self.rush_old_ms = -1
        self.old_ms, self.old_arrival_ms = time_ms, arrived_ms
        if self.paced < (_DOUBTED if waited else _DOUBTED_AT_ONCE):
            return True
        self.live_ms = arrived_ms
        return False

    def _rushes(self, time_ms: int, arrived_ms: int) -> None:
        """One that came right after the last one: since the rush began, do its times catch up?"""
        if self.rush_ms < 0:
            self.rush_ms, self.rush_old_ms = self.old_arrival_ms, self.old_ms
        passed, gained = arrived_ms - self.rush_ms, time_ms - self.rush_old_ms
        long = passed >= _LONG_RUSH_MS
        if passed < 0 or gained >= _CATCHES_UP * passed:
            self.paced = 0
            if long or passed < 0:
                self.rush_ms, self.rush_old_ms = arrived_ms, time_ms
        elif long:
            self.paced = _DOUBTED


def believable(records: list[Record], arrived_ms: int) -> tuple[list[int | None], bool, int]:
    """The device's own times where they can be believed, whether all can be, and the newest of them.

    Where all are of one moment, as nearly always, the first is left empty.
    """
    earliest, latest = arrived_ms - BACKLOG_MS, arrived_ms + AHEAD_MS
    if earliest < EARLIEST_MS:
        earliest = EARLIEST_MS
    one = records[0].time_ms if records else None
    if one is not None and earliest <= one <= latest:
        for record in records:
            if record.time_ms != one:
                break
        else:
            return [], True, one
    times = [record.time_ms for record in records]
    times = [time if time is not None and earliest <= time <= latest else None for time in times]
    known = [time for time in times if time is not None]
    return times, len(known) == len(times), max(known, default=0)
