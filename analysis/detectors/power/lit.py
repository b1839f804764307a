"""Whether a lamp is lit, so that the mains is there."""

from __future__ import annotations

from rushlight.analysis.detectors.lamp.numbers import TRACKER
from rushlight.analysis.detectors.moment import Moment

__all__ = ["shines"]


def shines(moment: Moment) -> bool:
    """Whether a lamp is lit. Less light than its own is the sun's."""
    lamp, lux = moment.lamp, moment.frame.light
    if not lamp.on:
        return False
    return lux is None or lamp.level_lx is None or lux > TRACKER.lit_share * lamp.level_lx
