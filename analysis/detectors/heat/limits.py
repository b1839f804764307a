"""The livestock's limits of temperature: the net below the detectors that know causes."""

from __future__ import annotations

import math

import msgspec

from rushlight.analysis.detectors.heat.day_ahead import day_brings
from rushlight.analysis.detectors.heat.numbers import HEAT, LIMITS, UNHEATED
from rushlight.analysis.detectors.moment import Moment, Tank, oxygen_text
from rushlight.analysis.detectors.patience import PATIENCE, patience_ms
from rushlight.analysis.estimators.daily import DailyExtremes, DailyProfile
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.findings import Finding

__all__ = ["LIMIT_ALARMS", "TemperatureLimits"]

LIMIT_ALARMS = ("temperature-high", "temperature-low")


class TemperatureLimits(msgspec.Struct):
    """Since when (ms UTC) the water has been above and below its limits, -1 where it isn't."""

    past_ms: list[int] = msgspec.field(default_factory=lambda: [-1, -1])

    @staticmethod
    def beyond(tank: Tank, temperature: float) -> bool:
        """Whether a limit is passed."""
        live = tank.settings.livestock
        return temperature > live.temperature_high_c or temperature < live.temperature_low_c

    @staticmethod
    def far_within(tank: Tank, moment: Moment, temperature: float, extremes: DailyExtremes) -> bool:
        """Whether no limit is passed or near: then there are no findings.

        Water between the lowest of the usual peaks and the highest of the usual troughs is not unusual.
        """
        active, highs, lows = moment.active, extremes.highs, extremes.lows
        if (
            TemperatureLimits.beyond(tank, temperature)
            or moment.sensor("temperature").step >= LIMITS.coarse_c
        ):
            return False
        if active and not active.isdisjoint(LIMIT_ALARMS):
            return False
        if highs and temperature - min(highs) > LIMITS.unusual_c:
            return False
        return not lows or max(lows) - temperature <= LIMITS.unusual_c

    def clear(self) -> None:
        """No limit is passed."""
        self.past_ms = [-1, -1]

    def findings(
        self,
        tank: Tank,
        moment: Moment,
        temperature: float,
        window: Window,
        extremes: DailyExtremes,
        usual_fall: float | None,
        better: bool,
        unheld: tuple[float, float] | None = None,
        profile: DailyProfile | None = None,
    ) -> list[Finding]:
        """The active findings; `better`: a cause is about to be named, so nothing is expected ahead.

        `unheld`: from where (°C) the heater holds the water, and the tank's time constant (h);
        `profile`: what the water does each day.
        """
        step = moment.sensor("temperature").step
        out: list[Finding] = []
        live = tank.settings.livestock
        now = moment.frame.start_ms
        hour_slope = window.slope_per_hour(HEAT.long_slope_min * MINUTE_MS)
        slope = hour_slope if hour_slope is not None and not moment.heat.disturbed else 0.0
        for side, (name, limit, sign) in enumerate(
            (
                ("temperature-high", live.temperature_high_c, 1.0),
                ("temperature-low", live.temperature_low_c, -1.0),
            )
        ):
            raised = name in moment.active
            past = sign * (temperature - limit)
            speed = sign * slope
            if past <= 0:
                self.past_ms[side] = -1
            elif self.past_ms[side] < 0:
                self.past_ms[side] = now
            usual = extremes.highs if sign > 0 else extremes.lows
            patience = _patience_ms(past, sign)
            unusual = bool(usual) and sign * (temperature - median(usual)) > LIMITS.unusual_c
            if step >= LIMITS.coarse_c:
                near = unusual or not usual  # nothing is usual yet, but a limit is one
                soon = past <= 0 and near and _may_be_past(past, sign, step, window, unusual)
            else:
                lasting = _lasting(window, sign, speed, usual_fall) if past <= 0 and unusual else 0.0
                soon = lasting > 0 and not better and _coming(past, lasting)
                if soon and sign > 0:
                    soon = past + day_brings(profile, window, moment.minute, lasting) > 0
                if unheld is not None and sign < 0 and lasting > 0 and not better:
                    sunk = max(window.lately(LIMITS.long_min * MINUTE_MS), default=unheld[0]) < unheld[0]
                    soon = soon or (sunk and _will_pass(past, lasting, unheld[0] - temperature, unheld[1]))
            if not (past > 0 or soon or (raised and past > -LIMITS.hold_c)):
                continue
            if past > 0 and moment.heat.disturbed and not raised and now - self.past_ms[side] < patience:
                continue
            left = 0.0 if past > 0 else (-past / speed * 3600 if speed > 0 else None)
            out.append(_finding(name, temperature, limit, slope, left, past <= 0 and not soon))
        return out

    def leapt(
        self, tank: Tank, moment: Moment, levels: Window, before: float, room: float | None
    ) -> Finding | None:
        """A level beyond a limit that no water could have come to so fast; None where it is not one.

        It may be true all the same (hot water poured in, two probes swapped), so it is an alarm as soon as no
        splash explains it. What took on the room's temperature is a probe in its air, and told as that; so is
        what reads too cold where no probe tells of the room.
        """
        live = tank.settings.livestock
        now = moment.frame.start_ms
        level = median(levels.values)
        for side, (name, limit, sign) in enumerate(
            (
                ("temperature-high", live.temperature_high_c, 1.0),
                ("temperature-low", live.temperature_low_c, -1.0),
            )
        ):
            past = sign * (level - limit)
            if past <= 0:
                self.past_ms[side] = -1
                continue
            if self.past_ms[side] < 0:
                self.past_ms[side] = now
            if name in moment.active:
                return _leap_finding(name, level, limit, before)
            if (sign < 0 and room is None) or (room is not None and abs(level - room) < LIMITS.air_c):
                return None
            waited = now - self.past_ms[side]
            if not levels.lately(LIMITS.leap_min * MINUTE_MS) or waited < _patience_ms(past, sign):
                return None
            return _leap_finding(name, level, limit, before)
        return None


