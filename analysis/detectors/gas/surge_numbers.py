"""The numbers of a surge: several times the usual supply of gas."""

from __future__ import annotations

from statistics import NormalDist
from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = ["SURGE"]


class SurgeNumbers(Numbers, frozen=True, kw_only=True):
    """Several times the usual supply of gas, seen in minutes."""

    frames: Annotated[int, Of("frames", "that are kept: twice the long span, and a little")] = 28
    least_share: Annotated[float, Of("", "of the limit: with less gas there is time to see more")] = 0.25
    short_min: Annotated[int, Of("min", "a fall is looked for over so long")] = 6
    long_min: Annotated[int, Of("min", "and over so long where readings are rare or coarse")] = 13
    often: Annotated[float, Of("1/min", "readings, for a fall over the short span")] = 3.0
    least_frames: Annotated[int, Of("frames", "with a pH, that a fall takes")] = 5
    step_share: Annotated[float, Of("", "of the fall in one minute: a step, no chemistry")] = 0.5
    noises: Annotated[float, Of("standard deviations", "of a reading: less in a minute is noise")] = 4.0
    least_noise_ph: Annotated[float, Of("pH", "no frame is better than that")] = 0.004
    regression: Annotated[
        float, Of("", "n values evenly over a span T: variance of a slope is 12 σ²/(n T²)", "arithmetic")
    ] = 12.0
    between_h: Annotated[float, Of("h", "mean time between two surges made of noise: half a year")] = 4383.0
    odds: Annotated[float, Of("", "by which a fall that goes on is likelier than a step")] = 3.0
    fit_min: Annotated[
        int, Of("min", "over which a fall is weighed against a step: the long span, and the level before")
    ] = 21
    between_frames: Annotated[
        int, Of("frames", "between two levels: an electrode takes a minute from one to the other")
    ] = 1
    block_min: Annotated[int, Of("min", "a usual day moves no more than evenly within five minutes")] = 5
    learns_every_min: Annotated[
        int,
        Of("min", "between two looks at the electrode's own wandering: twice the long span"),
    ] = 30
    learns_in: Annotated[int, Of("looks", "over which that is learnt: a day")] = 48
    clipped: Annotated[
        float, Of("", "times what is known of it: more is gas or a hand, and counts as that")
    ] = 4.0
    least_supply: Annotated[float, Of("", "of the usual supply; lamps and tides of plants make less")] = 1.7
    beyond_usual: Annotated[float, Of("", "above the most that the same sum makes of the usual day")] = 0.6
    soil_scatters: Annotated[
        float,
        Of("scatters", "of the daily lowest pH by which the usual is off over active soil: one day in ten"),
    ] = 1.3
    around_parts: Annotated[int, Of("", "parts of the usual day before and after that are looked at")] = 3
    part_min: Annotated[int, Of("min", "of each of them")] = 30
    odd_ph: Annotated[float, Of("pH", "below the usual of this time of day, near the lowest")] = 0.03
    near_low_ph: Annotated[float, Of("pH", "above the usual lowest is near it")] = 0.1
    far_odd_ph: Annotated[float, Of("pH", "below the usual of this time of day, at any level")] = 0.1
    frames_in_a_row: Annotated[int, Of("frames", "that must show it")] = 2
    forecast_log: Annotated[float, Of("ln mg/L", "standard error of an hour's forecast by the supply")] = 0.2
    soon_probability: Annotated[float, Of("", "of being over the limit within the time a person needs")] = 0.3
    person_h: Annotated[
        float, Of("h", "that a person needs to wake and act, and as long again for the gas to leave")
    ] = 1.5
    least_loss_per_h: Annotated[float, Of("1/h", "no tank loses its gas slower")] = 0.1
    most_loss_per_h: Annotated[float, Of("1/h", "nor is more made of a usual day")] = 2.0
    ceaseless_share: Annotated[
        float, Of("", "of the losses that a tank may have (log) are below what is taken where none is seen")
    ] = 0.25
    rise_bins: Annotated[int, Of("half-hours", "over which the usual day's steepest rise is taken")] = 2

    def errors(self, span_min: int) -> float:
        """Standard errors that are taken off; a look over so long is a new one (normal distribution)."""
        return NormalDist().inv_cdf(1 - span_min / (self.between_h * 60))


SURGE = SurgeNumbers()
