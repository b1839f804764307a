"""A metering plug that goes as the lamp does."""

from __future__ import annotations

from rushlight.analysis.detectors.moment import Moment, minutes_text
from rushlight.analysis.detectors.power.numbers import MAINS
from rushlight.analysis.detectors.power.sensor_limits import spans_ms
from rushlight.collector.readings import HEATER_POWER

__all__ = ["PLUG_WENT", "lamp_and_plug", "plug_silent", "plug_with"]

PLUG_WENT = "the metering plug on the heater fell silent at the same moment"


def plug_silent(moment: Moment, plug_ms: int) -> bool:
    """Whether the plug, last heard at `plug_ms` (ms UTC, -1 never), says nothing any more."""
    patience_ms = spans_ms(moment, HEATER_POWER, MAINS.plug_min, MAINS.plug_intervals)
    return moment.frame.heater is None and plug_ms >= 0 and moment.frame.start_ms - plug_ms > patience_ms


def plug_with(moment: Moment, plug_ms: int, lamp_ms: int) -> bool:
    """Whether it went as the lamp did at `lamp_ms`."""
    most_ms = spans_ms(moment, HEATER_POWER, MAINS.plug_together_min, MAINS.together_intervals)
    return abs(plug_ms - lamp_ms) <= most_ms


def lamp_and_plug(moment: Moment, plug_ms: int, lamp_ms: int) -> list[str] | None:
    """What is seen of both where nobody knows the lamp's hours; None where they did not go together.

    A plug that loses its network as the lamp goes by its timer would be a strange chance: the lamp does
    that in one of some hundred such spans of a day.
    """
    if lamp_ms < 0 or not plug_silent(moment, plug_ms) or not plug_with(moment, plug_ms, lamp_ms):
        return None
    return [f"the lamp went out {minutes_text((moment.frame.start_ms - lamp_ms) / 1000)} ago", PLUG_WENT]
