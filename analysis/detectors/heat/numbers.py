"""The numbers of the heat family, one struct a subject; `cooler_numbers.py` has the cooler's."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = [
    "COMES_ON",
    "HEAT",
    "LETS_GO",
    "LIMITS",
    "UNHEATED",
    "WELDED",
    "ComesOnNumbers",
    "DeadNumbers",
    "HeatNumbers",
    "LetsGoNumbers",
    "LimitNumbers",
    "StuckNumbers",
]


class HeatNumbers(Numbers, frozen=True, kw_only=True):
    """What is known of the water's heat, whoever judges it."""

    block_min: Annotated[int, Of("min", "the slow estimators get a mean over so many minutes")] = 5
    course_values: Annotated[int, Of("", "such means that are kept: three hours, both ends counted")] = 37
    slope_min: Annotated[int, Of("min", "the water's slope is over so long")] = 30
    short_slope_min: Annotated[int, Of("min", "its slope after a disturbance, until there is more")] = 15
    long_slope_min: Annotated[int, Of("min", "its slope where only what lasts counts")] = 60
    settle_min: Annotated[int, Of("min", "after lamp or water changed, the curve is not the heater's")] = 60
    let_go_min: Annotated[
        int, Of("min", "after a heater let go, water is taken to fall without heat for so long")
    ] = 60
    room_old_min: Annotated[int, Of("min", "a reading of the room counts for so long")] = 60
    gap_min: Annotated[int, Of("min", "a longer gap in the readings: slopes across it mean nothing")] = 20
    gap_reports: Annotated[float, Of("", "or so many times the usual time between two reports")] = 3.5
    hold_min: Annotated[int, Of("min", "without values for longer, what was found is no longer held")] = 30
    stayed_c: Annotated[float, Of("°C", "so far from where it leapt from, a level has stayed away")] = 1.0
    rough_min: Annotated[int, Of("min", "the level of a restless probe is over so long")] = 15
    rough_least_min: Annotated[int, Of("min", "and over so long, at least")] = 9
    step_c: Annotated[float, Of("°C", "a step within `step_min` beyond what heaters do: a water change")] = (
        0.25
    )
    step_steps: Annotated[
        float, Of("steps", "nor is a change of one of the thermometer's own steps a water change")
    ] = 1.6
    step_min: Annotated[int, Of("min", "such a step is seen within that, or between two reports")] = 2
    step_heaters: Annotated[float, Of("", "so many of its heaters at once do not explain a step")] = 3.0
    changed_min: Annotated[
        int, Of("min", "so long a water change that was noted explains the water; heaters take as long")
    ] = 120
    disturbed_min: Annotated[int, Of("min", "so long after a step the water is not judged")] = 40
    day_share: Annotated[float, Of("", "so much of a day makes it a whole day")] = 0.66
    metered_w: Annotated[
        float, Of("W", "a heater that draws less in full is the meter's own draw, or not known")
    ] = 5.0
    draws_share: Annotated[
        float, Of("", "a heater that draws more than that share of its full power is on")
    ] = 0.4
    dial_c: Annotated[
        float, Of("°C", "what a thermostat's dial and swing may be off by, until the tank has shown its own")
    ] = 1.3
    dial_most_c: Annotated[float, Of("°C", "what a dial may be off by at most")] = 2.5
    dial_up_c: Annotated[float, Of("°C", "what a heater may come on above its dial, at most")] = 0.3
    swing_least_c: Annotated[float, Of("°C", "least swing between a heater's going on and off")] = 0.3
    high_days: Annotated[int, Of("", "days' peaks that show a ceiling where no set point is known")] = 2
    lamp_c_per_h: Annotated[float, Of("°C/h", "what a lamp over a small tank warms it by, at least")] = 0.25
    lamp_most_c_per_h: Annotated[float, Of("°C/h", "what a lamp warms it by, at most")] = 0.5
    lamp_span_min: Annotated[int, Of("min", "the usual curve's rise is taken over so long")] = 30
    guess_scale: Annotated[
        float, Of("", "a warm room, and a time constant that is a guess: it may be so many times faster")
    ] = 1.8
    cooler_gap_c: Annotated[
        float, Of("°C", "a corner nearer below the cooler's set point than that may be the cooler's")
    ] = 1.0
    critical_h: Annotated[float, Of("h", "a limit reached sooner is critical")] = 1.0
    high_h: Annotated[float, Of("h", "a limit reached sooner is high: within the night")] = 10.0


