"""The livestock's limits of temperature: the net below the detectors that know causes."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.moment import Moment, Tank, oxygen_text
from rushlight.analysis.detectors.patience import COLD_LEAST_MS, DISTURBED_MS, HEAT_LEAST_MS, patience_ms
from rushlight.analysis.estimators.daily import DailyExtremes
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.findings import Finding

__all__ = ["TemperatureLimits"]

HOUR = 60 * MINUTE_MS
FORESEEN_H = 3.0
TOLERANCE_C = 0.5  # of the usual one-wire thermometer (DS18B20 data sheet, −10 to 85 °C)
AIR_C = 2.0  # so near the room's temperature a probe may hang in its air; common practice, no source
LEAST_FRAMES = 3  # one-minute means behind a leap that is judged: one is a splash


class TemperatureLimits(msgspec.Struct):
    """Since when (ms UTC) the water has been above and below its limits, -1 where it isn't."""

    past_ms: list[int] = msgspec.field(default_factory=lambda: [-1, -1])

    @staticmethod
    def beyond(tank: Tank, temperature: float) -> bool:
        """Whether a limit is passed."""
        live = tank.settings.livestock
        return temperature > live.temperature_high_c or temperature < live.temperature_low_c

    def findings(
        self,
        tank: Tank,
        moment: Moment,
        temperature: float,
        window: Window,
        extremes: DailyExtremes,
        usual_fall: float | None,
        better: bool,
    ) -> list[Finding]:
        """The findings that stand; `better`: a cause is about to be named, so nothing is foretold."""
        out: list[Finding] = []
        live = tank.settings.livestock
        now = moment.frame.start_ms
        hour_slope = window.slope_per_hour(HOUR)
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
            patience = patience_ms(past / TOLERANCE_C, DISTURBED_MS, _LEAST_MS[name])
            soon = (
                past <= 0
                and not better
                and bool(usual)
                and sign * (temperature - median(usual)) > 0.25
                and _coming(past, _lasting(window, sign, speed, usual_fall))
            )
            if not (past > 0 or soon or (raised and past > -0.3)):
                continue
            if past > 0 and moment.heat.disturbed and not raised and now - self.past_ms[side] < patience:
                continue
            left = 0.0 if past > 0 else (-past / speed * 3600 if speed > 0 else None)
            out.append(_finding(name, temperature, limit, slope, left, past > 1.0, past <= 0 and not soon))
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
        level = median(levels.values[-LEAST_FRAMES:])
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
                return _leap_finding(name, level, limit, before, past > 1.0)
            if (sign < 0 and room is None) or (room is not None and abs(level - room) < AIR_C):
                return None
            waited = now - self.past_ms[side]
            if len(levels.values) < LEAST_FRAMES or waited < patience_ms(
                past / TOLERANCE_C, DISTURBED_MS, _LEAST_MS[name]
            ):
                return None
            return _leap_finding(name, level, limit, before, past > 1.0)
        return None


_LEAST_MS = {"temperature-high": HEAT_LEAST_MS, "temperature-low": COLD_LEAST_MS}


def _leap_finding(name: str, level: float, limit: float, before: float, far: bool) -> Finding:
    found = _finding(name, level, limit, 0.0, 0.0, far, False)
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
    return speed > 0 and past + max(TOLERANCE_C, speed * FORESEEN_H) > 0


def _lasting(window: Window, sign: float, speed: float, usual_fall: float | None) -> float:
    """How fast (°C/h) the water goes towards the limit and will go on; 0 where it may be water poured in."""
    long, short = window.slope_per_hour(2 * HOUR), window.slope_per_hour(HOUR // 2)
    if long is None or short is None or speed < 0.03:
        return 0.0
    if sign * long < max(0.03, 0.6 * speed) or sign * short < 0.3 * speed:
        return 0.0
    if sign < 0 and speed >= max(0.5, 1.5 * abs(usual_fall or 0.3)):
        return 0.0  # no tank cools that fast
    # the hour before tells water that was poured in from a heat wave
    start, before, now = window.ago(115 * MINUTE_MS), window.ago(HOUR), window.values[-1]
    if start is None or before is None or sign * (before - start) < 0.6 * sign * (now - before):
        return 0.0
    return min(speed, sign * long)


def _finding(
    name: str, temperature: float, limit: float, slope: float, left: float | None, far: bool, holding: bool
) -> Finding:
    high = name == "temperature-high"
    return Finding(
        alarm=name,
        holding=holding,
        priority="high" if far or (left is not None and left < 3600) else "medium",
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
