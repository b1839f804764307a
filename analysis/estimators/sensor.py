"""A series' own step, interval and noise, learnt as it runs.

A thermometer that knows only halves of a degree, and one that knows hundredths, show the same water in quite
different ways; so do a board that reports every ten seconds and one that does every five minutes. Rules ask
here instead of assuming one or the other.
"""

from __future__ import annotations

import math

import msgspec

from rushlight.analysis.estimators.numbers import SENSOR
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import MINUTE_MS

__all__ = ["Sensor"]


class Sensor(msgspec.Struct, dict=True):
    """One series; given once a frame what was newest in it. O(1), some 150 bytes.

    While all spans that are kept are alike, the span from frame to frame and the readings in each are kept
    beside the saved fields (`steady`): as long as frames come so, the interval stays as it is.

    Attributes
    ----------
    step : float
        Its quantisation q, in the quantity's unit: as small as the smallest differences between readings
        that were seen three times; 0 while it has not moved. Before the third one it is an upper bound.
    interval_ms : int
        From one reading to the next, the median of the last nine frames that had one; 0 before it is known.
    noise : float
        Standard deviation of a reading about a smooth course, in the quantity's unit, from second differences
        of neighbours. At least q / √12, which is the step's own (uniform distribution; Widrow & Kollar 2008).
        A lively course of the water itself counts in, where reports are rare.
    """

    step: float = 0.0
    interval_ms: int = 0
    noise: float = 0.0
    smallest: list[float] = msgspec.field(default_factory=list)
    before: float = 0.0  # the step of the generation before
    generation_ms: int = -1
    spans: list[int] = msgspec.field(default_factory=list)
    values: list[float] = msgspec.field(default_factory=list)
    seen_ms: int = -1
    swing: float = 0.0
    swings: int = 0

    @property
    def readings_a_frame(self) -> float:
        """How many readings a minute's mean is of, at least one."""
        return max(1.0, MINUTE_MS / self.interval_ms) if self.interval_ms > 0 else 1.0

    def in_five_minutes(self, noise: float) -> float:
        """What is left of a reading's `noise` in a five-minute value: the median of its minutes' means.

        Where reports are rarer than one a minute, of the fewer that there are.
        """
        minutes = max(1.0, self.interval_ms / MINUTE_MS)
        share = min(1.0, SENSOR.median_of_five * math.sqrt(minutes))
        return share * noise / math.sqrt(self.readings_a_frame)

    def add(self, value: float, seen_ms: int, readings: int) -> None:
        """The newest reading of a frame.

        Parameters
        ----------
        value : float
            Its value; left out where it is not finite, or beyond all that is measured.
        seen_ms : int
            Its time, ms UTC.
        readings : int
            How many the frame had, at least 1.
        """
        if not abs(value) < SENSOR.most:  # so that nothing of it overflows; nan is not, either
            return
        span_ms = seen_ms - self.seen_ms
        if (span_ms, readings) != self.__dict__.get("steady"):
            self._arrived(span_ms, readings)
        self.seen_ms = seen_ms
        values, usual, step = self.values, self.swing, self.step
        if values:
            before = values[-1]
            if value != before:
                apart, size = abs(value - before), abs(value)
                if apart > SENSOR.fuzz_share * (size if size > 1.0 else 1.0):
                    step = self._moved(apart, seen_ms)
        if len(values) > 1:  # three on end, this one too
            swing, swings = abs(value - 2.0 * before + values[0]), self.swings
            values[0] = before
            values[1] = value
            if swings:
                # of a step in the water or a wild value no more than a few times what is usual
                most = SENSOR.swing_most * (usual if usual >= step else step)
                if 0.0 < most < swing:
                    swing = most
            if swings < SENSOR.swings_known:
                self.swings = swings = swings + 1
            self.swing = usual = usual + (swing - usual) / swings
        else:
            values.append(value)
        swung, grain = usual / SENSOR.swing_per_noise, step / SENSOR.root_12
        noise = swung if swung >= grain else grain
        if noise != self.noise:  # setting takes longer than looking
            self.noise = noise

    def _arrived(self, span_ms: int, readings: int) -> None:
        """A frame so long after the one before it, of so many readings, that came otherwise than that."""
        self.__dict__.clear()
        if span_ms <= 0:  # a clock was put back
            self.values.clear()
            return
        if self.seen_ms < 0:
            return
        each_ms = span_ms // readings if readings > 1 else span_ms
        self._keep(each_ms)
        if span_ms > SENSOR.neighbours_intervals * max(self.interval_ms, SENSOR.frame_ms):
            self.values.clear()
        elif self.spans.count(each_ms) == SENSOR.spans_kept:
            self.__dict__["steady"] = span_ms, readings

    def _keep(self, each_ms: int) -> None:
        """Of a gap of hours its length is no interval, unless it goes on so."""
        spans = self.spans
        if len(spans) == SENSOR.spans_kept and spans[0] == each_ms:
            spans.append(spans.pop(0))  # the same spans, the same median
            return
        spans.append(each_ms)
        del spans[: -SENSOR.spans_kept]
        self.interval_ms = int(median(spans))

    def _moved(self, apart: float, now_ms: int) -> float:
        """The step, after values so far apart."""
        if not 0 <= self.generation_ms <= now_ms:
            self.generation_ms = now_ms
        elif now_ms - self.generation_ms > SENSOR.generation_ms and len(self.smallest) == SENSOR.repeats:
            self.before = self.smallest[-1]
            self.smallest.clear()
            self.generation_ms = now_ms
        smallest = self.smallest
        if len(smallest) == SENSOR.repeats and apart >= smallest[-1]:
            return self.step
        smallest.append(apart)
        smallest.sort()
        del smallest[SENSOR.repeats :]
        known = smallest[-1] if len(smallest) == SENSOR.repeats else self.before or smallest[0]
        self.step = step = min(known, self.before) if self.before else known
        return step
