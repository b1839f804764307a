"""The cooler's numbers: how its turning points are learnt, and when it has stopped."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = ["COOLER_STOPPED", "COOLER_TURNS", "CoolerStoppedNumbers", "CoolerTurnNumbers"]


class CoolerTurnNumbers(Numbers, frozen=True, kw_only=True):
    """Where a cooler turns the rising water."""

    arm_min: Annotated[int, Of("min", "so long on either side of a turn is looked at")] = 30
    apart_min: Annotated[int, Of("min", "between one turn and the next, at least")] = 30
    fall_c: Annotated[
        float,
        Of(
            "°C",
            "fall within half an hour after a turn, at least: a daily wave of 1.5 °C falls by 0.013 °C "
            "in the half-hour after its peak",
        ),
    ] = 0.07
    rise_c: Annotated[float, Of("°C", "rise within the hour before it, at least")] = 0.03
    below_c: Annotated[float, Of("°C", "a turn so far below the set point is not the cooler's")] = 0.8
    above_c: Annotated[float, Of("°C", "nor so far above it")] = 1.2
    heated_c: Annotated[
        float, Of("°C", "a heater lets go so near above where it came on: such a turn is its own")
    ] = 1.0
    kept: Annotated[int, Of("", "turns that are kept")] = 12
    turns: Annotated[int, Of("", "turns that show where it does it, and in how warm a room")] = 3
    fall_share: Annotated[
        float,
        Of(
            "", "water that fell from a turn by that share of the usual bend, an hour, was cooled all the way"
        ),
    ] = 0.33
    guess_c_per_h: Annotated[
        float, Of("°C/h", "a cooler slows the water by that, until this one is known")
    ] = 0.4
    together_c: Annotated[float, Of("°C", "a cooler's turns lie nearer together than that")] = 0.15


class CoolerStoppedNumbers(Numbers, frozen=True, kw_only=True):
    """A cooler that doesn't cool."""

    overdue_c: Annotated[float, Of("°C", "so far above where it used to turn, a turn is overdue")] = 0.12
    overdue_spreads: Annotated[float, Of("", "and by so many spreads of its turns")] = 3.0
    overdue_min: Annotated[int, Of("min", "after so long")] = 60
    overdue_fan_min: Annotated[
        int, Of("min", "a fan, no room known: it may be at work and not enough, so after so long")
    ] = 120
    falls_c_per_h: Annotated[float, Of("°C/h", "water that falls faster is being cooled")] = 0.1
    copes_c: Annotated[float, Of("°C", "what a room may be warmer than it has coped with")] = 0.2
    spare_share: Annotated[
        float, Of("", "of what a chiller can make up for: a third, it may be at work for long of the day")
    ] = 0.33
    leave_c: Annotated[float, Of("°C", "water so far below the turn has left it")] = 0.15
    near_c: Annotated[
        float, Of("°C", "slow water is turned so much lower than fast water, which overshoots")
    ] = 0.12
    passed_c: Annotated[float, Of("°C", "so near below the turn counts as there")] = 0.03
    passed_min: Annotated[int, Of("min", "and so long after that it should have bent")] = 45
    lamp_min: Annotated[int, Of("min", "so long after the lamp switched, a bend is not the cooler's")] = 40
    wet_bulb_gap_c: Annotated[
        float,
        Of(
            "°C",
            "a fan cools water that much below the air at most: air of 25 °C and 50 % humidity has a wet "
            "bulb some 7 °C lower, and a fan never gets there",
        ),
    ] = 5.0
    fan_least_share: Annotated[float, Of("", "of its usual bend is left to a fan in warm air, at least")] = (
        0.2
    )
    bend_share: Annotated[float, Of("", "more than that share of the usual bend is a bend")] = 0.4
    over_c: Annotated[float, Of("°C", "so far above its turn the water has passed it")] = 0.06
    over_spreads: Annotated[float, Of("", "and by so many spreads of its turns")] = 2.5
    cold_room_c: Annotated[
        float, Of("°C", "lamp and pump lift an uncooled tank over its room by less than that")
    ] = 4.0
    bent_min: Annotated[int, Of("min", "where it was at work as the water came, overdue for so long")] = 180
    bent_fan_min: Annotated[int, Of("min", "the same for a fan, no room known")] = 240
    refuted_h: Annotated[float, Of("h", "how long water that was no fault of it is remembered")] = 72.0
    refuted_c: Annotated[float, Of("°C", "water less warmer than that was is no sign")] = 0.15
    highs_least: Annotated[int, Of("", "days' peaks from which its set point is guessed")] = 2
    fan_allow_c: Annotated[float, Of("°C", "nothing learnt: what a fan lets pass its set point")] = 2.0
    chiller_allow_c: Annotated[float, Of("°C", "nothing learnt: what a chiller lets pass it")] = 1.2
    peak_days: Annotated[int, Of("", "the last days whose peaks are usual: a week has a hot one")] = 7
    peak_c: Annotated[float, Of("°C", "so far above these is unusual")] = 0.2
    allow_least_c: Annotated[float, Of("°C", "it may pass its set point by that, whatever is usual")] = 0.3
    allow_most_c: Annotated[float, Of("°C", "and by that at most")] = 2.5
    evaporation_c: Annotated[
        float, Of("°C", "evaporation takes water so far below the room, not surely further")
    ] = 1.5
    hot_c: Annotated[float, Of("°C", "so far above all that, and rising, is too hot")] = 0.2
    hot_anyway_c: Annotated[float, Of("°C", "so far above all that is too hot, rising or not")] = 0.8
    rises_c_per_h: Annotated[float, Of("°C/h", "water that rises faster is rising")] = 0.03
    hot_min: Annotated[int, Of("min", "too hot for so long is an alarm")] = 20
    back_c: Annotated[float, Of("°C", "so far below it the water is cool again")] = 0.06
    back_untaught_c: Annotated[float, Of("°C", "the same, and at once, where nothing is learnt")] = 0.3
    back_h: Annotated[float, Of("h", "cool again for so long ends the alarm")] = 24.0


COOLER_TURNS = CoolerTurnNumbers()
COOLER_STOPPED = CoolerStoppedNumbers()
