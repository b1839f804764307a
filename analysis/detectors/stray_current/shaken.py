"""An electrode that leapt once and shakes since: a current, before any device has switched back.

Hands, a rinse or a calibration are over within the half-hour. What goes on for longer is a current through
the water, or an electrode that is broken or hangs out: no hand belongs in the water before it is known.
"""

from __future__ import annotations

from rushlight.analysis.detectors.moment import Moment
from rushlight.analysis.detectors.stray_current.numbers import CURRENT

__all__ = ["leapt_and_shakes", "seen"]


def leapt_and_shakes(moment: Moment, now: int) -> bool:
    """Whether it has shaken for so long that no person is at it any more. `now`: ms UTC.

    A leap that is no larger than what it shakes by is of the shaking: a broken electrode, or one in the air.
    """
    shaken = None if moment.gas_before is None else moment.gas_before.shaken
    if shaken is None or now - shaken[0] < CURRENT.shaken_ms:
        return False
    return shaken[1] - shaken[2] > CURRENT.leap_jitters * moment.probes.ph_jitter


def seen(moment: Moment) -> list[str]:
    """In words."""
    shaken = None if moment.gas_before is None else moment.gas_before.shaken
    if shaken is None:
        return ["pH leapt and shook for an hour and more, as in a current, and is calm now"]
    return [
        f"pH leapt from {shaken[1]:.2f} to {shaken[2]:.2f} within two minutes and shakes since, as in a "
        "current; a broken electrode, or one that hangs out of the water, does so too"
    ]
