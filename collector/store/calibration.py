"""Calibrations as the keeper's log holds them: each with its time, and which of them counts for a reading.

An electrode's points count from the calibration's own time on, until the next one; before the first, those of
the settings do. As the millivolts are stored too, pH can be had of them again at any time.

Of a thermometer or light sensor only the corrected value is stored. What was done to it must be known to the
millisecond, so that it can be taken back: a correction is applied to readings of a time from `LEAD_MS` after
it was written on, until as long after it was undone. By then every running service knows of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

import msgspec

from rushlight.collector.electrode import calibration_fault, electrode_health
from rushlight.collector.readings import LIGHT, PH_PROBE, TEMPERATURE
from rushlight.collector.settings.tables import CalibrationPoint

__all__ = [
    "LEAD_MS",
    "Calibration",
    "Correction",
    "TankCalibrations",
    "WrittenCalibration",
    "calibration_entry_fault",
]

LEAD_MS: Final = 10_000
"""A service looks for new entries once a second. Common practice, no source."""

# what is beyond is a broken probe or a slip, no calibration: common practice, no source
MOST_OFFSET_C: Final = 5.0
MOST_OFFSET_MV: Final = 60.0  # at pH 7: a whole pH, so it stood in another buffer
LEAST_SLOPE_PERCENT: Final = 50.0  # of Nernst
MOST_SLOPE_PERCENT: Final = 110.0
LEAST_FACTOR: Final = 0.1
MOST_FACTOR: Final = 10.0

_DECIMALS = 9  # of a value that was corrected and taken back


class Calibration(msgspec.Struct, frozen=True, kw_only=True):
    """What a calibration found.

    Attributes
    ----------
    quantity : str
        `ph_probe`, `temperature` or `light`.
    points : tuple of CalibrationPoint
        Of an electrode: what it gave in its buffers.
    offset : float
        °C to be added to what a thermometer gives.
    factor : float
        By which the light is multiplied.
    against : str
        What it was compared with, in words.
    """

    quantity: str
    points: tuple[CalibrationPoint, ...] = ()
    offset: float = 0.0
    factor: float = 1.0
    against: str = ""

    def words(self) -> str:
        """What it says, in one line."""
        if self.quantity == PH_PROBE:
            buffers = ", ".join(
                f"pH {p.ph:.2f} {p.mv:+.1f} mV at {p.temperature_c:.1f} °C" for p in self.points
            )
            return f"calibrated the pH electrode ({buffers}): {electrode_health(self.points).words}"
        against = f" against {self.against}" if self.against else ""
        if self.quantity == TEMPERATURE:
            return f"calibrated the thermometer{against}: by {self.offset:+.2f} °C"
        return f"calibrated the light sensor{against}: × {self.factor:.3f}"


def calibration_entry_fault(calibration: Calibration) -> str:
    """What is wrong with it, in one line with what to do; "" for nothing."""
    if calibration.quantity == PH_PROBE:
        if not 1 <= len(calibration.points) <= 3:
            return "an electrode is calibrated with one to three buffers"
        return calibration_fault(calibration.points) or _electrode_fault(calibration.points)
    if calibration.quantity == TEMPERATURE:
        if not abs(calibration.offset) <= MOST_OFFSET_C:  # nan is not, either
            return (
                f"the thermometer is off by {calibration.offset:.1f} °C; by more than {MOST_OFFSET_C:g} °C "
                "it is a broken probe, or the reference is wrong"
            )
        return ""
    if calibration.quantity == LIGHT:
        if not LEAST_FACTOR <= calibration.factor <= MOST_FACTOR:
            return (
                f"the light sensor would be off by a factor of {calibration.factor:.3g}; is the reference in "
                "lux, at the sensor's own place?"
            )
        return ""
    return f"{calibration.quantity!r} can't be calibrated; known are {PH_PROBE}, {TEMPERATURE}, {LIGHT}"


def _electrode_fault(points: Sequence[CalibrationPoint]) -> str:
    """A buffer taken for another leaves a pH that is off by units; an ageing electrode does not."""
    health = electrode_health(points)
    slope, offset = health.slope_percent, health.offset_mv
    if offset is not None and abs(offset) > MOST_OFFSET_MV:
        found = f"{offset:+.0f} mV at pH 7, a pH and more off"
    elif slope is not None and not LEAST_SLOPE_PERCENT <= slope <= MOST_SLOPE_PERCENT:
        found = f"a slope of {slope:.0f} % of Nernst"
    else:
        return ""
    return (
        f"{found}, can't be right: was it another buffer than was said, or in another order? Take fresh "
        "buffers and calibrate again; if it comes again, the electrode is broken"
    )


class WrittenCalibration(NamedTuple):
    """One entry of the log: since when it counts, when it was written and undone (ms UTC)."""

    tank: str
    time_ms: int
    calibration: Calibration
    written_ms: int
    undone_ms: int | None


class Correction(NamedTuple):
    """`value · factor + offset`."""

    offset: float = 0.0
    factor: float = 1.0

    def of(self, value: float) -> float:
        """The corrected value."""
        return value * self.factor + self.offset

    def back(self, value: float) -> float:
        """What the probe itself had given."""
        return (value - self.offset) / self.factor


_NONE = Correction()


class TankCalibrations:
    """Those of one tank.

    Parameters
    ----------
    written : iterable of WrittenCalibration
        Undone ones, too.
    points : sequence of CalibrationPoint
        Of the settings: they count before the log's first.
    """

    def __init__(
        self, written: Iterable[WrittenCalibration], points: Sequence[CalibrationPoint] = ()
    ) -> None:
        self._settings_points = list(points)
        self._by: dict[str, list[WrittenCalibration]] = {}
        for one in sorted(written, key=lambda one: (one.time_ms, one.written_ms)):
            self._by.setdefault(one.calibration.quantity, []).append(one)

    def has(self, quantity: str) -> bool:
        """Whether the log has any of that quantity."""
        return quantity in self._by

    def settled_ms(self, quantity: str) -> int:
        """From this time on what is stored is by what is known now; 0 where the log has none of it."""
        return max(
            (
                max(one.time_ms, max(one.written_ms, one.undone_ms or 0) + LEAD_MS)
                for one in self._by.get(quantity, ())
            ),
            default=0,
        )

    def points(self, time_ms: int) -> list[CalibrationPoint]:
        """Those of the electrode at a time."""
        found = self._wanted(PH_PROBE, time_ms)
        return self._settings_points if found is None else list(found.points)

    def wanted(self, quantity: str, time_ms: int) -> Correction:
        """What should be done to a reading of that time, as is known now."""
        return _correction(self._wanted(quantity, time_ms))

    def applied(self, quantity: str, time_ms: int) -> Correction:
        """What was done to it on its way in."""
        found = None
        for one in self._by.get(quantity, ()):
            begins = max(one.time_ms, one.written_ms + LEAD_MS)
            if begins <= time_ms and (one.undone_ms is None or time_ms < one.undone_ms + LEAD_MS):
                found = one.calibration
        return _correction(found)

    def again(self, quantity: str, time_ms: int, value: float) -> float:
        """A stored value as it is by what is known now."""
        applied, wanted = self.applied(quantity, time_ms), self.wanted(quantity, time_ms)
        return value if applied == wanted else round(wanted.of(applied.back(value)), _DECIMALS)

    def _wanted(self, quantity: str, time_ms: int) -> Calibration | None:
        found = None
        for one in self._by.get(quantity, ()):
            if one.undone_ms is None and one.time_ms <= time_ms:
                found = one.calibration
        return found


def _correction(calibration: Calibration | None) -> Correction:
    return _NONE if calibration is None else Correction(calibration.offset, calibration.factor)
