"""An electrode that shakes just now: in air, as while water is let out, or touched. Gas leaves it still.

How much it shakes is told by second differences of its minutes: they show hardly anything of a fall, however
fast, and all of what jumps from one minute to the next.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

from rushlight.analysis.detectors.gas.bared_numbers import BARED
from rushlight.analysis.detectors.gas.shaken_electrode import rest_noise
from rushlight.analysis.detectors.gas.shaken_electrode_numbers import SHAKEN
from rushlight.analysis.detectors.patience import PATIENCE
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.estimators.window import Window

__all__ = ["BaredElectrode", "shake", "wandering_slope"]


def shake(values: Sequence[float]) -> float:
    """Standard deviation of a minute's pH about a smooth course, by second differences; 0 of too few.

    The sum of squares of second differences of noise is six times its variance each (arithmetic).
    """
    bends = _bends(values)
    if not bends:
        return 0.0
    return math.sqrt(sum(bend * bend for bend in bends) / len(bends) / SHAKEN.bend_variances)


def _bends(values: Sequence[float]) -> list[float]:
    return [values[n] - 2 * values[n + 1] + values[n + 2] for n in range(len(values) - 2)]


def wandering_slope(shakes: float, noise: float, minutes: float) -> float:
    """Standard error of a slope (pH an hour) over so many minutes of an electrode in air; 0 in water.

    There it does not only jump, it walks about: its minutes are no independent values.

    Parameters
    ----------
    shakes, noise : float
        Standard deviation of a minute's pH within the fall, and at rest.
    minutes : float
        How long the fall is.
    """
    if shakes <= BARED.wanders_times * noise:
        return 0.0
    walk = shakes * math.sqrt(SHAKEN.bend_variances / BARED.walk_bends)  # pH/√min
    return walk * math.sqrt(BARED.walk_slope / minutes) * HOUR_MS / MINUTE_MS


class BaredElectrode(msgspec.Struct):
    """State: since when it shakes (ms UTC), -1 while it doesn't."""

    since: int = -1

    def shakes(self, block: Window, sensor: Sensor) -> bool:
        """Every five minutes: whether nothing new is to be judged by it; `block` has the pH by the minute.

        As long as water changes take; what shakes for longer is another's to judge, and gas may fall in it.
        """
        now, values = block.times[-1], block.values[-BARED.values :]
        if len(values) < BARED.values or not _stirs(max(values) - min(values), sensor):
            self.since = -1  # most of the time
            return False
        # by the median: one value that is far out is no shaking
        bend = median([abs(one) for one in _bends(values)])
        if bend * SHAKEN.sd_per_bend <= BARED.times * rest_noise(sensor):
            self.since = -1
            return False
        if not 0 <= self.since <= now:
            self.since = now
        return now - self.since < PATIENCE.disturbed_ms


def _stirs(apart: float, sensor: Sensor) -> bool:
    """Whether values that lie so far apart (pH) can be shaking."""
    # noise at rest is a step at least: most of the time it need not be asked
    return apart > BARED.apart * sensor.step and apart > BARED.apart * rest_noise(sensor)
