"""A heater that doesn't heat: water below where the heater comes on, and falling as it does without heat."""

from __future__ import annotations

import math

import msgspec

from rushlight.analysis.detectors.heat.balance import HeatNow
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.detectors.heat.urgency import time_to_reach, urgency
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.findings import Finding

__all__ = ["HeaterDead"]

DAY_MS = 1440 * MINUTE_MS
CORNER_MS = 40 * MINUTE_MS  # a corner is seen that long after the heater came on
CLEARING_MS = 20 * MINUTE_MS  # a little longer than the alarm's off-delay


class HeaterDead(msgspec.Struct):
    """Since when it looks so; `above_since`: since when the water has been back where the heater holds it;
    `seen_ms`: when the heater was last seen at work."""

    since: int = -1
    above_since: int = -1
    seen_ms: int = -1

    def finding(
        self, tank: Tank, moment: Moment, heat: HeatNow, memory: HeaterMemory, tau_h: float
    ) -> Finding | None:
        """The finding that stands, if one does; `tau_h` is the tank's time constant in hours."""
        raised = "heater-not-heating" in moment.active
        if heat.floor is None or (moment.heat.disturbed and not raised):
            self.since = -1
            return None
        under = heat.floor - heat.temperature
        idle = self._idle(heat, memory, under)
        if raised:
            if not moment.heat.disturbed and self._contrary(heat, memory, under):
                self.seen_ms = heat.now
            if heat.now - self.seen_ms < CLEARING_MS:
                self.since = self.above_since = -1
                return None
        else:
            self.above_since = -1
            if not (under > (0.15 if memory.sure else 0.3) and idle) or self._poured(heat):
                self.since = -1
                return None
            if self.since < 0:
                self.since = heat.now
            wait = 5 if under > 1.0 else 15 if under > 0.3 else 30
            if heat.now - self.since < wait * MINUTE_MS:
                return None
        return self._told(tank, heat, raised and (not idle or under < 0.1), under, tau_h)

    @staticmethod
    def _poured(heat: HeatNow) -> bool:
        """No tank cools that fast: colder water was poured in."""
        if heat.slope is None:
            return False
        fastest = 2.5 * abs(heat.usual_fall or 0.6)
        if heat.unheated is not None:
            fastest = max(fastest, 2.2 * abs(heat.unheated))
        return heat.slope < -max(0.5, fastest)

    @staticmethod
    def _idle(heat: HeatNow, memory: HeaterMemory, under: float) -> bool:
        """Whether no heat is to be seen."""
        if heat.power is not None and heat.full >= 5:
            # a thermostat knows on and off: half the power is a heater that has half failed
            return len(memory.watts.values) >= 10 and max(memory.watts.values) < 0.5 * heat.full
        if heat.slope is None:
            return False
        if heat.unheated is not None:
            excess = heat.slope - heat.unheated
            falling = heat.slope < -0.03 or (heat.hour is not None and heat.hour < -0.03)
            return heat.slope < 0.05 and excess < 0.35 * heat.rate and (falling or under > 1.0)
        fall = heat.usual_fall
        limit = (0.35 if under > 0.7 else 0.6) * fall if fall is not None else -0.06
        return heat.slope < max(limit, -0.12) or (under > 1.0 and heat.slope < 0.02)

    def _contrary(self, heat: HeatNow, memory: HeaterMemory, under: float) -> bool:
        """The heater has been seen at work, or the water has been held for a whole day."""
        if under > 0.0:
            self.above_since = -1
        elif self.above_since < 0:
            self.above_since = heat.now
        if self.above_since >= 0 and heat.now - self.above_since >= DAY_MS:
            return True
        if self.since >= 0 and memory.last_pick_ms > self.since + CORNER_MS:
            if under > 0.0:
                memory.moved_to()
            return True
        if heat.power is not None and heat.full >= 5:
            return min(memory.watts.values[-5:]) > 0.5 * heat.full
        if heat.slope is None or heat.slope < 0.08:
            return False
        if heat.unheated is not None:
            return heat.slope - heat.unheated > 0.5 * heat.rate
        return heat.slope > max(0.6 * (heat.usual_rise or 0.0), 0.4 * heat.rate)

    @staticmethod
    def _told(tank: Tank, heat: HeatNow, holding: bool, under: float, tau_h: float) -> Finding:
        left = _cooling_time(heat, tank.settings.livestock.temperature_low_c, tau_h)
        where = f"{under:.1f} °C below" if under >= 0 else f"{-under:.1f} °C above"
        observations = [f"water {heat.temperature:.1f} °C, {where} what the heater holds"]
        changes = "" if heat.slope is None else f"changing {heat.slope:+.2f} °C an hour; "
        if heat.unheated is not None:
            changes += f"with no heat and the room at {heat.room:.1f} °C it would be {heat.unheated:+.2f}; "
        if changes:
            observations.append(changes.removesuffix("; "))
        if heat.power is not None:
            observations.append(f"the heater draws {heat.power:.0f} W")
        return Finding(
            alarm="heater-not-heating",
            holding=holding,
            priority=urgency(left),
            value=round(heat.temperature, 2),
            unit="Cel",
            time_left_s=left,
            cause="the heater is dead, unplugged or out of the water, or its fuse or residual-current device "
            "has tripped",
            observations=observations,
        )


def _cooling_time(heat: HeatNow, limit: float, tau_h: float) -> float | None:
    """Seconds until `limit`: along the exponential where the room is known, else on a straight line."""
    if heat.temperature <= limit:
        return 0.0
    if heat.room is not None:
        if heat.room >= limit - 0.2:
            return None
        return tau_h * 3600 * math.log((heat.temperature - heat.room) / (limit - heat.room))
    if heat.slope is None or heat.slope >= 0:
        return None
    return time_to_reach(heat.temperature, heat.slope, limit)
