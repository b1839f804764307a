"""How much a probe's readings jump from minute to minute, against what is usual for it.

Water has mass and buffer: from one minute to the next it goes on as it did. What remains when level and slope
are taken away (the second difference) is the probe's own, whatever the water does, a surge of gas too. So an
electrode in air is told from gas by its jitter, and a loose contact by readings that come and go.

Judged in blocks of thirty frames, by the mean of their twenty calmest, and by two blocks on end: hands in the
tank, a rinse in two buffers or a water change that bares the probe are over before they are a third of both.
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.collector.readings import PH, ROOM_TEMPERATURE, TEMPERATURE

__all__ = ["BLOCK", "LOUD", "Jitter"]

BLOCK = 30
# Less is no fault, whatever the probe's habit. A 12-bit thermometer steps by 1/16 °C (DS18B20 data sheet,
# from memory): between steps the second difference is up to twice that. Others: common practice, no source.
FLOOR = {PH: 0.02, TEMPERATURE: 0.1, ROOM_TEMPERATURE: 0.14}
KEPT = 48  # blocks: a day of minutes
LEAST_KNOWN = 6
LOUD = 99.0  # stands for a minute whose readings were all too far from the last good one


class Jitter(msgspec.Struct):
    """State of one probe.

    Attributes
    ----------
    swings : list of float
        Second differences of the present block, in the quantity's unit.
    usual : list of float
        Levels of the calm blocks of the last day.
    level : float
        Mean of the calmer two thirds of the last whole block.
    since_ms : int
        Begin of the first of the restless blocks, ms UTC.
    restless, calm : int
        Whole blocks on end above, and below, what is usual.
    gaps : list of int
        Frames with a reading that failed, in each of the last three blocks.
    """

    last: list[float] = msgspec.field(default_factory=list)
    last_ms: int = -1
    swings: list[float] = msgspec.field(default_factory=list)
    began_ms: int = -1
    since_ms: int = -1
    frames: int = 0
    wild: int = 0
    broken: int = 0
    usual: list[float] = msgspec.field(default_factory=list)
    level: float = 0.0
    restless: int = 0
    calm: int = 0
    gaps: list[int] = msgspec.field(default_factory=list)

    def add(self, name: str, now: int, value: float | None, failed: bool, learn: bool) -> bool:
        """One frame; True where it ends a block. `value` None: only readings that were set aside.

        `learn` False while a fault stands: its calmer blocks would pass for usual, one by one.
        """
        if not self.frames:
            self.began_ms = now
        self.frames += 1
        if failed:
            self.broken += 1
        if name in FLOOR:
            self._swing(name, now, value)
        if self.frames < BLOCK:
            return False
        self._close(name, learn)
        return True

    def limit(self, name: str) -> float:
        """What a block's level may be: so much more than in this probe's livelier blocks.

        White noise has one such block in a thousand and hardly two on end; thrice the noise, most.
        """
        floor = FLOOR.get(name, 0.0)
        known = self.usual
        if len(known) < LEAST_KNOWN:
            return 2 * floor
        return max(floor, 1.7 * sorted(known)[int(0.9 * len(known))])

    def usual_level(self) -> float | None:
        """The usual level; None before there is one."""
        return median(self.usual) if self.usual else None

    def loose(self) -> bool:
        """A tenth of the frames of the last three blocks had a reading that failed, each block some."""
        return len(self.gaps) == 3 and sum(self.gaps) >= 9 and min(self.gaps) >= 2

    def doubtful(self) -> bool:
        """On the way to a fault: nothing else should be judged by it meanwhile."""
        return self.restless > 0 or self.wild >= 7

    def forget(self) -> None:
        """After a fault or a gap: the neighbours say nothing of each other; what is usual stays."""
        self.last.clear()
        self.swings.clear()
        self.gaps.clear()
        self.frames = self.wild = self.broken = self.restless = self.calm = 0

    def _swing(self, name: str, now: int, value: float | None) -> None:
        last = self.last
        if value is None:
            swing = LOUD
        else:
            if last and now - self.last_ms > 30 * MINUTE_MS:
                last.clear()
            self.last_ms = now
            last.append(value)
            if len(last) < 3:
                return
            swing = abs(last[2] - 2 * last[1] + last[0])
            del last[0]
        self.swings.append(swing)
        if swing > 3 * FLOOR[name] and swing > 3 * self.limit(name):
            self.wild += 1

    def _close(self, name: str, learn: bool) -> None:
        self.gaps.append(self.broken)
        del self.gaps[:-3]
        swings = self.swings
        if len(swings) >= BLOCK // 2:
            calm = sorted(swings)[: 2 * len(swings) // 3]
            self.level = sum(calm) / len(calm)
            if self.level > self.limit(name):
                if not self.restless:
                    self.since_ms = self.began_ms
                self.restless += 1
                self.calm = 0
            else:
                self.restless = 0
                self.calm += 1
                if learn:
                    self.usual.append(self.level)
                    del self.usual[:-KEPT]
        swings.clear()
        self.frames = self.wild = self.broken = 0