class LimitNumbers(Numbers, frozen=True, kw_only=True):
    """The livestock's limits of temperature."""

    tolerance_c: Annotated[
        float,
        Of(
            "°C",
            "what the usual one-wire thermometer may be off by",
            "data sheet of the DS18B20, accuracy from −10 to 85 °C",
        ),
    ] = 0.5
    expect_h: Annotated[float, Of("h", "a limit that will be passed within that is an alarm before")] = 3.0
    unheld_h: Annotated[
        float, Of("h", "the same where the heater can't hold the water, and falls go on: a night")
    ] = 10.0
    hold_c: Annotated[float, Of("°C", "an alarm holds until the water is that far within its limit")] = 0.3
    far_h: Annotated[float, Of("h", "a limit reached sooner is of high priority")] = 1.0
    unusual_c: Annotated[
        float, Of("°C", "so far past its usual daily peak or trough the water may be on its way to a limit")
    ] = 0.25
    ahead_min: Annotated[int, Of("min", "where it usually goes is looked at in such steps")] = 30
    moved_c: Annotated[float, Of("°C", "water that goes up and down by more is moved by the day")] = 2.0
    moves_c: Annotated[float, Of("°C", "and goes up by more from now, where the day moves it")] = 0.1
    day_scale: Annotated[float, Of("", "so many times as fast as usual at this hour is no usual day")] = 3.0
    air_c: Annotated[float, Of("°C", "so near the room's temperature a probe may hang in its air")] = 2.0
    leap_frames: Annotated[int, Of("", "minutes' means behind a leap that make its level")] = 3
    leap_min: Annotated[int, Of("min", "so long a leap lasts that is judged: a splash is over")] = 2
    coarse_c: Annotated[float, Of("°C", "of a thermometer with such steps a slope is seen too late")] = 0.25
    at_limit_steps: Annotated[
        float, Of("steps", "such a reading so near below a limit may be past it: half a step, less its noise")
    ] = 0.4
    climbs_steps: Annotated[float, Of("steps", "it has moved by so many within three hours: it goes on")] = (
        1.5
    )
    least_c_per_h: Annotated[float, Of("°C/h", "slower water is on its way to no limit")] = 0.03
    long_min: Annotated[int, Of("min", "water goes towards a limit over so long")] = 120
    short_share: Annotated[float, Of("", "its slope over half an hour, of that over an hour, at least")] = 0.3
    poured_c_per_h: Annotated[
        float, Of("°C/h", "a tank that falls faster, and than its own cooling, had cold water poured in")
    ] = 0.5
    poured_scale: Annotated[float, Of("", "so many times its own cooling is cold water poured in")] = 1.5
    before_min: Annotated[int, Of("min", "the hour before the last begins so long ago")] = 115
    before_share: Annotated[
        float, Of("", "the change in the hour before, of that in the last, of a heat wave, at least")
    ] = 0.6


class ComesOnNumbers(Numbers, frozen=True, kw_only=True):
    """Where a heater is seen to come on."""

    arm_min: Annotated[int, Of("min", "so long on each side of a corner in the curve is looked at")] = 40
    arm_values: Annotated[int, Of("", "and so many values, at least")] = 3
    corner_apart_min: Annotated[int, Of("min", "between one corner and the next, at least")] = 45
    corners: Annotated[
        int, Of("", "corners that show where it comes on; the meter is sure the first time")
    ] = 3
    corner_flat_c: Annotated[float, Of("°C", "a corner is that near the lowest about it")] = 0.01
    fall_c_per_h: Annotated[float, Of("°C/h", "before a corner water falls so fast, at least")] = 0.03
    rise_c_per_h: Annotated[float, Of("°C/h", "and rises so fast after it, at least")] = 0.05
    change_c_per_h: Annotated[float, Of("°C/h", "and its slope changes by that, at least")] = 0.15
    change_share: Annotated[
        float, Of("", "and by that share of the pace that the heater's watts give this much water")
    ] = 0.35
    watts_frames: Annotated[int, Of("", "readings of the meter that are kept, one a minute at most")] = 10
    sure_min: Annotated[
        int, Of("min", "the meter must say it for so long, and twice: one reading alone may be the plug's")
    ] = 2
    off_share: Annotated[
        float, Of("", "a heater that draws less than that share of its full power is off")
    ] = 0.1
    heats_min: Annotated[
        int, Of("min", "water goes on falling for so long at most after the heater came on")
    ] = 45
    stale_min: Annotated[int, Of("min", "an older reading of the meter says nothing of now")] = 10
    kept: Annotated[int, Of("", "the last times it came on that count")] = 12
    low_share: Annotated[float, Of("", "it holds from where that share of them are lower")] = 0.25
    sure_times: Annotated[int, Of("", "after so many times at one temperature a little below counts")] = 6
    sure_spread_c: Annotated[float, Of("°C", "times at one temperature differ by less")] = 0.1


