"""The numbers of the timer's drift."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = ["DRIFT"]


class DriftNumbers(Numbers, frozen=True, kw_only=True):
    """Switchings against the schedule (`drift`)."""

    farthest_min: Annotated[
        float, Of("min", "no timer is so far off; a lamp on so long before its time may be early")
    ] = 240.0
    look_min: Annotated[
        float, Of("min", "so long must it be dark before, or steady after, a switching that is the lamp's")
    ] = 15.0
    settle_min: Annotated[float, Of("min", "after its ramp the light is looked at so much later")] = 2.0
    steady_share: Annotated[float, Of("", "a lamp's light varies by less than this share of its level")] = (
        0.12
    )
    dark_share: Annotated[float, Of("", "less light than this share of the level is dark")] = 0.25
    pace_min: Annotated[float, Of("min", "a quarter of the ramp may be so much longer or shorter")] = 3.0
    pace_share: Annotated[float, Of("", "or by this share of the ramp, whichever is more")] = 0.125
    size_low_share: Annotated[float, Of("", "a switching of the lamp's size is more than this of it")] = 0.75
    size_high_share: Annotated[float, Of("", "and less than this")] = 1.3
    enough_points: Annotated[
        int, Of("", "points by which it is believed; a clear switching has 2, one of its size and pace 1")
    ] = 3
    cause_points: Annotated[int, Of("", "points that are enough where a cause is known")] = 2
    agree_min: Annotated[float, Of("min", "switchings wrong by about as much agree within this")] = 12.0
    alike_min: Annotated[float, Of("min", "a switching this near to a known drift is the same one")] = 20.0
    kept_d: Annotated[float, Of("d", "for so long a doubtful switching waits for one that agrees")] = 2.5
    kept_doubts: Annotated[int, Of("", "doubtful switchings that are kept")] = 6
    never_fitted_d: Annotated[
        float, Of("d", "hours that never fitted are the settings' until this; a doubt comes on day three")
    ] = 4.0
    clock_change_d: Annotated[float, Of("d", "for so long a clock change is the likely cause of a drift")] = (
        4.0
    )
    kept_errors: Annotated[int, Of("", "switchings by which the drift is judged, at most")] = 64
    kept_errors_d: Annotated[float, Of("d", "and of so many days")] = 14.0
    trend_d: Annotated[float, Of("d", "a drift's course is from the switchings of so many days")] = 10.0
    trend_edges: Annotated[int, Of("", "and from so many at least")] = 6
    scatter_min: Annotated[float, Of("min", "more scatter about the course than this: a jump, no drift")] = (
        3.0
    )
    jump_min: Annotated[float, Of("min", "or a last switching so far from it")] = 8.0
    slip_d: Annotated[float, Of("d", "a timer that slips is seen to do so over so long at least")] = 3.5
    slip_min: Annotated[
        float, Of("min", "in which it has moved so far: a keeper sees by the eye no less, common practice")
    ] = 7.0
    slip_away_min: Annotated[float, Of("min", "and it is so far from its time by now")] = 5.0
    slip_scatters: Annotated[float, Of("", "and so many times as far as its switchings scatter")] = 4.0
    slip_pace: Annotated[float, Of("min/d", "by more than so much a day")] = 0.8
    slip_edges: Annotated[int, Of("", "so many of one kind of switching have a course of their own")] = 3
    slip_share: Annotated[
        float, Of("", "of the common course, that each of them must slip by: the sun bends only one")
    ] = 0.5
    slip_z: Annotated[
        float,
        Of(
            "",
            "standard errors by which the Mann-Kendall count is from none",
            "of a normal distribution 1 of 370 is beyond 3; at some two looks a day that are much alike, "
            "half a year and more between false alarms",
        ),
    ] = 3.0
    slip_over: Annotated[float, Of("", "it slips until less than this share of all that is seen")] = 0.6
    past_min: Annotated[float, Of("min", "one switching so far past its tolerance is a drift")] = 1.0
    past_trend_min: Annotated[float, Of("min", "or a course so far past it")] = 1.5
    within_min: Annotated[float, Of("min", "so far within its tolerance it is on time again")] = 1.0
    medium_min: Annotated[float, Of("min", "a drift of more than this is no small matter")] = 60.0
    shown_errors: Annotated[int, Of("", "switchings that are told of")] = 4


DRIFT = DriftNumbers()