def _patience_ms(past: float, sign: float) -> int:
    """How long the water must have been so far past a limit; `sign` is -1 for the lower one."""
    least = PATIENCE.heat_least_ms if sign > 0 else PATIENCE.cold_least_ms
    return patience_ms(past / LIMITS.tolerance_c, PATIENCE.disturbed_ms, least)


def _leap_finding(name: str, level: float, limit: float, before: float) -> Finding:
    found = _finding(name, level, limit, 0.0, 0.0, False)
    found.cause = (
        "the probe is no longer in the tank's water, or much water of another temperature was poured in: "
        "neither heater nor room changes water so fast"
    )
    found.observations[1] = f"it leapt there from {before:.1f} °C within a minute or two"
    found.rule_out = (
        "look whether the probe hangs in the tank; then compare with a second thermometer, hung in by its "
        "cord or stuck outside on the glass, so that no hand goes into the water"
    )
    return found


def _coming(past: float, speed: float) -> bool:
    """Whether the limit is near at this speed, for a thermometer that may be off by its tolerance."""
    return speed > 0 and past + max(LIMITS.tolerance_c, speed * LIMITS.expect_h) > 0


def _will_pass(past: float, speed: float, under: float, tau_h: float) -> bool:
    """Whether water that the heater can't hold will pass a limit, room and heater going on as they do.

    It is `under` °C below what the heater holds. It loses less as it comes nearer to the room: falling at
    `speed` (°C/h) it has `speed · tau_h` before it (the lumped model, `ThermalModel`).
    """
    ahead = speed * tau_h * (1 - math.exp(-LIMITS.unheld_h / tau_h))
    return under > UNHEATED.under_c and past + ahead > 0


def _may_be_past(past: float, sign: float, step: float, window: Window, ahead: bool) -> bool:
    """Of a thermometer in coarse steps: half a step further the limit is passed, or it will be soon.

    Such a reading stands for all water within half a step of it, and it shows no slope but by whole steps.
    `ahead`: whether it may be said where it goes, too.
    """
    if past > -LIMITS.at_limit_steps * step:
        return True
    values, times = window.values, window.times
    if not (ahead and values) or sign * (values[-1] - values[0]) < LIMITS.climbs_steps * step:
        return False
    hours = max(times[-1] - times[0], HEAT.block_min * MINUTE_MS) / HOUR_MS
    return past + sign * (values[-1] - values[0]) / hours * LIMITS.expect_h > 0


def _lasting(window: Window, sign: float, speed: float, usual_fall: float | None) -> float:
    """How fast (°C/h) the water goes towards the limit and will go on; 0 where it may be water poured in."""
    long = window.slope_per_hour(LIMITS.long_min * MINUTE_MS)
    short = window.slope_per_hour(HEAT.slope_min * MINUTE_MS)
    if long is None or short is None or speed < LIMITS.least_c_per_h:
        return 0.0
    if sign * long < LIMITS.least_c_per_h:
        return 0.0
    if sign * short < LIMITS.short_share * speed:
        return 0.0
    if sign < 0 and speed >= max(LIMITS.poured_c_per_h, LIMITS.poured_scale * abs(usual_fall or 0.0)):
        return 0.0  # no tank cools that fast
    # the hour before tells water that was poured in from a heat wave
    start = window.ago(LIMITS.before_min * MINUTE_MS)
    before, now = window.ago(HEAT.long_slope_min * MINUTE_MS), window.values[-1]
    if start is None or before is None:
        return 0.0
    if sign * (before - start) < LIMITS.before_share * sign * (now - before):
        return 0.0
    return min(speed, sign * long)


def _finding(
    name: str, temperature: float, limit: float, slope: float, left: float | None, holding: bool
) -> Finding:
    high = name == "temperature-high"
    return Finding(
        alarm=name,
        holding=holding,
        priority="high" if left is not None and left < LIMITS.far_h * 3600 else "medium",
        value=round(temperature, 2),
        unit="Cel",
        time_left_s=left,
        cause="the room is too warm, or something heats the water"
        if high
        else "the room is too cold for the heater, or there is none",
        observations=[
            f"water {temperature:.1f} °C, the livestock's limit is {limit:.1f} °C",
            f"changing {slope:+.2f} °C an hour",
            *([oxygen_text(temperature)] if high else []),
        ],
    )
