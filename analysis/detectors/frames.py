"""One-minute frames of one tank: what the detectors are given.

A frame is closed by the first reading that lies behind its end, so time comes only from the data. Readings
older than the open frame have been stored but are too late to be judged; they are counted. A long unbroken
run of them that goes on from its first means that the clock was put back, and the frames follow it; where
there is a clock beside the readings (the live service), that is asked instead (`TankWatch.follow_clock`).
"""

from __future__ import annotations

from typing import Annotated

import msgspec

from rushlight.analysis.estimators.numbers import CLOCK
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.units import DAY_MS, MINUTE_MS
from rushlight.analysis.numbers import Numbers, Of
from rushlight.collector.intake.limits import LIMITS
from rushlight.collector.readings import (
    HEATER_POWER,
    LIGHT,
    PH,
    ROOM_TEMPERATURE,
    STAMP_ARRIVAL,
    TEMPERATURE,
    Flag,
    Reading,
)

__all__ = ["FRAMES", "FRAME_MS", "Frame", "FrameBuilder", "SeriesFrame", "follow"]

FRAME_MS = MINUTE_MS
_SUSPECT = int(Flag.SUSPECT)


class FrameNumbers(Numbers, frozen=True, kw_only=True):
    """Of readings that come too late, and of a clock that was put back."""

    late_run: Annotated[int, Of("readings", "so many late ones in a row: the clock was put back")] = 60
    late_arrivals: Annotated[
        int,
        Of("readings", "enough where the collector stamped them: what arrives later can't be earlier"),
    ] = 3
    late_few: Annotated[int, Of("readings", "enough where they go on for long: reports may be rare")] = 6
    late_span_ms: Annotated[int, Of("ms", "so long is long")] = 30 * MINUTE_MS
    leap_kept_ms: Annotated[
        int, Of("ms", "so long the widest gap is kept, which may be a clock's leap ahead")
    ] = 7 * DAY_MS


FRAMES = FrameNumbers()


class SeriesFrame(msgspec.Struct, gc=False):
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

    def take_one(self, time_ms: int, value: float) -> None:
        """A good reading of this frame."""
        if value != self.last:
            self.last = value
            self.flat_since = time_ms
        self.good += 1
        self.total += value
        self.seen_ms = time_ms

    def take_good(self, times_ms: list[int], values: list[float]) -> None:
        """Good readings of this frame, one and more."""
        last, since_ms, total = self.last, self.flat_since, self.total
        for time_ms, value in zip(times_ms, values, strict=True):
            if value != last:
                last, since_ms = value, time_ms
            total += value  # one after the other: a sum of all may be rounded otherwise
        self.last, self.flat_since, self.total = last, since_ms, total
        self.good += len(values)
        self.seen_ms = times_ms[-1]

    def refuse(self) -> None:
        """Its good readings are bad: no probe can mean them."""
        self.bad += self.good
        self.last_bad = self.last
        self.good, self.total = 0, 0.0


class Frame(msgspec.Struct, gc=False):
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
        A clock goes beside the readings: late ones are what a device had kept, and are never followed.
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
        return self.take(reading.quantity, reading.time_ms, reading.value, reading.flag, reading.stamp)

    def take(self, quantity: str, time_ms: int, value: float | None, flag: int, stamp: int) -> Frame | None:
        """The same of the fields of a reading, for a caller in a hurry."""
        closed = None
        if not self.start_ms <= time_ms < self.end_ms:
            if time_ms < self.start_ms:
                self._late(time_ms, stamp)
                return None
            closed = self.open_at(time_ms)
        series = self.series.get(quantity)
        if series is None:
            series = self.series[quantity] = SeriesFrame()
        if flag < _SUSPECT and value is not None:
            series.take_one(time_ms, value)
        elif flag == _SUSPECT:
            series.suspect += 1
            series.last_suspect = value
            if value is not None and value != series.last:
                series.flat_since = time_ms
        else:
            series.bad += 1
            series.last_bad = value
        return closed

    def open_at(self, time_ms: int) -> Frame | None:
        """Open the frame of a reading's time (ms UTC); the one it closes, if one was open."""
        closed = None
        if self.end_ms >= 0:
            closed = self._close(time_ms)
            if time_ms - self.end_ms > CLOCK.step_ms:
                self._gap(time_ms)
        self.start_ms = time_ms // FRAME_MS * FRAME_MS
        self.end_ms = self.start_ms + FRAME_MS
        self.late_run = 0
        return closed

    def _late(self, time_ms: int, stamp: int) -> None:
        """Count it; where there are too many for stragglers, the clock was ahead and has been put right."""
        self.late += 1
        self.late_run += 1
        if self.clocked:
            return
        if self.late_run == 1 or time_ms < self.late_from_ms:
            # a clock that was put back goes on from there; what comes newest first was kept by the device
            self.late_run, self.late_from_ms = 1, time_ms
        arrived = stamp == STAMP_ARRIVAL and self.start_ms - time_ms > CLOCK.step_ms
        if (
            self.late_run >= FRAMES.late_run
            or (arrived and self.late_run >= FRAMES.late_arrivals)
            or (self.late_run >= FRAMES.late_few and time_ms - self.late_from_ms >= FRAMES.late_span_ms)
        ):
            self.late_run = 0
            self.back_ms = self.start_ms - time_ms // FRAME_MS * FRAME_MS
            self.start_ms -= self.back_ms
            self.end_ms = self.start_ms + FRAME_MS

    def _gap(self, time_ms: int) -> None:
        wider = time_ms - self.end_ms >= self.after_ms - self.before_ms
        if wider or time_ms - self.after_ms > FRAMES.leap_kept_ms:
            self.before_ms, self.after_ms = self.end_ms, time_ms

    def _close(self, time_ms: int) -> Frame:
        series = self.series
        temperature = room = ph = light = heater = None
        # A fresh dict with what must be carried over; the detectors keep no reference to the old one.
        fresh: dict[str, SeriesFrame] = {}
        for name, one in series.items():
            fresh[name] = SeriesFrame(
                last=one.last,
                last_bad=one.last_bad,
                flat_since=one.flat_since,
                seen_ms=one.seen_ms,
                last_suspect=one.last_suspect,
            )
            if not one.good:
                continue
            mean = one.total / one.good
            limits = LIMITS.get(name)
            if limits is not None and not limits.fail_low <= mean <= limits.fail_high:
                one.refuse()  # whoever has called it good: no formula holds there
                fresh[name].last_bad = one.last_bad
                continue
            if name == TEMPERATURE:
                temperature = mean
            elif name == PH:
                ph = mean
            elif name == LIGHT:
                light = mean
            elif name == ROOM_TEMPERATURE:
                room = mean
            elif name == HEATER_POWER:
                heater = mean
        self.series = fresh
        return Frame(self.start_ms, time_ms, temperature, room, ph, light, heater, series)


def follow(sensors: dict[str, Sensor], frame: Frame) -> dict[str, Sensor]:
    """Let each series' step, interval and noise follow the frame's newest good reading."""
    for name, one in frame.series.items():
        if one.good:
            sensor = sensors.get(name)
            if sensor is None:
                sensor = sensors[name] = Sensor()
            sensor.add(one.last, one.seen_ms, one.good + one.suspect + one.bad)
    return sensors
