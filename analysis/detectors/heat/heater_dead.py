"""A heater that doesn't heat: water below where the heater comes on, and falling as it does without heat."""

from __future__ import annotations

import math

import msgspec

from rushlight.analysis.detectors.heat.balance import HeatNow
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.detectors.heat.heater_test import Verdict, next_likeliest
from rushlight.analysis.detectors.heat.meter_offs import METER
from rushlight.analysis.detectors.heat.numbers import HEAT, UNHEATED
from rushlight.analysis.detectors.heat.urgency import time_to_reach, urgency
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.robust import spread
from rushlight.analysis.estimators.thermal_model import ThermalModel
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.findings import Finding

__all__ = ["HeaterDead"]


class HeaterDead(msgspec.Struct):
    """Since when it looks so; `above_since`: since when the water has been back where the heater holds it;
    `seen_ms`: when the heater was last seen at work."""

    since: int = -1
    above_since: int = -1
    seen_ms: int = -1

    def finding(
        self,
        tank: Tank,
        moment: Moment,
        heat: HeatNow,
        memory: HeaterMemory,
        model: ThermalModel,
        verdict: Verdict | None,
    ) -> Finding | None:
        """The active finding, if there is one; `model` is how the tank cools."""
        raised = "heater-not-heating" in moment.active
        if heat.floor is None or (moment.heat.disturbed and not raised):
            self.since = -1
            return None
        under = heat.floor - heat.temperature
        below = under
        if heat.drawing is not False:  # a meter that shows no heat knows better than what was before
            below = memory.sinks_to(heat.floor) - heat.temperature
        idle = self._idle(heat, memory, under)
        if raised:
            if not moment.heat.disturbed and self._contrary(heat, memory, under):
                self.seen_ms = heat.now
            if heat.now - self.seen_ms < UNHEATED.clear_min * MINUTE_MS:
                self.since = self.above_since = -1
                return None
        else:
            self.above_since = -1
            if self._only_rests(heat, under):
                self.since = -1
                return None
            if verdict is not None and verdict.told and idle and under > 0.0:
                self.since = heat.now
                return self._told(tank, heat, False, under, model, verdict)
            enough = UNHEATED.under_sure_c if memory.sure else UNHEATED.under_c
            if heat.drawing is None:
                # turns that lie apart are of room and lamp as much as of a thermostat
                enough = max(enough, UNHEATED.spreads * spread(memory.picks))
            other = verdict is not None and (verdict.outdone or verdict.poured)
            # a warmer room makes no water too cold
            other = other or (heat.unheated is not None and heat.unheated > 0.0)
            # it has been as low, and came back
            other = other or max(enough, UNHEATED.under_c) >= below < under
            if not (under > enough and idle) or other or self._poured(heat):
                self.since = -1
                return None
            if self.since < 0:
                self.since = heat.now
            if heat.now - self.since < self._wait_min(under) * MINUTE_MS:
                return None
        return self._told(tank, heat, raised and (not idle or under < UNHEATED.hold_c), under, model, verdict)

    def _only_rests(self, heat: HeatNow, under: float) -> bool:
        """Whether it was called dead and a meter has shown it at work since, in water that is still too cold.

        It rests as one that is warm enough: its dial was turned, or the thermometer is not where it is. What
        is too cold for the animals has a name of its own, and the two would change places at each rest.
        """
        if under <= 0.0:
            self.seen_ms = -1
        lately = self.seen_ms >= 0 and heat.now - self.seen_ms < METER.rests_h * HOUR_MS
        if heat.drawing is None or not lately:
            return False
        if heat.drawing:
            self.seen_ms = heat.now
        return True

    @staticmethod
    def _wait_min(under: float) -> int:
        """How long it must look so, the shorter the colder."""
        if under > UNHEATED.far_c:
            return UNHEATED.far_wait_min
        return UNHEATED.wait_min if under > UNHEATED.under_c else UNHEATED.near_wait_min

    @staticmethod
    def _poured(heat: HeatNow) -> bool:
        """No tank cools that fast: colder water was poured in."""
        if heat.slope is None:
            return False
        fastest = UNHEATED.poured_fall_scale * abs(heat.usual_fall or UNHEATED.cooling_c_per_h)
        if heat.unheated is not None:
            fastest = max(fastest, UNHEATED.poured_scale * abs(heat.unheated))
        return heat.slope < -max(UNHEATED.poured_c_per_h, fastest)

    @staticmethod
    def _idle(heat: HeatNow, memory: HeaterMemory, under: float) -> bool:
        """Whether no heat is to be seen."""
        if heat.power is not None and heat.full >= HEAT.metered_w:
            # a thermostat knows on and off: half the power is a heater that has half failed, or one of two
            watts = memory.watts.lately(UNHEATED.idle_min * MINUTE_MS)
            return bool(watts) and max(watts) < HeaterDead._half(heat, memory, under)
        if heat.slope is None:
            return False
        if heat.unheated is not None:
            excess = heat.slope - heat.unheated
            falling = heat.slope < -UNHEATED.falls_c_per_h or (
                heat.hour is not None and heat.hour < -UNHEATED.falls_c_per_h
            )
            unheated = heat.slope < UNHEATED.rises_c_per_h and excess < UNHEATED.idle_share * min(
                heat.rate, heat.gives or heat.rate
            )
            return unheated and (falling or under > UNHEATED.far_c)
        limit = -UNHEATED.fall_c_per_h
        if heat.usual_fall is not None:
            limit = (
                UNHEATED.low_fall_share if under > UNHEATED.low_c else UNHEATED.fall_share
            ) * heat.usual_fall
        if heat.slope < max(limit, -UNHEATED.fall_most_c_per_h):
            return True
        return under > UNHEATED.far_c and heat.slope < UNHEATED.flat_c_per_h

    @staticmethod
    def _half(heat: HeatNow, memory: HeaterMemory, under: float) -> float:
        """What a heater that works draws more than, W: far below, one of two heaters is not enough."""
        return UNHEATED.half_share * heat.full if under > METER.lone_c else memory.half(heat.full)

    def _contrary(self, heat: HeatNow, memory: HeaterMemory, under: float) -> bool:
        """The heater has been seen at work, or the water has been held for a whole day."""
        if under > 0.0:
            self.above_since = -1
        elif self.above_since < 0:
            self.above_since = heat.now
        if self.above_since >= 0 and heat.now - self.above_since >= UNHEATED.held_h * HOUR_MS:
            return True
        if self.since >= 0 and memory.last_pick_ms > self.since + UNHEATED.corner_min * MINUTE_MS:
            if under > 0.0:
                memory.moved_to()
            return True
        if heat.power is not None and heat.full >= HEAT.metered_w:
            watts = memory.watts.lately(UNHEATED.works_min * MINUTE_MS)
            return bool(watts) and min(watts) > self._half(heat, memory, under)
        if heat.slope is None or heat.slope < UNHEATED.works_c_per_h:
            return False
        if heat.unheated is not None:
            return heat.slope - heat.unheated > UNHEATED.works_share * heat.rate
        usual = UNHEATED.works_rise_share * (heat.usual_rise or 0.0)
        return heat.slope > max(usual, UNHEATED.works_rate_share * heat.rate)

    @staticmethod
    def _told(
        tank: Tank, heat: HeatNow, holding: bool, under: float, model: ThermalModel, verdict: Verdict | None
    ) -> Finding:
        tau_h = model.time_constant_h(tank.settings.volume_litres)
        left = _cooling_time(heat, tank.settings.livestock.temperature_low_c, tau_h)
        where = f"{under:.1f} °C below" if under >= 0 else f"{-under:.1f} °C above"
        observations = [f"water {heat.temperature:.1f} °C, {where} what the heater holds"]
        changes = "" if heat.slope is None else f"changing {heat.slope:+.2f} °C an hour; "
        if heat.unheated is not None:
            room = f"with no heat and the room at {heat.room:.1f} °C"
            changes += f"{room} it would be {heat.unheated:+.2f} °C an hour; "
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
            "has tripped" + next_likeliest(verdict),
            observations=observations,
        )


def _cooling_time(heat: HeatNow, limit: float, tau_h: float) -> float | None:
    """Seconds until `limit`: along the exponential where the room is known, else on a straight line."""
    if heat.temperature <= limit:
        return 0.0
    if heat.room is not None:
        if heat.room >= limit - UNHEATED.room_c:
            return None
        return tau_h * 3600 * math.log((heat.temperature - heat.room) / (limit - heat.room))
    if heat.slope is None or heat.slope >= 0:
        return None
    return time_to_reach(heat.temperature, heat.slope, limit)
