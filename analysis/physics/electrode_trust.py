"""How far a pH is to be trusted: by when its electrode was calibrated, as far as anybody knows.

The standard errors are for the CO2 estimate and for what is shown beside it; both take them from here. An
offset that stays the same does not matter to what compares the tank with its own usual days.
"""

from __future__ import annotations

import datetime
import math
from typing import Literal, NamedTuple

from rushlight.collector.electrode import OFFSET_LARGE_MV, electrode_health, nernst_slope_mv
from rushlight.collector.settings import PhCalibration

__all__ = [
    "CALIBRATED_PH_ERROR",
    "CREEP_PH",
    "KEEPS_DAYS",
    "OLD_PH_ERROR",
    "UNCALIBRATED_PH_ERROR",
    "PhTrust",
    "ph_trust",
]

CALIBRATED_PH_ERROR = 0.1
"""pH, standard error of a hobby electrode between calibrations; common practice, no source."""
CREEP_PH = 0.15
"""pH by which an electrode creeps in a month and more; common practice, no source."""
KEEPS_DAYS = 31
"""Days a calibration is relied on: once a month is common practice, no source."""
OLD_PH_ERROR = math.hypot(CALIBRATED_PH_ERROR, CREEP_PH)
"""pH, where the calibration is older than that, or its day not known: both errors together (0.18)."""
UNCALIBRATED_PH_ERROR = OFFSET_LARGE_MV / nernst_slope_mv(25.0) / math.sqrt(3.0)
"""pH, where there is none: an offset anywhere within what a sound electrode may have, ±30 mV or half
a pH, is an error of half its range over the root of 3: 0.29 (rectangular distribution; GUM, JCGM 100:2008,
4.3.7)."""

_EPOCH = datetime.date(1970, 1, 1).toordinal()


class PhTrust(NamedTuple):
    """`error`: standard error, pH. `words`: a clause to stand beside the figure, "" where all is well."""

    state: Literal["calibrated", "old", "not known", "not calibrated"]
    error: float
    words: str


def ph_trust(calibration: PhCalibration, raw: bool, day: int) -> PhTrust:
    """How far the pH of a tank is to be trusted.

    Parameters
    ----------
    calibration : PhCalibration
        From the tank's settings.
    raw : bool
        The device sends the electrode's millivolts, so without `points` nobody has calibrated it.
    day : int
        Local days since 1970-01-01.
    """
    if raw and not calibration.points:
        return PhTrust("not calibrated", UNCALIBRATED_PH_ERROR, "the electrode is not calibrated")
    if calibration.points and electrode_health(calibration.points).verdict == "suspect":
        return PhTrust(
            "not calibrated",
            UNCALIBRATED_PH_ERROR,
            "the electrode's calibration in the settings can't be right",
        )
    date = calibration.calibrated
    age = None if date is None else day - (date.toordinal() - _EPOCH)
    if age is None or age < -1:  # the day may be that of another time zone, but not one to come
        return PhTrust(
            "not known",
            OLD_PH_ERROR,
            "when the electrode was calibrated is not known (ph_calibration.calibrated)",
        )
    if age > KEEPS_DAYS:
        return PhTrust(
            "old", OLD_PH_ERROR, f"the electrode was calibrated {age} days ago: calibrate it again"
        )
    return PhTrust("calibrated", CALIBRATED_PH_ERROR, "")
