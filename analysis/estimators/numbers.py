"""Numbers of the running estimates."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.estimators.units import DAY_MS, MINUTE_MS
from rushlight.analysis.numbers import Numbers, Of

__all__ = ["CLOCK", "DAILY", "JITTER", "RESTS", "ROBUST", "SENSOR", "WINDOW"]


class ClockNumbers(Numbers, frozen=True, kw_only=True):
    """Of the clock, and of one that is put back."""

    step_ms: Annotated[
        int, Of("ms", "a step back by more is followed: two minutes a device may be ahead, and a frame")
    ] = 3 * MINUTE_MS
    times_from_ms: Annotated[
        int, Of("ms", "from here on a whole number is a time", "September 2001: no count or span is so large")
    ] = 1_000_000_000_000
    zone_step_ms: Annotated[
        int, Of("ms", "offsets from UTC change on whole quarter-hours", "IANA time zone database")
    ] = 15 * MINUTE_MS


class DailyNumbers(Numbers, frozen=True, kw_only=True):
    """Of what is usual at a time of the day."""

    bins: Annotated[int, Of("", "parts of a day: half-hours")] = 48
    bin_values: Annotated[int, Of("", "so many values make a part of a day count")] = 2
    forget_share: Annotated[float, Of("", "the newest day's share in the usual mean, at least")] = 0.25
    days_kept: Annotated[int, Of("days", "the usual median is of the last so many")] = 5
    extremes_kept: Annotated[int, Of("days", "lowest, highest and mean are kept of the last so many")] = 7
    left_out_values: Annotated[
        int, Of("", "five-minute values; more that are not to be learnt from spoil a day: three hours")
    ] = 36


class JitterNumbers(Numbers, frozen=True, kw_only=True):
    """Of how much a probe jumps from minute to minute."""

    block_ms: Annotated[int, Of("ms", "jitter is judged by so long, from the first minute to the last")] = (
        29 * MINUTE_MS
    )
    block_frames: Annotated[int, Of("frames", "and by at least so many, where reports are rare")] = 12
    calm_share: Annotated[
        float, Of("", "of them, the calmest: hands, a rinse in buffers, are over within a third")
    ] = 2 / 3
    floor_ph: Annotated[float, Of("pH", "less is no fault, whatever the probe's habit")] = 0.02
    floor_temperature_c: Annotated[
        float,
        Of(
            "°C",
            "the same: between two of a thermometer's steps it jumps by up to twice one",
            "a 12-bit thermometer steps by 1/16 °C (DS18B20 data sheet, from memory)",
        ),
    ] = 0.1
    floor_room_temperature_c: Annotated[float, Of("°C", "the same for the room's air")] = 0.14
    kept_blocks: Annotated[int, Of("blocks", "what is usual is learnt of so many: a day")] = 48
    floor_steps: Annotated[
        float, Of("steps", "nor is so much: a level between two steps flickers from one to the other")
    ] = 1.6
    known_blocks: Annotated[int, Of("blocks", "so many make it known")] = 6
    start_times: Annotated[float, Of("", "the limit before that, in floors")] = 2.0
    start_ph: Annotated[
        float,
        Of(
            "pH",
            "the same for pH: from more on it alone moves CO2 by a tenth from five minutes to the next",
            "lg 1.1 of a mean, √5 of that a minute, √6 in second differences, 0.447 in their calmer",
        ),
    ] = 0.1
    lively_share: Annotated[float, Of("", "the usual level that so many blocks are below")] = 0.9
    limit_times: Annotated[
        float,
        Of("", "the limit, in that: white noise passes it in one block of a thousand, hardly in two on end"),
    ] = 1.7
    wild_times: Annotated[float, Of("", "a jump of so many floors and limits is wild")] = 3.0
    wild_share: Annotated[float, Of("", "so much of a block is wild, and the probe is in doubt")] = 0.22
    stale_ms: Annotated[int, Of("ms", "after a longer gap neighbours say nothing of each other")] = (
        30 * MINUTE_MS
    )
    loud: Annotated[float, Of("", "stands for a minute whose readings were all too far away")] = 99.0
    loose_blocks: Annotated[int, Of("blocks", "a loose contact is judged by the last so many")] = 3
    loose_share: Annotated[float, Of("", "so much of them failed")] = 0.1
    loose_frames_each: Annotated[int, Of("frames", "and so many in each")] = 2

    def floor(self, quantity: str) -> float | None:
        """In the quantity's unit; None for what may jump."""
        if quantity == "temperature":
            return self.floor_temperature_c
        if quantity == "ph":
            return self.floor_ph
        return self.floor_room_temperature_c if quantity == "room_temperature" else None

    def start(self, quantity: str, floor: float) -> float:
        """The limit of a new probe in the quantity's unit; `floor` is its own, a coarse step in it."""
        start = self.start_times * floor
        return max(start, self.start_ph) if quantity == "ph" else start


