"""The numbers of the lamp family.

A lux sensor hangs where a keeper hangs it: a share of the lamp's own level says more than any lux. What is in
lux is meant for lamps bright enough for plants.
"""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = ["DIMMING", "MISSING", "PRESENCE", "ROOM_LIGHT", "STUCK", "TIMER", "TRACKER"]


class TrackerNumbers(Numbers, frozen=True, kw_only=True):
    """The lamp's level, its edges and its ramp (`tracker`)."""

    dark_lx: Annotated[float, Of("lx", "below this no aquarium lamp is on")] = 150.0
    lamp_lx: Annotated[float, Of("lx", "a level above this is a lamp's")] = 300.0
    gap_min: Annotated[float, Of("min", "after a longer gap in the reports the lamp is looked at anew")] = (
        15.0
    )
    lit_share: Annotated[float, Of("", "above this share of its level the lamp is taken as lit")] = 0.7
    dark_share: Annotated[float, Of("", "below this share of its level the lamp is taken as out")] = 0.3
    out_share: Annotated[
        float, Of("", "below this share of its level a lamp of which nothing is known is out")
    ] = 0.12
    edge_share: Annotated[float, Of("", "a swing of this share of the level is a switching")] = 0.55
    early_share: Annotated[float, Of("", "share of the level at which a switching is first timed")] = 0.25
    late_share: Annotated[float, Of("", "share of the level at which it is timed again")] = 0.5
    extra_min: Annotated[int, Of("min", "a switching may take so much longer than the lamp's ramp")] = 5
    at_once_min: Annotated[
        float, Of("min", "a quarter of the swing in less than this: the lamp comes at once, with no ramp")
    ] = 1.5
    known_edges: Annotated[int, Of("", "so many switchings at the right time tell the lamp's ramp")] = 2
    kept_edges: Annotated[int, Of("", "so many of them are kept")] = 8
    longest_ramp_min: Annotated[
        float, Of("min", "the longest ramp to expect of a lamp that nothing is known of")
    ] = 60.0
    longest_seen_ramp_min: Annotated[float, Of("min", "no ramp that is seen counts as longer")] = 90.0
    no_edge_h: Annotated[
        float, Of("h", "without a switching for so long, what was learnt of the ramp is forgotten")
    ] = 36.0
    seen_share: Annotated[
        float, Of("", "where less than this share of a span was reported, nothing is said of it")
    ] = 0.6
    stirs_share: Annotated[
        float,
        Of("", "light that moved by more of the level is looked at now, and not with the next five minutes"),
    ] = 0.05
    kept_frames: Annotated[int, Of("", "minutes of light that are kept, before some are let go")] = 100
    let_go_frames: Annotated[int, Of("", "minutes that are let go of at once")] = 20
    steady_frames: Annotated[int, Of("", "from fewer frames nobody can say that light stands still")] = 3
    rare_min: Annotated[
        float, Of("min", "where frames are further apart, an edge is somewhere between two of them")
    ] = 1.5
    grain_steps: Annotated[
        float, Of("", "light that stands still moves by a step of its sensor, no more")
    ] = 1.25
    grain_share: Annotated[
        float, Of("", "and a step is no more than this share of the level, as far as is known")
    ] = 0.25
    level_days: Annotated[int, Of("d", "the lamp's level is from the last photoperiods, so many")] = 5
    second_days: Annotated[
        int, Of("d", "from so many photoperiods on the lowest is left out: one odd day is no level")
    ] = 4
    low_quantile: Annotated[
        float, Of("", "of a photoperiod's values the lamp's own is this quantile: sunlight only adds")
    ] = 0.125
    least_values: Annotated[int, Of("", "five-minute values that a day's photoperiod must have")] = 6
    least_share: Annotated[
        float, Of("", "and that share of its hours: of an afternoon alone, all may be sun")
    ] = 0.6
    value_min: Annotated[float, Of("min", "of each value, where reports are not rarer")] = 5.0
    kept_days: Annotated[int, Of("d", "photoperiods that are kept")] = 60
    day_values: Annotated[int, Of("", "five-minute values looked at together with no schedule: a day")] = 288
    most_clear: Annotated[
        float, Of("", "an edge that is a larger share of the lamp's level may be a cloud's")
    ] = 1.5
    clear_share: Annotated[
        float, Of("", "light that moves by more of that level before an edge is the sun's")
    ] = 0.15
    steady_beside: Annotated[int, Of("", "values on either side of a steady one that are as bright")] = 2
    steady_share: Annotated[float, Of("", "as bright: no more than this share apart; clouds are not")] = 0.1
    together_share: Annotated[
        float, Of("", "steady light so near together, as a share, is one lamp's; a clear day's sun passes by")
    ] = 0.12
    hour_values: Annotated[
        int, Of("", "so many of them, an hour, where they come out of the dark or go back into it")
    ] = 12
    switch_values: Annotated[
        int, Of("", "within so many: a switching, a short ramp; no dawn is as quick")
    ] = 2
    before_share: Annotated[float, Of("", "dark there: less than this share of it")] = 0.1
    blind_values: Annotated[int, Of("", "so many of them, two hours, must there be")] = 24


