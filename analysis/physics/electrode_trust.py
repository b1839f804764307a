"""How far a pH is to be trusted: by when its electrode was calibrated, as far as anybody knows.

The standard errors are for the CO2 estimate and for what is shown beside it; both take them from here. An
offset that stays the same does not matter to what compares the tank with its own usual days.
"""

from __future__ import annotations

import datetime
import math
from typing import Literal, NamedTuple

from rushlight.analysis.physics.numbers import ELECTRODE
from rushlight.collector.electrode import OFFSET_LARGE_MV, electrode_health, nernst_slope_mv
from rushlight.collector.settings import PhCalibration

__all__ = ["PhTrust", "old_ph_error", "ph_trust", "uncalibrated_ph_error"]

_EPOCH = datetime.date.fromisoformat("1970-01-01").toordinal()


class PhTrust(NamedTuple):
    """`error`: standard error, pH. `words`: a clause to stand beside the figure, "" where all is well."""

    state: Literal["calibrated", "old", "not known", "not calibrated"]
    error: float
    words: str


def old_ph_error() -> float:
    """pH, where the calibration is old or its day not known: a calibrated one's, and the creep (0.18)."""
    return math.hypot(ELECTRODE.calibrated_ph, ELECTRODE.creep_ph)


def uncalibrated_ph_error() -> float:
    """pH, where there is no calibration (0.29).

    An offset anywhere within what a sound electrode may have, ±30 mV or half a pH, is an error of half its
    range over the root of 3 (rectangular distribution; GUM, JCGM 100:2008, 4.3.7).
    """
    return OFFSET_LARGE_MV / nernst_slope_mv(ELECTRODE.buffer_c) / math.sqrt(ELECTRODE.rectangular)


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
        return PhTrust("not calibrated", uncalibrated_ph_error(), "the electrode is not calibrated")
    if calibration.points and electrode_health(calibration.points).verdict == "suspect":
        return PhTrust(
            "not calibrated",
            uncalibrated_ph_error(),
            "the electrode's calibration in the settings can't be right",
        )
    date = calibration.calibrated
    age = None if date is None else day - (date.toordinal() - _EPOCH)
    if age is None or age < -1:  # the day may be that of another time zone, but not one to come
        return PhTrust(
            "not known",
            old_ph_error(),
            "the day of the electrode's calibration is not known (ph_calibration.calibrated)",
        )
    if age > ELECTRODE.keeps_days:
        return PhTrust(
            "old", old_ph_error(), f"the electrode was calibrated {age} days ago: calibrate it again"
        )
    return PhTrust("calibrated", ELECTRODE.calibrated_ph, "")
