"""Numbers of stray current."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.numbers import Numbers, Of

__all__ = ["CURRENT", "STEPS"]


class StepNumbers(Numbers, frozen=True, kw_only=True):
    """Of pH steps too sudden for chemistry."""

    frames: Annotated[
        int, Of("frames", "a step is looked for in so many: two before, two between, two after")
    ] = 6
    dense_ms: Annotated[int, Of("ms", "reports as dense as this: else the fewer frames are looked at")] = (
        2 * MINUTE_MS
    )
    frames_rare: Annotated[int, Of("frames", "where reports are rarer: two before, two after")] = 4
    span_ms: Annotated[int, Of("ms", "in which they must lie")] = 12 * MINUTE_MS
    span_intervals: Annotated[float, Of("intervals", "or in so many, where reports are rarer")] = 4.5
    least_ph: Annotated[float, Of("pH", "no smaller step is seen")] = 0.05
    least_steps: Annotated[
        float, Of("steps", "nor one of so few of the electrode's own: water that creeps makes one at a time")
    ] = 1.6
    noise_start_ph: Annotated[float, Of("pH", "difference of neighbours, before it is known")] = 0.01
    noise_share: Annotated[float, Of("", "a frame's share in the known difference of neighbours")] = 0.02
    noise_times: Annotated[float, Of("", "a step is at least so many times that")] = 5.0
    within_share: Annotated[float, Of("", "before and after it, neighbours differ by less of it")] = 0.3
    sudden_share: Annotated[
        float, Of("", "so much of it within two frames: a gas surge is steep too, but it goes on")
    ] = 0.8
    goes_on_ms: Annotated[
        int, Of("ms", "after it: what falls on within by as much again is no step, but gas that comes on")
    ] = 6 * MINUTE_MS
    same_ms: Annotated[int, Of("ms", "the same way within this, it is the same step")] = 9 * MINUTE_MS
    same_intervals: Annotated[float, Of("intervals", "or within so many, where reports are rarer")] = 2.5
    seen_after_intervals: Annotated[
        float,
        Of("intervals", "or so many, where reports are rarer: between the two before and the two after"),
    ] = 1.5
    seen_after_ms: Annotated[int, Of("ms", "so long after it a step is seen")] = 3 * MINUTE_MS
    kept: Annotated[int, Of("", "so many steps are kept")] = 40
    kept_ms: Annotated[int, Of("ms", "for so long")] = 36 * HOUR_MS
    restless_times: Annotated[
        float, Of("", "of a restless electrode only a step of so many times its jitter counts")
    ] = 4.5
    set_aside_share: Annotated[float, Of("", "what stays of the readings set aside, a frame later")] = 0.8
    set_aside: Annotated[float, Of("readings", "so many of a restless electrode, and no step counts")] = 2.0


class CurrentNumbers(Numbers, frozen=True, kw_only=True):
    """Of the mains device that the steps come and go with."""

    heater_on_w: Annotated[float, Of("W", "more is a heater that is on")] = 3.0
    switchings_kept: Annotated[int, Of("", "so many switchings of heater and lamp are kept")] = 16
    beside_ms: Annotated[int, Of("ms", "a step so near a switching belongs to it")] = 6 * MINUTE_MS
    quiet_ms: Annotated[
        int, Of("ms", "so long without a step, it has ended: a whole day of the lamp and some")
    ] = 30 * HOUR_MS
    lately_ms: Annotated[int, Of("ms", "steps and a heater's switchings within this are compared")] = (
        12 * HOUR_MS
    )
    lamp_lately_ms: Annotated[int, Of("ms", "a lamp's switchings within this are compared")] = 30 * HOUR_MS
    heater_switchings: Annotated[int, Of("", "so many, each with a step beside it: it is the heater")] = 3
    lamp_switchings: Annotated[int, Of("", "so many, each with a step beside it: it is the lamp")] = 2
    lamp_newest: Annotated[int, Of("", "of the lamp's switchings so many of the newest")] = 4
    beside_share: Annotated[float, Of("", "so many of the switchings have a step beside them")] = 0.7
    follows_low: Annotated[float, Of("", "a step of its usual size is larger than this share of it")] = 0.5
    follows_high: Annotated[float, Of("", "and smaller than so many times it")] = 2.0
    follows_share: Annotated[float, Of("", "so many of the steps are of their usual size")] = 0.8
    telegraph_steps: Annotated[int, Of("", "so many steps up and down: a device that nobody meters")] = 4
    telegraph_small_steps: Annotated[int, Of("", "so many where they are small")] = 5
    small_ph: Annotated[float, Of("pH", "smaller steps are small")] = 0.12
    telegraph_low: Annotated[float, Of("", "one of their usual size is larger than this share of it")] = 0.6
    telegraph_high: Annotated[float, Of("", "and smaller than so many times it")] = 1.5
    telegraph_share: Annotated[float, Of("", "so many of them are of their usual size")] = 0.7
    turns_share: Annotated[float, Of("", "so many of those go the other way than the one before")] = 0.75
    fresh_ms: Annotated[int, Of("ms", "so long after the last of three large steps it is being seen")] = (
        90 * MINUTE_MS
    )
    three_least_ms: Annotated[
        int, Of("ms", "three steps in less: hands, a rinse or a calibration are over in the half-hour")
    ] = 30 * MINUTE_MS
    three_most_ms: Annotated[int, Of("ms", "three steps over more do not belong together")] = 26 * HOUR_MS
    three_lasted_ms: Annotated[int, Of("ms", "each of the three lasts for longer")] = 12 * MINUTE_MS
    three_low: Annotated[float, Of("", "each of the three is larger than this share of their median")] = 0.8
    three_high: Annotated[float, Of("", "and smaller than so many times it")] = 1.25
    three_ph: Annotated[float, Of("pH", "their median is at least so large")] = 0.25
    clock_ms: Annotated[int, Of("ms", "so near the same time of the day before")] = 10 * MINUTE_MS
    clock_low: Annotated[float, Of("", "that day's step is larger than this share of the newest")] = 0.75
    clock_high: Annotated[float, Of("", "and smaller than so many times it")] = 1.33
    clock_back_low: Annotated[float, Of("", "it was taken back by more than this share")] = 0.65
    clock_back_high: Annotated[float, Of("", "and by less than so many times it")] = 1.5
    shaken_ms: Annotated[
        int, Of("ms", "an electrode that leapt and shakes for so long: hands and a rinse are over by then")
    ] = 60 * MINUTE_MS
    leap_jitters: Annotated[
        float,
        Of(
            "",
            "times what it jumps by from minute to minute, that a leap is more than",
            "normal distribution: of two values one in 700 lies so far from the other",
        ),
    ] = 4.0
    stepped_ph: Annotated[float, Of("pH", "a sum of steps up to this is left out of account")] = 0.06
    fade_ms: Annotated[
        int, Of("ms", "a step fades out of the sum until then, in a day: its counterpart may be missed")
    ] = 36 * HOUR_MS
    shown: Annotated[int, Of("", "the median size of so many steps is told")] = 6
    photoperiod_ms: Annotated[int, Of("ms", "a lamp switches back within it")] = 16 * HOUR_MS
    cycle_ms: Annotated[int, Of("ms", "a thermostat switches back within it")] = 5 * HOUR_MS
    jitter_times: Annotated[float, Of("", "a step of more jitters than this stands out of it")] = 4.0
    with_lamp_ms: Annotated[
        int, Of("ms", "a jitter that begins so near a lamp's switching began with it")
    ] = 25 * MINUTE_MS
    calm_ms: Annotated[
        int, Of("ms", "so long after the device is back, the jitter has shown whether it goes")
    ] = 50 * MINUTE_MS


STEPS = StepNumbers()
CURRENT = CurrentNumbers()
