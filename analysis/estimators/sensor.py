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


class Sensor(msgspec.Struct):
    """One series; given once a frame what was newest in it. O(1), some 150 bytes.

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
        if not -SENSOR.most < value < SENSOR.most:  # so that nothing of it overflows; nan is not, either
            return
        span = seen_ms - self.seen_ms
        values = self.values
        if span <= 0:  # a clock was put back
            values.clear()
            self.seen_ms = -1
        if self.seen_ms >= 0:
            each = span // readings if readings > 1 else span
            if self.spans.count(each) < SENSOR.spans_kept:  # else all are alike, and stay so
                self._arrived(each)
            interval_ms, least_ms = self.interval_ms, SENSOR.frame_ms
            if span > SENSOR.neighbours_intervals * (interval_ms if interval_ms > least_ms else least_ms):
                values.clear()
        self.seen_ms = seen_ms
        values.append(value)
        count = len(values)
        if count > 1:
            before = values[-2]
            if value != before:
                apart, size = abs(value - before), abs(value)
                if apart > SENSOR.fuzz_share * (size if size > 1.0 else 1.0):
                    self._moved(apart, seen_ms)
            if count > 2:
                swing, usual, swings = abs(value - 2 * before + values[0]), self.swing, self.swings
                del values[0]
                if swings:
                    # of a step in the water or a wild value no more than a few times what is usual
                    most = SENSOR.swing_most * (usual if usual >= self.step else self.step)
                    if 0 < most < swing:
                        swing = most
                if swings < SENSOR.swings_known:
                    self.swings = swings = swings + 1
                self.swing = usual + (swing - usual) / swings
        swung, grain = self.swing / SENSOR.swing_per_noise, self.step / SENSOR.root_12
        noise = swung if swung >= grain else grain
        if noise != self.noise:  # setting takes longer than looking
            self.noise = noise

    def _arrived(self, span_ms: int) -> None:
        """Of a gap of hours its length is no interval, unless it goes on so."""
        spans = self.spans
        if len(spans) == SENSOR.spans_kept and spans[0] == span_ms:
            spans.append(spans.pop(0))  # the same spans, the same median
            return
        spans.append(span_ms)
        del spans[: -SENSOR.spans_kept]
        self.interval_ms = int(median(spans))

    def _moved(self, apart: float, now_ms: int) -> None:
        if not 0 <= self.generation_ms <= now_ms:
            self.generation_ms = now_ms
        elif now_ms - self.generation_ms > SENSOR.generation_ms and len(self.smallest) == SENSOR.repeats:
            self.before = self.smallest[-1]
            self.smallest.clear()
            self.generation_ms = now_ms
        smallest = self.smallest
        if len(smallest) == SENSOR.repeats and apart >= smallest[-1]:
            return
        smallest.append(apart)
        smallest.sort()
        del smallest[SENSOR.repeats :]
        known = smallest[-1] if len(smallest) == SENSOR.repeats else self.before or smallest[0]
        self.step = min(known, self.before) if self.before else known
