"""One-minute frames of one tank: what the detectors are given.

A frame is closed by the first reading that lies behind its end, so time comes only from the data. Readings
older than the open frame have been stored but are too late to be judged; they are counted. A long unbroken
run of them means that the clock was put back, and the frames follow it.
"""

from __future__ import annotations

import msgspec

from collector.readings import HEATER_POWER, LIGHT, PH, ROOM_TEMPERATURE, TEMPERATURE, Reading

__all__ = ["FRAME_MS", "Frame", "FrameBuilder", "SeriesFrame"]

FRAME_MS = 60_000
LATE_RUN = 60


class SeriesFrame(msgspec.Struct):
    """What one quantity did within the frame.

    `good` readings (flag pass or not evaluated) make the mean; `suspect` and `bad` (fail, missing) are only
    counted. `flat_since` is the time since when every good reading has had the same value.
    """

    good: int = 0
    suspect: int = 0
    bad: int = 0
    total: float = 0.0
    last: float = 0.0
    last_bad: float | None = None
    flat_since: int = -1
    seen_ms: int = -1
    last_suspect: float | None = None

    def mean(self) -> float | None:
        return self.total / self.good if self.good else None


class Frame(msgspec.Struct):
    """One minute. `time_ms` is the time of the reading that closed it: when the system could first know."""

    start_ms: int
    time_ms: int
    temperature: float | None
    room: float | None
    ph: float | None
    light: float | None
    heater: float | None
    series: dict[str, SeriesFrame]


class FrameBuilder(msgspec.Struct):
    """Gathers flagged readings into frames. State only; restorable."""

    start_ms: int = -1
    end_ms: int = -1
    series: dict[str, SeriesFrame] = msgspec.field(default_factory=dict)
    late: int = 0
    late_run: int = 0

    def feed(self, reading: Reading) -> Frame | None:
        """Take one reading; the frame it closes, if it closes one."""
        time_ms = reading.time_ms
        closed = None
        if time_ms >= self.end_ms:
            if self.end_ms >= 0:
                closed = self._close(time_ms)
            self.start_ms = time_ms // FRAME_MS * FRAME_MS
            self.end_ms = self.start_ms + FRAME_MS
            self.late_run = 0
        elif time_ms < self.start_ms:
            self.late += 1
            self.late_run += 1
            if self.late_run < LATE_RUN:
                return None
            # no stragglers: the device's clock was ahead and has been put right
            self.late_run = 0
            self.start_ms = time_ms // FRAME_MS * FRAME_MS
            self.end_ms = self.start_ms + FRAME_MS
        series = self.series.get(reading.quantity)
        if series is None:
            series = self.series[reading.quantity] = SeriesFrame()
        value = reading.value
        flag = reading.flag
        if flag < 3 and value is not None:
            if value != series.last:
                series.last = value
                series.flat_since = time_ms
            series.good += 1
            series.total += value
            series.seen_ms = time_ms
        elif flag == 3:
            series.suspect += 1
            series.last_suspect = value
            if value is not None and value != series.last:
                series.flat_since = time_ms
        else:
            series.bad += 1
            series.last_bad = value
        return closed

    def _close(self, time_ms: int) -> Frame:
        series = self.series
        means = {name: one.total / one.good for name, one in series.items() if one.good}
        frame = Frame(
            self.start_ms,
            time_ms,
            means.get(TEMPERATURE),
            means.get(ROOM_TEMPERATURE),
            means.get(PH),
            means.get(LIGHT),
            means.get(HEATER_POWER),
            series,
        )
        # A fresh dict with what must be carried over; the detectors keep no reference to the old one.
        self.series = {
            name: SeriesFrame(
                last=one.last,
                flat_since=one.flat_since,
                seen_ms=one.seen_ms,
                last_bad=one.last_bad,
                last_suspect=one.last_suspect,
            )
            for name, one in series.items()
        }
        return frame
