"""The numbers of the doubts about the lamp's hours and the heater's setpoint."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = ["DOUBT", "LAMP_HOURS", "SETPOINT"]


class DoubtNumbers(Numbers, frozen=True, kw_only=True):
    """What all doubts about settings share."""

    least_days: Annotated[int, Of("d", "days in a row that must agree before a setting is doubted")] = 3


class LampHoursNumbers(Numbers, frozen=True, kw_only=True):
    """The lamp's own hours against those of the settings (`lamp_hours`)."""

    doubt_min: Annotated[float, Of("min", "hours of the settings that are further off are doubtful")] = 30.0
    slack_min: Annotated[
        float, Of("min", "past the timer's tolerance, or past what one switching differs by: somewhere else")
    ] = 5.0
    astray_min: Annotated[
        int, Of("min", "lit or out against its own habit for longer, it is missing or stuck all the same")
    ] = 60
    strays: Annotated[int, Of("", "switchings in a row somewhere else that end the doubt")] = 4
    chance: Annotated[
        float, Of("", "rows of days that clouds alone may be expected to make: more, and a row says nothing")
    ] = 0.05
    daylight_min: Annotated[float, Of("min", "in which their edges fall: a short day's light")] = 480.0
    kept_days: Annotated[int, Of("d", "days of switchings that are kept")] = 6
    kept_edges: Annotated[int, Of("", "switchings of one kind that are kept, at most")] = 40


class SetpointNumbers(Numbers, frozen=True, kw_only=True):
    """What the heater holds against its setpoint (`setpoint`)."""

    doubt_c: Annotated[float, Of("°C", "a setpoint further from what is held is doubtful")] = 1.5
    steady_c: Annotated[float, Of("°C", "days that are held differ by less than this")] = 0.5
    near_c: Annotated[
        float, Of("°C", "a thermostat's swing: a day's low this near to where it comes on is held by it")
    ] = 0.7
    low_quantile: Annotated[float, Of("", "a day's low is this quantile of its values")] = 0.25
    least_values: Annotated[int, Of("", "five-minute values that a day must have, of 288")] = 250
    spoilt_values: Annotated[int, Of("", "so many of them, an hour, may be spoilt by another fault")] = 12
    on_share: Annotated[float, Of("", "above this share of its highest power the heater heats")] = 0.3
    least_w: Annotated[float, Of("W", "and above so much at its highest: less is a plug's own")] = 1.0
    least_on_share: Annotated[float, Of("", "heating for more than this share of a day it governs")] = 0.05
    most_on_share: Annotated[float, Of("", "and for less than this: else it never switches off")] = 0.9
    over_room_c: Annotated[float, Of("°C", "water warmer than the room by more than this is heated")] = 1.5
    well_over_room_c: Annotated[
        float, Of("°C", "by more than this a heater that holds too little is seen to be working")
    ] = 3.0
    kept_days: Annotated[int, Of("d", "held days that are kept")] = 7
    shown_days: Annotated[int, Of("d", "of which the last give what it holds")] = 5


DOUBT = DoubtNumbers()
LAMP_HOURS = LampHoursNumbers()
SETPOINT = SetpointNumbers()