class LetsGoNumbers(Numbers, frozen=True, kw_only=True):
    """When a heater is seen to let go."""

    before_min: Annotated[int, Of("min", "the water's slope before a turn is over so long")] = 35
    after_most_min: Annotated[int, Of("min", "a turn is judged so long after it, at the latest")] = 90
    before_values: Annotated[int, Of("", "five-minute means that a slope before a turn needs")] = 6
    after_values: Annotated[int, Of("", "means that a slope after it needs: twenty-five minutes")] = 5
    around_values: Annotated[int, Of("", "means on each side over which a turn must stand out")] = 2
    change_c_per_h: Annotated[float, Of("°C/h", "the slope changes by more at a turn")] = 0.2
    rise_c_per_h: Annotated[float, Of("°C/h", "heated water rises faster")] = 0.04
    fall_c_per_h: Annotated[float, Of("°C/h", "water that has lost its heat falls faster")] = 0.1
    fall_share: Annotated[float, Of("", "and by more than that share of its usual cooling")] = 0.6
    shift_h: Annotated[float, Of("h", "a turn lies at most so far from the highest value")] = 0.4
    from_min: Annotated[int, Of("min", "turns are learnt when so old, at most")] = 50
    to_min: Annotated[int, Of("min", "and so old, at least")] = 30
    apart_min: Annotated[int, Of("min", "between one turn and the next, at least")] = 40
    kept: Annotated[int, Of("", "turns that are kept")] = 8
    turns: Annotated[int, Of("", "turns that show where it lets go")] = 3
    short_c: Annotated[float, Of("°C", "what the turns of one thermostat differ by, as a probe sees it")] = (
        0.1
    )
    together_min: Annotated[
        float, Of("min", "lamp out and heater off by one cause: no further apart than probes lag")
    ] = 7.5
    rare_min: Annotated[
        int, Of("min", "turns further apart than that hardly fall into the lamp's own minute")
    ] = 150
    lamp_from_min: Annotated[int, Of("min", "what the lamp's going takes is seen so long after it")] = 40
    lamp_to_min: Annotated[int, Of("min", "and no later than that")] = 60
    lamp_kept: Annotated[int, Of("", "evenings of which that is kept")] = 6
    lamp_c_per_h: Annotated[
        float, Of("°C/h", "what a lamp over a small tank warms it by, until this one is known")
    ] = 0.2


class DeadNumbers(Numbers, frozen=True, kw_only=True):
    """A heater that doesn't heat."""

    under_c: Annotated[float, Of("°C", "so far below what the heater holds something is wrong")] = 0.3
    under_sure_c: Annotated[float, Of("°C", "the same where it always came on at one temperature")] = 0.15
    spreads: Annotated[float, Of("", "and by so many spreads of where it came on, 5 % if normal")] = 2.0
    far_c: Annotated[float, Of("°C", "so far below, little else is asked")] = 1.0
    far_wait_min: Annotated[int, Of("min", "how long it must look so, where it is that far below")] = 5
    wait_min: Annotated[int, Of("min", "how long, where it is below by `under_c`")] = 15
    near_wait_min: Annotated[int, Of("min", "how long, where it is nearer")] = 30
    hold_c: Annotated[float, Of("°C", "nearer to what the heater holds an alarm only holds")] = 0.1
    clear_min: Annotated[int, Of("min", "it must be seen at work that long ago: over the alarm's delay")] = 20
    corner_min: Annotated[int, Of("min", "a corner in the curve is seen that long after it came on")] = 40
    held_h: Annotated[float, Of("h", "water held so long is held by the heater, not by a warm day")] = 24.0
    half_share: Annotated[
        float, Of("", "a thermostat knows on and off: that share of its power is a heater half failed")
    ] = 0.5
    works_min: Annotated[int, Of("min", "the meter shows it at work for so long")] = 4
    idle_min: Annotated[int, Of("min", "the meter shows it idle for so long")] = 9
    poured_c_per_h: Annotated[float, Of("°C/h", "slower falls are never colder water poured in")] = 0.5
    poured_fall_scale: Annotated[float, Of("", "so many times its usual cooling is water poured in")] = 2.5
    poured_scale: Annotated[float, Of("", "so many times what the room explains is, too")] = 2.2
    cooling_c_per_h: Annotated[float, Of("°C/h", "how fast a tank cools, until its own is known")] = 0.6
    falls_c_per_h: Annotated[float, Of("°C/h", "water that falls faster is falling")] = 0.03
    rises_c_per_h: Annotated[float, Of("°C/h", "water that rises faster is heated")] = 0.05
    idle_share: Annotated[
        float, Of("", "less heat than that share of the heater's, beyond the room's, is none")
    ] = 0.35
    fall_share: Annotated[float, Of("", "no heat: it falls by more than that share of its usual fall")] = 0.6
    low_fall_share: Annotated[float, Of("", "the same where it is `low_c` below, and the room nearer")] = 0.35
    low_c: Annotated[float, Of("°C", "so far below the room is so near that water falls slower")] = 0.7
    fall_c_per_h: Annotated[float, Of("°C/h", "no heat: a fall faster than that, where none is usual")] = 0.06
    fall_most_c_per_h: Annotated[float, Of("°C/h", "a fall faster than that is never heated")] = 0.12
    flat_c_per_h: Annotated[float, Of("°C/h", "far below, water that rises slower is not heated")] = 0.02
    works_c_per_h: Annotated[float, Of("°C/h", "a heater at work warms faster")] = 0.08
    works_share: Annotated[float, Of("", "and by that share of its pace, beyond the room's")] = 0.5
    works_rise_share: Annotated[float, Of("", "and by that share of the usual rise, no room known")] = 0.6
    works_rate_share: Annotated[float, Of("", "and by that share of its pace, no room known")] = 0.4
    room_c: Annotated[float, Of("°C", "a room so near below a limit never cools the water past it")] = 0.2