class RestsNumbers(Numbers, frozen=True, kw_only=True):
    """Of how long a live series stays at one value."""

    days_kept: Annotated[int, Of("days", "the longest rest of so many days is remembered")] = 7
    days_known: Annotated[int, Of("days", "so many say what is too long")] = 2
    false_days: Annotated[
        float, Of("days", "a live series rests for too long once in so many, on average")
    ] = 1000.0
    most_rests: Annotated[
        float, Of("a day", "more rests are the flicker of lively hours, and say nothing of quiet ones")
    ] = 20.0
    euler: Annotated[float, Of("", "the mean of a Gumbel variable, in scales", "Euler's constant")] = 0.5772
    sure_sds: Annotated[
        float,
        Of("standard errors", "of that limit are added: few days know little", "84 %, one-sided, normal"),
    ] = 1.0
    error_level: Annotated[
        float,
        Of("", "variance of a Gumbel quantile at y, in scale²/n: this + slope y + square y²", "Gumbel 1958"),
    ] = 1.109
    error_slope: Annotated[float, Of("", "its share that grows with y", "Gumbel 1958, from memory")] = 0.514
    error_square: Annotated[float, Of("", "and with y²: 6 / π²", "Gumbel 1958, from memory")] = 0.608
    gumbel_sd: Annotated[float, Of("", "standard deviation of a Gumbel variable, in scales", "π / √6")] = (
        1.2825
    )


class RobustNumbers(Numbers, frozen=True, kw_only=True):
    """Of statistics that a few wild values don't move."""

    sd_per_mad: Annotated[
        float,
        Of(
            "",
            "standard deviation, in median absolute deviations",
            "normal distribution, 1 / quantile of 0.75",
        ),
    ] = 1.4826
    fewest: Annotated[int, Of("", "fewer values have no spread")] = 3


class SensorNumbers(Numbers, frozen=True, kw_only=True):
    """Of a series' own step, interval and noise."""

    median_of_five: Annotated[
        float,
        Of(
            "",
            "noise of the median of five values, in that of one",
            "standard deviation of the median of five normal values (order statistics)",
        ),
    ] = 0.536
    most: Annotated[float, Of("", "no quantity of a tank has a larger value, in any unit")] = 1e9
    fuzz_share: Annotated[
        float,
        Of(
            "",
            "of a value; a smaller difference is rounding of the device's arithmetic",
            "16 units in the last place of a single, 2**-23 each (IEEE 754)",
        ),
    ] = 2e-6
    repeats: Annotated[int, Of("", "differences as small make a step: one may be an odd one out")] = 3
    generation_ms: Annotated[
        int, Of("ms", "a step is forgotten after two such spans: a new probe may be coarser")
    ] = DAY_MS
    spans_kept: Annotated[
        int, Of("", "the interval is the median of so many: four odd ones are no matter")
    ] = 9
    frame_ms: Annotated[int, Of("ms", "readings are looked at once in so long")] = MINUTE_MS
    neighbours_intervals: Annotated[
        float, Of("intervals", "readings further apart say nothing of each other")
    ] = 3.5
    root_12: Annotated[
        float, Of("", "a step, in standard deviations of what it hides", "uniform distribution: √12")
    ] = 3.4641
    swing_per_noise: Annotated[
        float,
        Of(
            "",
            "mean size of second differences, in standard deviations of a reading",
            "normal distribution: √6 · √(2/π)",
        ),
    ] = 1.9544
    swing_most: Annotated[float, Of("", "of a second difference no more than so many usual ones count")] = 5.0
    swings_known: Annotated[int, Of("frames", "noise is the mean of about so many of the last")] = 120


class WindowNumbers(Numbers, frozen=True, kw_only=True):
    """Of the slope of the last values."""

    fewest: Annotated[int, Of("", "fewer values have no slope")] = 3
    full_share: Annotated[float, Of("", "so much of the span must be there")] = 0.75


CLOCK = ClockNumbers()
DAILY = DailyNumbers()
JITTER = JitterNumbers()
RESTS = RestsNumbers()
ROBUST = RobustNumbers()
SENSOR = SensorNumbers()
WINDOW = WindowNumbers()