class RoomLightNumbers(Numbers, frozen=True, kw_only=True):
    """Light while the lamp is out (`room_light`)."""

    bin_min: Annotated[int, Of("min", "daylight is remembered by parts of the day so long")] = 30
    least_minutes: Annotated[int, Of("min", "minutes that a part must have been seen, to count")] = 10
    wait_bins: Annotated[
        int, Of("", "parts before a peak counts: what an alarm was about is no daylight")
    ] = 6
    fades_per_day: Annotated[
        float, Of("", "what is left of a peak after a day: a bright day is remembered for a week or two")
    ] = 0.93


class TimerNumbers(Numbers, frozen=True, kw_only=True):
    """The timer's clock, its tolerance, and the habit where no schedule is set (`detector`, `hours`)."""

    tolerance_min: Annotated[float, Of("min", "how far off a timer may be where none is set")] = 15.0
    seen_ramp_share: Annotated[
        float, Of("", "share of a ramp as seen that blurs its own beginning: added to the tolerance")
    ] = 0.3
    set_ramp_share: Annotated[float, Of("", "the same of a ramp that is set")] = 0.1
    patience_min: Annotated[
        float, Of("min", "past its time before a lamp is missed or stuck; a hand at the tank takes less")
    ] = 45.0
    patience_hour_off_min: Annotated[float, Of("min", "where the timer is likely to be an hour off")] = 75.0
    clock_days: Annotated[float, Of("d", "for so long after a clock change an hour off is likely")] = 8.0
    gap_min: Annotated[
        float, Of("min", "without a report for longer the power may have been cut; a router restarts in less")
    ] = 20.0
    cut_min: Annotated[float, Of("min", "out for longer than this, a timer may have stood still")] = 10.0
    cut_d: Annotated[float, Of("d", "for so long a cut explains a timer that stood still")] = 1.5
    spacing_share: Annotated[
        float, Of("", "share of what frames are further apart than a minute that is added to the tolerance")
    ] = 0.5
    early_min: Annotated[
        float, Of("min", "out as early as it came on, within this: a timer that is off, no lamp that failed")
    ] = 15.0
    same_time_min: Annotated[
        float, Of("min", "edges of one switching differ by no more than this from day to day")
    ] = 10.0
    habit_share: Annotated[
        float, Of("", "share of the days with an edge at one time of the day: a habit")
    ] = 0.4
    habit_days: Annotated[int, Of("d", "and so many of them at least")] = 2
    further_days: Annotated[int, Of("d", "the same for a further period: shadows come at one time, too")] = 3
    kept_habit_d: Annotated[int, Of("d", "days of edges from which the habit is taken")] = 10
    longest_habit_min: Annotated[
        float, Of("min", "no lamp over plants is on for longer in a day: that is the sun's doing, too")
    ] = 1140.0
    weekend_d: Annotated[
        int, Of("d", "so long after a habit is known comes the first weekend that may have other hours")
    ] = 7
    kept_habit: Annotated[int, Of("", "and edges of one kind, at most")] = 40


class PresenceNumbers(Numbers, frozen=True, kw_only=True):
    """Whether the lamp is there, by its light: for a lamp that is missing and for one that is stuck."""

    margin_min: Annotated[float, Of("min", "from the ends of the photoperiod, past ramp and tolerance")] = (
        10.0
    )
    full_share: Annotated[float, Of("", "above this share of its level a lamp is lit undimmed")] = 0.8
    there_share: Annotated[float, Of("", "above this share of the level light can be the lamp's")] = 0.5
    dim_share: Annotated[
        float, Of("", "below this share of the level daylight doesn't pass for the lamp")
    ] = 0.35
    still_min: Annotated[int, Of("min", "light that doesn't move for so long is a lamp's")] = 20
    still_share: Annotated[float, Of("", "that is: by no more than this share of its level")] = 0.1


