"""One-minute frames of one tank: what the detectors are given.

A frame is closed by the first reading that lies behind its end, so time comes only from the data. Readings
older than the open frame have been stored but are too late to be judged; they are counted. A long unbroken
run of them means that the clock was put back, and the frames follow it; where there is a clock beside the
readings (the live service), that is asked instead (`TankWatch.follow_clock`).
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.estimators.clock_step import STEP_MS
from rushlight.collector.readings import (
    HEATER_POWER,
    LIGHT,
    PH,
    ROOM_TEMPERATURE,
    STAMP_ARRIVAL,
    TEMPERATURE,
    Reading,
)

__all__ = ["FRAME_MS", "Frame", "FrameBuilder", "SeriesFrame"]

FRAME_MS = 60_000
LATE_RUN = 60
LATE_ARRIVALS = 3
"""So many in a row are enough where the collector stamped them: what arrives later can't be earlier."""
LATE_LEAST = 6
LATE_SPAN_MS = 1_800_000
"""Where reports are rare, so few in a row that go on for so long are enough (common practice, no source)."""
LEAP_KEPT_MS = 7 * 86_400_000


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
    """Gathers flagged readings into frames. State only; restorable.

    Attributes
    ----------
    late, late_run, late_from_ms : int
        Readings too late to be judged, those of the present run of them, and the time of its first.
    back_ms : int
        Set by `feed` where it has just followed a clock that was put back: by how much. That reading is not
        taken; whoever moves the other remembered times gives it again.
    clocked : bool
        A clock stands beside the readings: late ones are what a device had kept, and are never followed.
    before_ms, after_ms : int
        The widest gap of the last days: the end of the frame before it, the first reading behind it. It may
        be a clock's leap ahead, which a step back undoes.
    """

    start_ms: int = -1
    end_ms: int = -1
    series: dict[str, SeriesFrame] = msgspec.field(default_factory=dict)
    late: int = 0
    late_run: int = 0
    late_from_ms: int = 0
    back_ms: int = 0
    clocked: bool = False
    before_ms: int = -1
    after_ms: int = -1

    def feed(self, reading: Reading) -> Frame | None:
        """Take one reading; the frame it closes, if it closes one."""
        time_ms = reading.time_ms
        closed = None
        if time_ms >= self.end_ms:
            if self.end_ms >= 0:
                closed = self._close(time_ms)
                if time_ms - self.end_ms > STEP_MS:
                    self._gap(time_ms)
            self.start_ms = time_ms // FRAME_MS * FRAME_MS
            self.end_ms = self.start_ms + FRAME_MS
            self.late_run = 0
        elif time_ms < self.start_ms:
            self._late(reading)
            return None
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

    def _late(self, reading: Reading) -> None:
        """Count it; where there are too many for stragglers, the clock was ahead and has been put right."""
        time_ms = reading.time_ms
        self.late += 1
        self.late_run += 1
        if self.clocked:
            return
        if self.late_run == 1:
            self.late_from_ms = time_ms
        arrived = reading.stamp == STAMP_ARRIVAL and self.start_ms - time_ms > STEP_MS
        if (
            self.late_run >= LATE_RUN
            or (arrived and self.late_run >= LATE_ARRIVALS)
            or (self.late_run >= LATE_LEAST and time_ms - self.late_from_ms >= LATE_SPAN_MS)
        ):
            self.late_run = 0
            self.back_ms = self.start_ms - time_ms // FRAME_MS * FRAME_MS
            self.start_ms -= self.back_ms
            self.end_ms = self.start_ms + FRAME_MS

    def _gap(self, time_ms: int) -> None:
        wider = time_ms - self.end_ms >= self.after_ms - self.before_ms
        if wider or time_ms - self.after_ms > LEAP_KEPT_MS:
            self.before_ms, self.after_ms = self.end_ms, time_ms

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
