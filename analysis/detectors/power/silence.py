"""A device that has fallen silent."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.moment import Tank, minutes_text
from rushlight.analysis.detectors.power.numbers import SILENCE
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.findings import Finding

__all__ = ["SilenceDetector"]


class SilenceDetector(msgspec.Struct):
    """No report for too long. Works on deadlines, so it is asked with the time, not with a frame.

    Attributes
    ----------
    last_ms : int
        When the last report came, by arrival where that is known; -1 before the first.
    since_ms : int
        Since when a first report is waited for, -1 where nobody waits.
    grace_until_ms : int
        Nobody is called silent before this: the service itself was away, or its clock has leapt.
    standing : bool
        It has been reported.
    awaited : bool
        No report since the start, or since the service was held up.
    """

    last_ms: int = -1
    since_ms: int = -1
    grace_until_ms: int = -1
    standing: bool = False
    awaited: bool = False

    @staticmethod
    def limit_ms(tank: Tank) -> int:
        """Twenty minutes, or twelve reports where they are rarer: a router's restart is shorter."""
        return int(
            max(
                SILENCE.limit_min * MINUTE_MS,
                SILENCE.limit_reports * 1000 * tank.settings.report_every_s,
            )
        )

    @staticmethod
    def grace_ms(tank: Tank) -> int:
        """After a start: a minute for what waited at the broker, or two reports where they are rarer."""
        return int(
            max(
                SILENCE.grace_min * MINUTE_MS,
                SILENCE.grace_reports * 1000 * tank.settings.report_every_s,
            )
        )

    def from_ms(self) -> int:
        """Since when nothing has come: the last report, or the beginning of the waiting; -1 for neither."""
        return self.last_ms if self.last_ms >= 0 else self.since_ms

    def deadline_ms(self, tank: Tank) -> int | None:
        """When silence will have lasted too long; None where nothing is waited for, or once it has."""
        since_ms = self.from_ms()
        if since_ms < 0 or self.standing:
            return None
        return max(since_ms + self.limit_ms(tank), self.grace_until_ms)

    def await_report(self, tank: Tank, now_ms: int) -> bool:
        """The service has begun, or was held up: time for a report to come; whether it is a new tank."""
        self.grace_until_ms = now_ms + self.grace_ms(tank)
        self.awaited = True
        if self.from_ms() >= 0:
            return False
        self.since_ms = now_ms
        return True

    def readings_ms(self, frame_ms: int, now_ms: int) -> int:
        """How far the readings have come at `now_ms`: the open frame's beginning, and what has passed since.

        Behind the clock while what a board or a broker had kept is still coming in.
        """
        if self.last_ms < 0:
            return now_ms
        waiting = self.awaited and now_ms < self.grace_until_ms
        return min(now_ms, frame_ms + (0 if waiting else now_ms - self.last_ms))

    def put_back(self, tank: Tank, now_ms: int) -> None:
        """The clock was put back to `now_ms`."""
        self.last_ms = min(self.last_ms, now_ms)
        self.since_ms = min(self.since_ms, now_ms)
        self.grace_until_ms = min(self.grace_until_ms, now_ms + self.grace_ms(tank))

    def finding(self, tank: Tank, now_ms: int) -> Finding | None:
        """The finding, if the device has been silent for too long at `now_ms`."""
        since_ms = self.from_ms()
        if since_ms < 0 or now_ms - since_ms < self.limit_ms(tank):
            return None
        span = minutes_text((now_ms - since_ms) / 1000)
        if self.last_ms < 0:
            return Finding(
                alarm="device-silent",
                priority="high",
                value=round((now_ms - since_ms) / 60_000, 1),
                unit="min",
                cause="its microcontroller has never been heard: not connected yet, or under another name",
                observations=[
                    f"no report has ever come from it; waited for since {tank.clock.text(since_ms)}, {span}",
                    f"one is due every {tank.settings.report_every_s:g} s; silence is an alarm after "
                    f"{minutes_text(self.limit_ms(tank) / 1000)}",
                ],
            )
        return Finding(
            alarm="device-silent",
            priority="high",
            value=round((now_ms - since_ms) / 60_000, 1),
            unit="min",
            cause="the microcontroller, its supply or the network is down, or the mains is",
            observations=[
                f"last report {span} ago, at {tank.clock.text(self.last_ms)}",
                f"one is due every {tank.settings.report_every_s:g} s; silence is an alarm after "
                f"{minutes_text(self.limit_ms(tank) / 1000)}",
            ],
        )
