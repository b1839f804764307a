"""An electrode that leapt and shakes since: in a current, or out of the water. No gas does both.

Gas takes minutes to lower pH and leaves the electrode still. A fall within two minutes to a level that jumps
about by many times what this electrode is used to is of the electrode, whatever level that is.
"""

from __future__ import annotations

import math

from rushlight.analysis.detectors.gas.shaken_electrode_numbers import SHAKEN
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.estimators.window import Window

__all__ = ["shaken"]


def shaken(block: Window, sensor: Sensor) -> bool:
    """Whether the pH leapt down in the last half-hour and shakes since.

    Parameters
    ----------
    block : Window
        pH by the minute.
    sensor : Sensor
        What is known of its noise; it learns slower than this asks.
    """
    times, values = block.times, block.values
    if len(values) < 2 or sensor.interval_ms <= 0:
        return False
    drop, at = max((values[n] - values[n + 1], n) for n in range(len(values) - 1))
    before, after = values[: at + 1], values[at + 1 :]
    sudden = times[at + 1] - times[at] <= SHAKEN.within_min * MINUTE_MS
    if not sudden or len(after) < SHAKEN.values:
        return False
    if drop < SHAKEN.share * (median(before) - median(after)):
        return False
    # a frame is the mean of its readings; second differences of neighbours have six times its variance
    usual = max(sensor.noise / math.sqrt(max(1.0, MINUTE_MS / sensor.interval_ms)), sensor.step)
    bends = [abs(after[n] - 2 * after[n + 1] + after[n + 2]) for n in range(len(after) - 2)]
    return median(bends) * SHAKEN.sd_per_bend > SHAKEN.times * usual