class StuckNumbers(Numbers, frozen=True, kw_only=True):
    """A heater that stays on."""

    over_c: Annotated[float, Of("°C", "so far above what the heater holds something is wrong")] = 0.3
    over_metered_c: Annotated[float, Of("°C", "the same where a meter says that it draws")] = 0.15
    far_c: Annotated[float, Of("°C", "so far above, it must look so for a shorter time")] = 1.0
    far_wait_min: Annotated[int, Of("min", "how long it must look so, that far above")] = 5
    wait_min: Annotated[int, Of("min", "how long, where it is nearer")] = 15
    unusual_c: Annotated[float, Of("°C", "so far above the usual at this hour water is unusual")] = 0.4
    always_c: Annotated[float, Of("°C", "so far above what the heater holds it always is")] = 1.5
    refuted_h: Annotated[float, Of("h", "how long water that another heat warmed is remembered")] = 72.0
    refuted_c: Annotated[float, Of("°C", "water less warmer than that other heat made it is no sign")] = 0.2
    refuted_min: Annotated[
        int, Of("min", "without a meter: an alarm refuted sooner says nothing of other heat")
    ] = 30
    poured_scale: Annotated[
        float, Of("", "so many times the heater's pace is warmer water that was poured in")
    ] = 1.8
    back_c: Annotated[float, Of("°C", "falling water so near what the heater holds is back there")] = 0.1
    falls_c_per_h: Annotated[float, Of("°C/h", "water that falls faster is not heated")] = 0.1
    fall_share: Annotated[float, Of("", "and by that share of its usual cooling")] = 0.5
    cooling_c_per_h: Annotated[float, Of("°C/h", "how fast a tank cools, until its own is known")] = 0.2
    cooler_works_c: Annotated[
        float, Of("°C", "from so far below its set point a cooler may make the water fall")
    ] = 1.2
    cooler_c: Annotated[float, Of("°C", "from so far below its set point a cooler should be at work")] = 0.3
    first_share: Annotated[float, Of("", "nothing learnt: it rises by that share of the heater's pace")] = (
        0.35
    )
    room_c: Annotated[float, Of("°C", "a room so near below what the heater holds may warm past it")] = 0.5
    guess_errors: Annotated[
        float,
        Of("standard errors", "of what room and lamp explain, until it is learnt: 95 %, one-sided, normal"),
    ] = 1.645
    share: Annotated[float, Of("", "heat of that share of its pace, beyond room and lamp, is its own")] = 0.4
    excess_c_per_h: Annotated[float, Of("°C/h", "and so much, where the room is measured")] = 0.15
    cooler_share: Annotated[
        float, Of("", "where a cooler may have stopped in a warm room: that share of its pace")
    ] = 0.8
    cooler_excess_c_per_h: Annotated[float, Of("°C/h", "and so much, there")] = 0.3
    lasting_share: Annotated[
        float, Of("", "over the last quarter of an hour still that share: what was poured in is over")
    ] = 0.15
    rise_share: Annotated[float, Of("", "no room known: it rises by that share of its usual rise")] = 0.55
    cooler_rise_share: Annotated[float, Of("", "the same where a cooler may have stopped")] = 0.75
    rise_c_per_h: Annotated[float, Of("°C/h", "and so fast, at least")] = 0.08
    slow_nats: Annotated[
        float,
        Of("nats", "the course above its level is likelier by that with it on: half of an alarm by itself"),
    ] = 6.0
    cycle_c: Annotated[float, Of("°C", "a heater's swing, until its own is known")] = 1.0
    cycle_share: Annotated[
        float, Of("", "a stuck heater leaves from below that share of its cycle; a warm room lifts it all")
    ] = 0.6


HEAT = HeatNumbers()
LIMITS = LimitNumbers()
COMES_ON = ComesOnNumbers()
LETS_GO = LetsGoNumbers()
UNHEATED = DeadNumbers()
WELDED = StuckNumbers()
