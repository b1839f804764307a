"""The steps of a curve by the calibrations that are known now, as an export and a replay have them.

What is stored is by what was known when it came. So only readings from before a calibration was noted or
undone can be others now; those are gone through one by one, the rest is computed where it lies.
"""

from __future__ import annotations

import math

from rushlight.collector.readings import LIGHT, PH, PH_PROBE, TEMPERATURE, Flag
from rushlight.collector.settings import TankSettings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.recalibrated import Recalibrated, calibrations_of

__all__ = ["CurveReadings"]

_BY = {PH: (PH_PROBE, TEMPERATURE), TEMPERATURE: (TEMPERATURE,), LIGHT: (LIGHT,)}  # first its own


class CurveReadings:
    """One tank's.

    Attributes
    ----------
    store : EmbeddedStore
    tank : str
    """

    def __init__(self, store: EmbeddedStore, tank: str, settings: TankSettings) -> None:
        self.store, self.tank = store, tank
        self._known = calibrations_of(store, {tank: settings})

    def extremes(
        self, quantity: str, start_ms: int, end_ms: int, step_ms: int
    ) -> dict[int, tuple[float, float]]:
        """Lowest and highest good value by the start of each step, as `Chunks.extremes` of the store."""
        same_from_ms = min(end_ms, self._same_from_ms(quantity, start_ms, step_ms))
        found: dict[int, tuple[float, float]] = {}
        if same_from_ms > start_ms:
            again = Recalibrated(self.store, self._known)
            for reading in again.readings(self.tank, quantity, start_ms, same_from_ms):
                value = reading.value
                if value is None or not math.isfinite(value) or reading.flag >= Flag.FAIL:
                    continue
                step = reading.time_ms // step_ms * step_ms
                low, high = found.get(step, (value, value))
                found[step] = min(low, value), max(high, value)
        if same_from_ms < end_ms:
            found |= self.store.extremes(self.tank, quantity, same_from_ms, end_ms, step_ms)
        return found

    def _same_from_ms(self, quantity: str, start_ms: int, step_ms: int) -> int:
        """The step from which on it is as it was stored."""
        known, by = self._known.get(self.tank), _BY.get(quantity, ())
        if known is None or not by or not known.has(by[0]):
            return start_ms
        settled_ms = max(known.settled_ms(one) for one in by)
        return max(start_ms, -(-settled_ms // step_ms) * step_ms)
