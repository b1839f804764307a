"""The numbers of the test that weighs what may have happened to the water's heat."""

from __future__ import annotations

import math
from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = ["CYCLE", "WEIGHED", "CycleNumbers", "WeighedNumbers"]


class WeighedNumbers(Numbers, frozen=True, kw_only=True):
    """How hypotheses of the heat are weighed against each other."""

    between_h: Annotated[float, Of("h", "mean time between two false alarms of one test: two years")] = (
        17520.0
    )
    trial_min: Annotated[float, Of("min", "a test is made once in that")] = 5.0
    span_min: Annotated[int, Of("min", "the water's course is weighed over so long, at most")] = 90
    least_min: Annotated[float, Of("min", "and over so long, at least")] = 15.0
    least_values: Annotated[int, Of("", "and over so many five-minute means, at least")] = 4
    noise_least_c: Annotated[
        float, Of("°C", "error of a five-minute mean: currents in the tank, whatever the thermometer")
    ] = 0.02
    bias_c_per_h: Annotated[float, Of("°C/h", "standard error of the slope that the model gives")] = 0.05
    own_min: Annotated[float, Of("min", "its slope before is taken over so long")] = 45.0
    own_least_min: Annotated[
        float, Of("min", "and over so long, at least: a turn is rounded by the probe's lag and the means")
    ] = 30.0
    own_share: Annotated[
        float, Of("", "error of the slope that goes on as before: that share of it, as the room changes")
    ] = 0.15
    bias_share: Annotated[float, Of("", "and that share of what room and lamp explain")] = 0.2
    guess_share: Annotated[float, Of("", "the same, until the tank's time constant is its own")] = 0.5
    lamp_c_per_h: Annotated[float, Of("°C/h", "and so much while the lamp may warm the water")] = 0.1
    no_room_c_per_h: Annotated[float, Of("°C/h", "and so much where no probe tells of the room")] = 0.12
    works_share: Annotated[
        float, Of("", "a heater at work gives that share of its usual heat, at least: it comes on with a lag")
    ] = 0.7
    heat_share: Annotated[
        float, Of("", "error of what a heater gives, of that: its rise may be shorter than two means")
    ] = 0.4
    typed_share: Annotated[
        float, Of("", "the same until the tank has shown it: watts and litres as typed, or guessed")
    ] = 0.6
    weak_share: Annotated[float, Of("", "a weak heater gives that share of it")] = 0.3
    draught_scale: Annotated[
        float, Of("", "with an open lid or a draught the tank loses so many times as much")
    ] = 2.0
    sure: Annotated[
        float, Of("", "probability of the name, against all that is not the heater's, at least")
    ] = 0.95
    most_odds: Annotated[float, Of("", "higher odds are not told")] = 1000.0
    unusual_c: Annotated[
        float, Of("°C", "above the usual of this hour by less, water is warmed by what warms it each day")
    ] = 0.3
    other_c_per_h: Annotated[float, Of("°C/h", "what sun, pump or a warm lid may add, beside the lamp")] = (
        0.25
    )
    chance_nats: Annotated[
        float,
        Of(
            "nats", "that something else begins to heat in the very minutes in which the heater should let go"
        ),
    ] = 2.0
    poured_nats: Annotated[
        float, Of("nats", "water poured in may have any step or slope: what that freedom costs it")
    ] = 2.0
    pouring_min: Annotated[float, Of("min", "mean time that pouring takes: longer is less likely")] = 10.0
    level_least_c: Annotated[
        float, Of("°C", "standard error of the level at which a thermostat switches, at least")
    ] = 0.04
    level_guess_c: Annotated[float, Of("°C", "the same, until the tank has shown that level")] = 0.3
    level_nats: Annotated[
        float, Of("nats", "what the level alone may count at most: a dial may have been turned")
    ] = 7.0
    over_nats: Annotated[
        float, Of("nats", "the same above where the heater lets go: sun, pump or a guest's stove do that too")
    ] = 4.0
    metered_c: Annotated[
        float, Of("°C", "standard error of that level where a meter shows when the heater switches, at least")
    ] = 0.03
    alone_nats: Annotated[
        float,
        Of("nats", "what the level may count where nothing else can tell: all that is needed, and more"),
    ] = 20.0
    metered_min: Annotated[float, Of("min", "a meter must have shown it for so long")] = 5.0
    began_c: Annotated[
        float, Of("°C", "a rise that began so far above where the heater usually comes on began with it off")
    ] = 0.3
    began_nats: Annotated[
        float,
        Of(
            "nats", "that a dial was turned up just then: one stuck heater in twenty, where the contacts weld"
        ),
    ] = 3.0
    poured_odds: Annotated[
        float, Of("to 1", "water poured in, likelier by that: the heater's fault must wait")
    ] = 4.0
    came_on_c: Annotated[
        float, Of("°C", "a rise that began further above where the heater comes on is not its own")
    ] = 0.15

    def enough(self) -> float:
        """Nats that make an alarm.

        A likelihood ratio above A comes up by chance less often than once in A trials (Wald 1945,
        *Sequential tests of statistical hypotheses*, Ann. Math. Statist. 16; cited from memory), so A is the
        trials in the mean time between two false alarms.
        """
        return math.log(self.between_h * 60 / self.trial_min)

    def named(self) -> float:
        """Nats by which a name must be ahead of what is not the heater's doing."""
        return math.log(self.sure / (1 - self.sure))


class CycleNumbers(Numbers, frozen=True, kw_only=True):
    """How the cycle of a heater is followed."""

    turn_c: Annotated[float, Of("°C", "water that went back by that has turned, at least")] = 0.08
    turn_noises: Annotated[float, Of("", "and by so many standard errors of a five-minute mean")] = 4.0
    share: Annotated[
        float, Of("", "at a thermostat's turn the slope changes by that share of the heater's pace, at least")
    ] = 0.35
    least_c_per_h: Annotated[float, Of("°C/h", "and by so much, at least")] = 0.15
    kept: Annotated[int, Of("", "turns that are kept")] = 12
    tops: Annotated[int, Of("", "turns that show where it lets go")] = 3
    heats: Annotated[int, Of("", "rises that show how fast it heats")] = 3
    low_share: Annotated[float, Of("", "that share of the turns are lower than the lowest that counts")] = (
        0.25
    )
    high_share: Annotated[float, Of("", "that share are lower than the highest that counts")] = 0.75


WEIGHED = WeighedNumbers()
CYCLE = CycleNumbers()
