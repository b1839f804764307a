"""Numbers of calibrating. No detector judges by them. All common practice, no source, unless one is named."""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["CALIBRATING", "CalibratingNumbers"]


class CalibratingNumbers(NamedTuple):
    """When a reading is steady, and when an electrode's slope shows its age."""

    settle_s: float = 45.0  # what is looked at must be so long
    readings: int = 4  # and hold so many readings at least
    drift_mv: float = 0.5  # its two halves differ by no more: 0.008 pH
    drift_c: float = 0.05  # a thermometer's
    drift_light: float = 0.03  # a light sensor's, of its level
    patience_min: float = 10.0  # what is not steady by then is worn, or it moves
    in_hand_min: float = 30.0  # readings of a probe in hand are not judged for so long
    clock_min: float = 2.0  # its device's clock may be behind by so much and is believed
    worn_percent: float = 85.0  # an electrode with a slope below it is replaced
    trend_points: int = 3  # calibrations from which a trend of the slope is said


CALIBRATING = CalibratingNumbers()