class MissingNumbers(Numbers, frozen=True, kw_only=True):
    """A lamp that is out in its photoperiod (`missing`)."""

    extra_min: Annotated[
        float, Of("min", "past ramp and tolerance, before a lamp that is late is missed")
    ] = 15.0
    patience_share: Annotated[
        float, Of("", "of a short period, before a lamp that doesn't come is missed")
    ] = 0.4
    out_min: Annotated[
        float, Of("min", "a lamp switched off by hand for work at the tank is back sooner")
    ] = 40.0
    dark_min: Annotated[int, Of("min", "dark for so long, the lamp has gone out")] = 10
    end_min: Annotated[float, Of("min", "so near the end of the photoperiod it may as well be its time")] = (
        30.0
    )
    gone_share: Annotated[
        float, Of("", "below this share of the level no sun does the lamp's work, so it can be missed")
    ] = 0.45
    fade_min: Annotated[
        float, Of("min", "so long before it fades by its schedule, dark is not yet the fade")
    ] = 10.0
    part_min: Annotated[
        float,
        Of(
            "min",
            "light that fell to a part of it and stays: a lid or a meter that was moved is put back sooner",
        ),
    ] = 180.0
    back_min: Annotated[int, Of("min", "light that stays so long is the lamp's, though it moves")] = 60
    shortest_ramp_min: Annotated[
        float, Of("min", "in a shorter ramp no lamp is seen to fail while it brightens")
    ] = 10.0
    fall_min: Annotated[int, Of("min", "in which it falls then")] = 3
    fall_share: Annotated[float, Of("", "share of its level that is gone within them")] = 0.25
    absent_min: Annotated[float, Of("min", "past tolerance and half the ramp, it has not come on")] = 5.0
    bright_lx: Annotated[float, Of("lx", "a lamp's light, though its level is not known yet")] = 600.0
    bright_min: Annotated[int, Of("min", "so many minutes of it are the lamp")] = 60
    first_min: Annotated[float, Of("min", "a lamp never seen is waited for so much longer")] = 60.0


class StuckNumbers(Numbers, frozen=True, kw_only=True):
    """A lamp that is on after its photoperiod, in full or dimmed (`stuck`, `glows`)."""

    extra_min: Annotated[float, Of("min", "past ramp and tolerance, before a lamp that is lit is stuck")] = (
        20.0
    )
    begin_min: Annotated[
        float, Of("min", "so early in a photoperiod an outage of the day before is over")
    ] = 5.0
    sharp_low_share: Annotated[
        float, Of("", "a lamp switched on at once rises by more than this of its level")
    ] = 0.7
    sharp_high_share: Annotated[float, Of("", "and by less than this")] = 1.4
    sure_days: Annotated[int, Of("d", "days of daylight at that hour by which it is known")] = 2
    glow_min: Annotated[int, Of("min", "a dimmed lamp stays as it is for so long")] = 45
    glow_parts: Annotated[int, Of("", "in so many parts, which are compared")] = 3
    glow_share: Annotated[float, Of("", "less of the level than this is no lamp, dimmed or not")] = 0.1
    night_share: Annotated[
        float, Of("", "a night light that is meant gives less of the lamp's level than this")
    ] = 0.35
    fall_min: Annotated[
        float, Of("min", "so much before its tolerance it must not have been dark: else it was switched on")
    ] = 10.0
    deep_dark_share: Annotated[float, Of("", "an hour below this share of the level is quite dark")] = 0.03
    usual_factor: Annotated[float, Of("", "brighter than daylight at its brightest by this factor")] = 1.3
    usual_share: Annotated[float, Of("", "and by this share of the level, it is no daylight")] = 0.05
    level_share: Annotated[
        float, Of("", "parts that differ by less than this share: even a clear sky's light rises and sinks")
    ] = 0.02


class DimmingNumbers(Numbers, frozen=True, kw_only=True):
    """A lamp that loses light (`dimming`)."""

    fall_share: Annotated[float, Of("", "a lamp that has lost this share of its light is dimming")] = 0.12
    over_factor: Annotated[float, Of("", "it is so until the fall is less than this much of that")] = 0.6
    step_share: Annotated[
        float, Of("", "from one day to the next: another lamp, a cleaned glass; the days before don't count")
    ] = 0.12
    last_days: Annotated[int, Of("d", "it is judged by the last photoperiods, so many")] = 21
    least_days: Annotated[int, Of("d", "and by so many at least")] = 6
    trend_z: Annotated[
        float,
        Of(
            "",
            "standard errors by which the Mann-Kendall count is from none",
            "2.33 is the one-sided 1 % point of the normal distribution",
        ),
    ] = 2.3
    bend_per_sd: Annotated[
        float,
        Of(
            "",
            "median bend of three days in a row, in standard deviations of one day",
            "0.6745 √6 = 1.652, by the normal distribution",
        ),
    ] = 1.65
    weather_factor: Annotated[
        float,
        Of("", "times the scatter of weather that a fall must be: a lamp ages smoothly, to a per cent or so"),
    ] = 6.0


TRACKER = TrackerNumbers()
ROOM_LIGHT = RoomLightNumbers()
TIMER = TimerNumbers()
PRESENCE = PresenceNumbers()
MISSING = MissingNumbers()
STUCK = StuckNumbers()
DIMMING = DimmingNumbers()
