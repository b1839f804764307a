"""The numbers of gas that rises for hours outside a tank's own days."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = ["COURSE"]


class CourseNumbers(Numbers, frozen=True, kw_only=True):
    """How a day's course differs from the usual one, and what a supply that goes on leads to."""

    bins: Annotated[int, Of("half-hours", "over which a course is looked at: what gathers in two hours")] = 4
    long_bins: Annotated[int, Of("half-hours", "and over which what gathers more slowly is looked at")] = 8
    bin_min: Annotated[int, Of("min", "of each; of the last a five-minute value is not there yet")] = 30
    value_min: Annotated[int, Of("min", "that is less")] = 5
    least_days: Annotated[int, Of("days", "a time of day must have been seen on: its first may be odd")] = 3
    least_spread_ph: Annotated[float, Of("pH", "by which no two days' courses are more alike")] = 0.012
    errors: Annotated[
        float,
        Of(
            "standard deviations",
            "of one day's course from another's, to be outside of them: of five days they are known roughly",
        ),
    ] = 6.0
    below_ph: Annotated[float, Of("pH", "below the usual lowest: the fish have not been there")] = 0.05
    falls_ph_per_h: Annotated[float, Of("pH/h", "a slower fall has levelled off, and leads nowhere")] = 0.015
    night_h: Annotated[float, Of("h", "on which it is looked ahead: a night's sleep, or a day at work")] = 8.0
    probability: Annotated[float, Of("", "of being over the limit by then, to be told")] = 0.3
    held_share: Annotated[float, Of("", "of that probability, until it is let go")] = 0.5
    rises_ph: Annotated[
        float, Of("pH", "in that span on usual days, while the gas leaves: gas then comes out of hours")
    ] = 0.05
    drift_errors: Annotated[
        float,
        Of(
            "standard deviations",
            "of what pH does in half an hour on other days, to be no drift of the electrode's own",
            "by chance once in two weeks of looks; normal distribution",
        ),
    ] = 3.5


COURSE = CourseNumbers()
