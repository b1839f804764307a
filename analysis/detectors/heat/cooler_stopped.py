"""A cooler that doesn't cool, judged by what this tank's cooler used to do.

Water that rises through where the cooler used to turn it and doesn't bend, or stays above that in a room
which the cooler has coped with before, has lost its cooler. Until enough turning points are known, only the
set point and the usual peaks can be gone by.
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.heat.balance import HeatNow
from rushlight.analysis.detectors.heat.cooler_memory import CoolerMemory
from rushlight.analysis.detectors.heat.cooler_numbers import COOLER_STOPPED
from rushlight.analysis.detectors.heat.numbers import HEAT
from rushlight.analysis.detectors.heat.urgency import time_to_reach, urgency
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.findings import Finding

__all__ = ["CoolerStopped"]


class CoolerStopped(msgspec.Struct):
    """Since when it looks so.

    `over_since` is when the water last passed the turning point, `hot_since` when it got too hot by the set
    point alone. `rise` is the slope with which the water came to the turning point at `passed_ms`, `bent`
    what it did then: 1 bent, -1 didn't, 0 not judged, 2 couldn't; `bend` by how much (°C/h). `refuted_c` is
    the warmest water that was taken for a cooler's fault and was none.
    """

    over_since: int = -1
    hot_since: int = -1
    rise: float | None = None
    passed_ms: int = -1
    bent: int = 0
    bend: float = 0.0
    told_ms: int = -1
    below_since: int = -1
    peak: float = 0.0
    refuted_c: float = 0.0
    refuted_ms: int = -1

    def overdue(
        self,
        known: dict[str, float],
        now_ms: int,
        temperature: float,
        slope: float | None,
        room: float | None,
        fan: bool = True,
        tau_h: float | None = None,
    ) -> bool:
        """Whether the water has been above the turning point for too long: an hour.

        Two hours for a fan where the room isn't measured: it may be at work and not enough. `known` is what
        `CoolerMemory.learnt` gives, `tau_h` the time constant; None: the cooler is seen to take its part.
        """
        margin = max(COOLER_STOPPED.overdue_c, COOLER_STOPPED.overdue_spreads * known["spread_c"])
        above = temperature - known["turns_at_c"] - margin
        cooled = slope is not None and slope < -COOLER_STOPPED.falls_c_per_h
        if above < 0 or not self._fair(known, room, fan, tau_h) or cooled:
            self.over_since = -1
            return False
        if self.over_since < 0:
            self.over_since = now_ms
        wait = COOLER_STOPPED.overdue_fan_min if fan and room is None else COOLER_STOPPED.overdue_min
        return now_ms - self.over_since >= wait * MINUTE_MS

    @staticmethod
    def _fair(known: dict[str, float], room: float | None, fan: bool, tau_h: float | None) -> bool:
        """Whether it can cope with such a room; true where the room isn't measured.

        A fan takes the less the warmer the air: what it has coped with counts. A chiller takes what it takes:
        that makes up for a room warmer by its bend times the tank's time constant (lumped model).
        """
        copes = known.get("copes_with_room_c")
        spare = COOLER_STOPPED.copes_c
        if not fan and tau_h is not None:
            spare = max(spare, COOLER_STOPPED.spare_share * known.get("bends_by_c_per_h", 0.0) * tau_h)
        return room is None or copes is None or room < copes + spare

    def _follow(
        self,
        heat: HeatNow,
        fan: bool,
        memory: CoolerMemory,
        known: dict[str, float],
        window: Window,
        edge_ms: int,
    ) -> None:
        """Watch the water come to the turning point and pass it, and whether its curve bends there."""
        above = heat.temperature - known["turns_at_c"]
        if above < -COOLER_STOPPED.leave_c:
            self.passed_ms, self.bent, self.rise = -1, 0, None
            return
        if self.rise is None and above >= -COOLER_STOPPED.near_c:
            self.rise, self.passed_ms = window.slope_per_hour(HEAT.slope_min * MINUTE_MS), -1
            if memory.still_on:
                self.bent = 2
        if self.bent or self.rise is None or heat.slope is None:
            return
        passed_ms = self.passed_ms if self.passed_ms >= 0 else heat.now
        if edge_ms > passed_ms - COOLER_STOPPED.lamp_min * MINUTE_MS:
            return
        self.bend = self.rise - heat.slope
        if self.passed_ms < 0 and above > -COOLER_STOPPED.passed_c:
            self.passed_ms = heat.now
        since_ms = heat.now - self.passed_ms if self.passed_ms >= 0 else -1
        passed = since_ms >= COOLER_STOPPED.passed_min * MINUTE_MS
        if self.bend > COOLER_STOPPED.bend_share * self._usual_bend(heat, fan, memory, known):
            self.bent = 1
        elif passed and above > self._margin(known):
            self.bent = -1
        if self.bent:
            memory.armed_by = heat.temperature

    @staticmethod
    def _usual_bend(heat: HeatNow, fan: bool, memory: CoolerMemory, known: dict[str, float]) -> float:
        """How much (°C/h) it should slow here; the warmer the air against the water, the less a fan takes."""
        usual = known.get("bends_by_c_per_h", 0.0)
        if fan and heat.room is not None and memory.rooms:
            most = COOLER_STOPPED.wet_bulb_gap_c
            gap = most - (heat.room - heat.temperature)
            usual_gap = most - (median(memory.rooms) - known["turns_at_c"])
            usual *= max(COOLER_STOPPED.fan_least_share, min(1.0, gap / usual_gap))
        return usual

    @staticmethod
    def _margin(known: dict[str, float]) -> float:
        """How far (°C) above the turning point the water has passed it."""
        return max(COOLER_STOPPED.over_c, COOLER_STOPPED.over_spreads * known["spread_c"])

    def finding(
        self,
        tank: Tank,
        moment: Moment,
        heat: HeatNow,
        memory: CoolerMemory,
        highs: list[float],
        window: Window,
        edge_ms: int,
    ) -> Finding | None:
        """The finding, if there is one.

        `memory` is what its cooler used to do, `highs` the usual daily peaks (°C), `window` the water's
        course; `edge_ms` is when the lamp last switched.
        """
        cooler = tank.settings.cooler
        raised = "cooling-not-cooling" in moment.active
        if cooler is None or (moment.heat.disturbed and not raised):
            self.hot_since = self.over_since = self.passed_ms = -1
            return None
        if moment.fifth:
            memory.follow(heat.temperature)
        setpoint = cooler.setpoint_c
        if setpoint is None:
            if len(highs) < COOLER_STOPPED.highs_least:
                return None
            setpoint = median(highs)
        cold_room = heat.room is not None and heat.room < heat.temperature - COOLER_STOPPED.cold_room_c
        if not raised and cold_room:
            self.hot_since = self.over_since = -1
            return None  # what heats this water is no missing cooler
        fan = cooler.kind == "fan"
        known = memory.learnt
        if known is None:
            stopped, over = self._untaught(heat, fan, setpoint, highs, raised)
        else:
            if moment.fifth and not moment.heat.disturbed:
                self._follow(heat, fan, memory, known, window, edge_ms)
            stopped, over = self._taught(heat, fan, known)
        if raised:
            self.peak = max(self.peak, heat.temperature)
            if self._contrary(heat, memory, over, known is not None):
                return None
        else:
            self.told_ms, self.peak, self.below_since = heat.now, heat.temperature, -1
            if self._refuted(heat) or not stopped:
                return None
        return self._told(tank, heat, cooler.kind, setpoint, known, raised and (over < 0 or not stopped))

    def _refuted(self, heat: HeatNow) -> bool:
        """The water was as warm of late, by no fault of the cooler."""
        return (
            heat.now - self.refuted_ms < COOLER_STOPPED.refuted_h * HOUR_MS
            and heat.temperature < self.refuted_c + COOLER_STOPPED.refuted_c
        )

    def _taught(self, heat: HeatNow, fan: bool, known: dict[str, float]) -> tuple[bool, float]:
        """Whether it has stopped, by what it used to do, and how far (°C) the water is above its turn."""
        over = heat.temperature - known["turns_at_c"] - self._margin(known)
        tau_h = None if self._takes(heat, known) else heat.tau_h
        overdue = self.overdue(known, heat.now, heat.temperature, heat.slope, heat.room, fan, tau_h)
        # a fan may be at work and the room too hot for it: where the room isn't measured, both signs
        sure = not fan or heat.room is not None
        if overdue and (self.bent == 1 or (self.bent == 2 and not sure)):
            # it was at work when the water came here: weak or stopped since, or only a hot afternoon
            wait = COOLER_STOPPED.bent_min if sure else COOLER_STOPPED.bent_fan_min
            overdue = heat.now - self.over_since > wait * MINUTE_MS
        # in a room warmer than it has coped with, a fan that bends nothing may still be at work
        straight = sure and self.bent < 0 and (not fan or self._fair(known, heat.room, True, None))
        return over > 0 and (overdue or straight), over

    @staticmethod
    def _takes(heat: HeatNow, known: dict[str, float]) -> bool:
        """Whether the water rises so much slower than room and lamp make it that the cooler is at work."""
        if heat.explained is None or heat.slope is None:
            return False
        return heat.explained - heat.slope > COOLER_STOPPED.bend_share * known.get("bends_by_c_per_h", 0.0)

    def _untaught(
        self, heat: HeatNow, fan: bool, setpoint: float, highs: list[float], raised: bool
    ) -> tuple[bool, float]:
        """Whether the water is hot by the set point and the usual peaks, and by how much."""
        ceiling = setpoint + (COOLER_STOPPED.fan_allow_c if fan else COOLER_STOPPED.chiller_allow_c)
        if len(highs) >= COOLER_STOPPED.highs_least:
            usual = max(highs[-COOLER_STOPPED.peak_days :]) + COOLER_STOPPED.peak_c
            usual = min(usual, setpoint + COOLER_STOPPED.allow_most_c)
            ceiling = max(setpoint + COOLER_STOPPED.allow_least_c, usual)
        if fan and heat.room is not None:
            # evaporation takes a few degrees, no more
            ceiling = max(ceiling, heat.room - COOLER_STOPPED.evaporation_c)
        over = heat.temperature - ceiling
        least = COOLER_STOPPED.rises_c_per_h
        rising = heat.slope is not None and heat.slope > least and (heat.hour is None or heat.hour > least)
        if over > COOLER_STOPPED.hot_c and (rising or over > COOLER_STOPPED.hot_anyway_c):
            if self.hot_since < 0:
                self.hot_since = heat.now
        elif over < 0 and not raised:
            self.hot_since = -1
        return self.hot_since >= 0 and heat.now - self.hot_since >= COOLER_STOPPED.hot_min * MINUTE_MS, over

    def _contrary(self, heat: HeatNow, memory: CoolerMemory, over: float, known: bool) -> bool:
        """The cooler has been seen to turn the water, or the water has stayed cool for a whole day."""
        if over > -COOLER_STOPPED.back_c:
            self.below_since = -1
        elif self.below_since < 0:
            self.below_since = heat.now
        turned = memory.last_turn_ms > self.told_ms
        if turned:
            self.refuted_c, self.refuted_ms = self.peak, heat.now
        if turned or (not known and over < -COOLER_STOPPED.back_untaught_c):
            return True
        return self.below_since >= 0 and heat.now - self.below_since >= COOLER_STOPPED.back_h * HOUR_MS

    def _told(
        self,
        tank: Tank,
        heat: HeatNow,
        kind: str,
        setpoint: float,
        known: dict[str, float] | None,
        holding: bool,
    ) -> Finding:
        limit = tank.settings.livestock.temperature_high_c
        left = 0.0 if heat.temperature >= limit else None
        if left is None and heat.slope is not None and heat.slope > 0:
            left = time_to_reach(heat.temperature, heat.slope, limit)
        turned = "" if known is None else f"; it used to turn the water round at {known['turns_at_c']:.1f} °C"
        observations = [f"water {heat.temperature:.1f} °C, the {kind} is set to {setpoint:.1f} °C{turned}"]
        if heat.slope is not None:
            bend = ""
            if known is not None and self.bent < 0:
                usual = known.get("bends_by_c_per_h", 0.0)
                bend = f"; it slowed by {self.bend:.2f} °C/h when it passed that, {usual:.2f} °C/h is usual"
            observations.append(f"changing {heat.slope:+.2f} °C an hour{bend}")
        if heat.room is not None:
            copes = known.get("copes_with_room_c") if known else None
            fair = f"; the {kind} has coped with {copes:.1f} °C" if copes is not None else ""
            observations.append(f"room {heat.room:.1f} °C{fair}")
        return Finding(
            alarm="cooling-not-cooling",
            holding=holding,
            priority=urgency(left),
            value=round(heat.temperature, 2),
            unit="Cel",
            time_left_s=left,
            cause=f"the {kind} has stopped, is unplugged or blocked, or the room is hotter than it "
            "can make up for",
            observations=observations,
        )
