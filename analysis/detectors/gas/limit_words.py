"""What is said of a pH outside its limits: its likeliest cause, and what speaks for one of its own."""

from __future__ import annotations

from rushlight.analysis.detectors.gas.acid_numbers import ALKALINE
from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.estimators.units import DAY_MS, HOUR_MS

__all__ = ["cause_of", "drop_test", "own_words"]


def cause_of(acid: bool, sinks_on: bool, gas: bool) -> str:
    """The likeliest cause. `gas`: too much of it, or none any more, explains it, too."""
    if acid and gas and not sinks_on:
        return "too much gas, or carbonate hardness that is running out: only a test of KH tells which"
    if acid:
        return "carbonate hardness is running out, so little acid moves pH far"
    if gas:
        return "no CO2 comes any more, or something makes the water alkaline: a stone, substrate, tap water"
    return "something makes the water alkaline: a stone, substrate, tap water, or the electrode is off"


def drop_test(acid: bool, gas: bool) -> str:
    """The test that tells it from gas; "" where gas is no question."""
    if acid:
        return "test KH and pH with drop tests: with KH as usual it is gas, or the electrode"
    if gas:
        return "test KH and pH with drop tests: with KH as usual the CO2 is missing, or it is the electrode"
    return ""


def own_words(curve: PhCurve, acid: bool, pace: float, chance: float) -> list[str]:
    """What speaks for a cause of its own, where CO2 may explain it, too.

    `pace`: pH an hour by which it sinks as hardness does, 0 for not. `chance`: probability that something
    alkaline lifts it.
    """
    if acid and pace > 0:
        return [
            f"it sinks on by {pace * DAY_MS / HOUR_MS:.2f} a day where gas would have come to its new level; "
            "if it is gas all the same, air comes first, and does good either way"
        ]
    if acid:
        return ["gas may lower it as well: air comes first, and does good either way"]
    if chance <= ALKALINE.probability:
        return []
    percent = 100 * min(chance, ALKALINE.surest)
    return [
        f"it rises by {curve.rise:.2f} an hour, faster than gas leaves as a rule: something alkaline "
        f"lifts it, with a probability of {percent:.0f} %"
    ]
