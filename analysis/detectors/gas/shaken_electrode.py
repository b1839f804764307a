"""An electrode that leapt and shakes since: in a current, or out of the water. No gas does both.

Gas takes minutes to lower pH and leaves the electrode still. A fall within two minutes to a level that jumps
about by more than this electrode is used to is of the electrode, whatever level that is. It can still be seen
to fall further, as with gas.
"""

from __future__ import annotations

import math

import msgspec

from rushlight.analysis.detectors.gas.shaken_electrode_numbers import SHAKEN
from rushlight.analysis.detectors.patience import PATIENCE
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.estimators.window import Window

__all__ = ["Leap", "ShakenElectrode", "rest_noise", "shaken"]


class Leap(msgspec.Struct, frozen=True):
    """pH before and after."""

    before: float
    after: float


class ShakenElectrode(msgspec.Struct):
    """State: since when it shakes (ms UTC), -1 while it doesn't, and pH before and after its leap.

    `noise` is what a frame of it had before the first leap of late, seen at `noise_ms`; a device switches, so
    one leap follows another, and meanwhile what is learnt of its noise is of the current.
    """

    since: int = -1
    before: float = 0.0
    after: float = 0.0
    noise: float = 0.0
    noise_ms: int = -1

    @property
    def shakes(self) -> bool:
        """Whether it does now."""
        return self.since >= 0

    @property
    def facts(self) -> tuple[int, float, float] | None:
        """What the other families may know: since when (ms UTC), and pH before and after the leap."""
        return (self.since, self.before, self.after) if self.since >= 0 else None

    def look(self, block: Window, sensor: Sensor) -> None:
        """Every five minutes, after a leap: `block` has the pH by the minute."""
        if not block.times:
            return
        now = block.times[-1]
        if self.since >= 0:
            lately = median(block.values[-SHAKEN.back_values :])
            back = lately > (self.before + self.after) / 2 or _calm(block.values, self.noise)
            if back or not 0 <= now - self.since < PATIENCE.with_lamp_ms:
                self.since = -1
            return
        noise = rest_noise(sensor)
        if 0 <= now - self.noise_ms < SHAKEN.kept_ms:
            noise = min(noise, self.noise)
        leap = shaken(block, sensor, noise)
        if leap is not None:
            self.since, self.before, self.after = now, leap.before, leap.after
            self.noise, self.noise_ms = noise, now

    def falls(self, ph: float) -> bool:
        """Whether it reads much less than when it began to shake: that may be gas all the same."""
        return self.since >= 0 and ph < self.after - SHAKEN.falls_ph


def _calm(values: list[float], noise: float) -> bool:
    """Whether it shakes no more: by the median, so that one value that is far out is no shaking."""
    if len(values) < SHAKEN.calm_values:
        return False
    bends = [abs(values[n] - 2 * values[n + 1] + values[n + 2]) for n in range(len(values) - 2)]
    return median(bends) * SHAKEN.sd_per_bend < SHAKEN.calm_times * noise


def rest_noise(sensor: Sensor) -> float:
    """Standard deviation of a frame at rest, pH: a frame is the mean of its readings, but in steps."""
    return max(sensor.noise / math.sqrt(sensor.readings_a_frame), sensor.step)


def shaken(block: Window, sensor: Sensor, noise: float | None = None) -> Leap | None:
    """The leap down of the last half-hour since which pH shakes; None where it didn't leap or is still.

    Parameters
    ----------
    block : Window
        pH by the minute.
    sensor : Sensor
        What is known of its noise; it learns slower than this asks.
    noise : float, optional
        Of a frame at rest, pH, where that is better known.
    """
    times, values = block.times, block.values
    if len(values) < 2 or sensor.interval_ms <= 0:
        return None
    drop, at = max((values[n] - values[n + 1], n) for n in range(len(values) - 1))
    before, after = values[: at + 1], values[at + 1 :]
    sudden = times[at + 1] - times[at] <= SHAKEN.within_min * MINUTE_MS
    if not sudden or len(after) < SHAKEN.values:
        return None
    high, low = median(before), median(after)
    if drop < SHAKEN.share * (high - low):
        return None
    bends = [after[n] - 2 * after[n + 1] + after[n + 2] for n in range(len(after) - 2)]
    # the sum of squares of second differences of noise is six times its variance each
    moved = math.sqrt(sum(bend * bend for bend in bends) / len(bends) / SHAKEN.bend_variances)
    return (
        Leap(high, low) if moved > SHAKEN.times * (rest_noise(sensor) if noise is None else noise) else None
    )
