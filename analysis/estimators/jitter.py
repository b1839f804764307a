"""How much a probe's readings jump from minute to minute, against what is usual for it.

Water has mass and buffer: from one minute to the next it goes on as it did. What remains when level and slope
are taken away (the second difference) is the probe's own, whatever the water does, a surge of gas too. So an
electrode in air is distinguished from gas by its jitter, and a loose contact by readings that come and go.

Judged in blocks of half an hour (longer where reports are rare), by the mean of the calmer two thirds, and by
two blocks on end: hands in the tank, a rinse in two buffers or a water change that bares the probe are over
before they are a third of both. A level between two of the probe's own steps flickers from one to the other:
a limit is never below that.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from rushlight.analysis.estimators.numbers import JITTER
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import MINUTE_MS

__all__ = ["Jitter"]


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
    gaps, sizes : list of int
        Frames with a reading that failed, and all frames, in each of the last three blocks.
    step : float
        The probe's own step.
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
    sizes: list[int] = msgspec.field(default_factory=list)
    step: float = 0.0

    def add(
        self,
        name: str,
        now: int,
        values: Sequence[float | None],
        failed: bool,
        learn: bool,
        step: float = 0.0,
    ) -> bool:
        """Frames a minute apart, the newest at `now`; True where they end a block.

        `values` are their means, None where all was set aside; `failed`: some was, of a single frame.
        `learn` False while a fault lasts: its calmer blocks would pass for usual, one by one. `step`: the
        probe's own.
        """
        first_ms = now - (len(values) - 1) * MINUTE_MS
        if not self.frames or first_ms < self.began_ms:
            self.began_ms = first_ms
        self.step = step
        self.frames += len(values)
        if failed:
            self.broken += 1
        floor = self.floor(name)
        if floor is not None:
            if self.last and first_ms - self.last_ms > JITTER.stale_ms:
                self.last.clear()
            self._swing(name, floor, values)
            if values[-1] is not None:
                self.last_ms = now
        if now - self.began_ms < JITTER.block_ms or self.frames < JITTER.block_frames:
            return False
        self._close(name, learn)
        return True

    def floor(self, name: str) -> float | None:
        """What is no fault, whatever the probe's habit; None for what may jump."""
        floor = JITTER.floor(name)
        if floor is None:
            return None
        own = JITTER.floor_steps * self.step
        return own if own > floor else floor

    def limit(self, name: str) -> float:
        """What a block's level may be: so much more than in this probe's livelier blocks.

        White noise has one such block in a thousand and hardly two on end; thrice the noise, most.
        """
        floor = self.floor(name) or 0.0
        known = self.usual
        if len(known) < JITTER.known_blocks:
            return JITTER.start(name, floor)
        return max(floor, JITTER.limit_times * sorted(known)[int(JITTER.lively_share * len(known))])

    def usual_level(self) -> float | None:
        """The usual level; None before there is one."""
        return median(self.usual) if self.usual else None

    def loose(self) -> bool:
        """A tenth of the frames of the last three blocks had a reading that failed, each block some."""
        return (
            self.whole()
            and sum(self.gaps) >= JITTER.loose_share * sum(self.sizes)
            and min(self.gaps) >= JITTER.loose_frames_each
        )

    def whole(self) -> bool:
        """The last blocks are there by which a loose contact is judged."""
        return len(self.gaps) == JITTER.loose_blocks

    def doubtful(self) -> bool:
        """On the way to a fault: nothing else should be judged by it meanwhile."""
        if self.restless > 0 or not self.wild:
            return self.restless > 0
        block = self.sizes[-1] if self.sizes else JITTER.block_ms // MINUTE_MS
        return self.wild > JITTER.wild_share * block

    def forget(self) -> None:
        """After a fault or a gap: the neighbours say nothing of each other; what is usual stays."""
        self.last.clear()
        self.swings.clear()
        self.gaps.clear()
        self.sizes.clear()
        self.frames = self.wild = self.broken = self.restless = self.calm = 0

    def _swing(self, name: str, floor: float, values: Sequence[float | None]) -> None:
        last, swings = self.last, self.swings
        wild = JITTER.wild_times * floor
        for value in values:
            if value is None:
                swing = JITTER.loud
            elif len(last) < 2:
                last.append(value)
                continue
            else:
                old = last[1]
                swing = abs(value - 2.0 * old + last[0])
                last[0] = old
                last[1] = value
            swings.append(swing)
            if swing > wild and swing > JITTER.wild_times * self.limit(name):
                self.wild += 1

    def _close(self, name: str, learn: bool) -> None:
        self.gaps.append(self.broken)
        self.sizes.append(self.frames)
        del self.gaps[: -JITTER.loose_blocks]
        del self.sizes[: -JITTER.loose_blocks]
        swings = self.swings
        if len(swings) >= self.frames // 2 and swings:
            calm = sorted(swings)[: max(1, int(JITTER.calm_share * len(swings)))]
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
                    del self.usual[: -JITTER.kept_blocks]
        swings.clear()
        self.frames = self.wild = self.broken = 0
