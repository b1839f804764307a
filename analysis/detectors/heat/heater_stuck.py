"""A heater that stays on: water above what the heater holds, and heat that room and lamp don't explain.

A meter on the heater decides it. Without one, the slope that is seen, less what room and lamp explain, is
what the heater must have done. Where the room is not measured, the tank's own cycle says what its slopes are.
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.heat.balance import HeatNow
from rushlight.analysis.detectors.heat.cycle import HeaterCycle
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.detectors.heat.heater_test import (
    Verdict,
    began_off,
    explained_error,
    next_likeliest,
)
from rushlight.analysis.detectors.heat.numbers import HEAT, WELDED
from rushlight.analysis.detectors.heat.urgency import time_to_reach, urgency
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.findings import Finding

__all__ = ["HeaterStuck"]


class HeaterStuck(msgspec.Struct):
    """Since when it looks so.

    `refuted_c` is the warmest water that was first taken for a stuck heater's and then fell with the heater
    off: room, sun or lamp do that, so water no warmer than that is no sign of it in the days after.
    """

    since: int = -1
    peak: float = 0.0
    refuted_c: float = 0.0
    refuted_ms: int = -1

    def finding(
        self,
        tank: Tank,
        moment: Moment,
        heat: HeatNow,
        usual: float | None,
        recent: list[float],
        verdict: Verdict | None = None,
        cycle: HeaterCycle | None = None,
        memory: HeaterMemory | None = None,
    ) -> Finding | None:
        """The finding that stands, if one does.

        `usual` is the usual temperature at this time of day, `recent` the last three hours' values (°C);
        `cycle` and `memory` are what is known of the heater.
        """
        raised = "heater-stuck-on" in moment.active
        if heat.ceiling is None or (moment.heat.disturbed and not raised):
            self.since = -1
            return None
        over = heat.temperature - heat.ceiling
        told = verdict is not None and verdict.told
        # a meter leaves less doubt
        beyond = over > (WELDED.over_c if heat.drawing is None else WELDED.over_metered_c)
        if not (beyond or told or raised):  # held, as nearly always
            self.since, self.peak = -1, heat.temperature
            return None
        if cycle is not None and verdict is not None and verdict.nats > WELDED.slow_nats:
            # a slow heater may have come on before the last three hours, and not let go since
            recent = [*recent, cycle.from_c] if cycle.by_heater and cycle.rising else recent
        heating, excess = self._heating(tank, heat, raised, recent)
        guessed = heat.room is not None and heat.drawing is None and not heat.learnt
        if heating and not raised and excess is not None and guessed:
            # a time constant that is a guess may itself be all of it
            sure = excess - WELDED.guess_errors * explained_error(moment, heat)
            heating = sure > WELDED.share * heat.rate
        if raised:
            self.peak = max(self.peak, heat.temperature)
            if not moment.heat.disturbed and self._contrary(tank, heat, over, heating):
                if heat.power is not None or heat.now - self.since > WELDED.refuted_min * MINUTE_MS:
                    self.refuted_c, self.refuted_ms = self.peak, heat.now
                self.since = -1
                return None
        else:
            self.peak = heat.temperature
            if told and not self._refuted(heat):
                self.since = heat.now
                return self._told(tank, heat, False, excess, verdict)
            looks_so = beyond and heating and self._unusual(heat, usual, over)
            other = verdict is not None and verdict.outdone
            if cycle is not None and memory is not None:
                other = other or began_off(heat, memory, cycle)
            gives = None if cycle is None else cycle.heat
            if not looks_so or other or self._refuted(heat) or self._poured(heat, gives):
                self.since = -1
                return None
            if self.since < 0:
                self.since = heat.now
            wait = WELDED.far_wait_min if over > WELDED.far_c else WELDED.wait_min
            if heat.now - self.since < wait * MINUTE_MS:
                return None
        return self._told(tank, heat, raised and not heating, excess, verdict)

    @staticmethod
    def _unusual(heat: HeatNow, usual: float | None, over: float) -> bool:
        """Warmer than is usual at this hour, or than a heater ever holds it."""
        return usual is None or heat.temperature > usual + WELDED.unusual_c or over > WELDED.always_c

    def _refuted(self, heat: HeatNow) -> bool:
        """Another heat has made the water as warm of late."""
        return (
            self.refuted_ms >= 0
            and heat.now - self.refuted_ms < WELDED.refuted_h * HOUR_MS
            and heat.temperature < self.refuted_c + WELDED.refuted_c
        )

    @staticmethod
    def _poured(heat: HeatNow, gives: float | None = None) -> bool:
        """No heater heats that fast: warmer water was poured in. `gives`: what it was seen to give, °C/h."""
        pace = max(heat.rate if gives is None else gives, heat.usual_rise or 0.0)
        most = max(WELDED.poured_scale * pace, pace + HEAT.lamp_most_c_per_h)
        return heat.slope is not None and heat.slope > most

    @staticmethod
    def _contrary(tank: Tank, heat: HeatNow, over: float, heating: bool) -> bool:
        """The heater has been seen off, or the water falling as it does without heat."""
        if heating or heat.slope is None:
            return False
        if heat.power is not None or (over < WELDED.back_c and heat.slope < 0):
            return True
        if HeaterStuck._cooled(tank, heat, WELDED.cooler_works_c):
            return False  # the cooler at work against the heater makes it fall, too
        usual = abs(heat.usual_fall or WELDED.cooling_c_per_h)
        falling = -max(WELDED.falls_c_per_h, WELDED.fall_share * usual)
        return heat.slope < falling and heat.hour is not None and heat.hour < falling

    @staticmethod
    def _heating(tank: Tank, heat: HeatNow, raised: bool, recent: list[float]) -> tuple[bool, float | None]:
        """Whether something heats, and the slope (°C/h) that room and lamp don't explain."""
        slope, rate = heat.slope, heat.rate
        excess = None if slope is None or heat.explained is None else slope - heat.explained
        drawing = heat.drawing
        if drawing is not None:
            return drawing, excess
        if slope is None:
            return False, None
        if excess is None:
            # nothing learnt yet: the water must have been seen to leave what the heater holds
            cooler = tank.settings.cooler
            # who has a cooler has warm rooms
            share = WELDED.first_share if cooler is None else WELDED.cooler_rise_share
            return slope > share * rate and min(recent) < (heat.ceiling or 0.0), None
        if heat.room is not None and not heat.learnt and heat.room > (heat.ceiling or 0.0) - WELDED.room_c:
            return False, excess  # the room may do it, and how fast isn't learnt yet
        # the excess alone tells where the room is measured; else the water must be seen to rise
        heating = excess > WELDED.share * rate and (heat.room is None or excess > WELDED.excess_c_per_h)
        cooled = HeaterStuck._cooled(tank, heat, WELDED.cooler_c)
        if heat.room is not None and heat.room > heat.temperature and cooled:
            # a cooler that has stopped in a warm room looks alike: it must be all that the heater gives
            heating = heating and excess > max(WELDED.cooler_share * rate, WELDED.cooler_excess_c_per_h)
        if not raised and heat.quarter is not None and heat.explained is not None:
            # a heater goes on; warm water that was poured in has done its part
            heating = heating and heat.quarter - heat.explained > WELDED.lasting_share * rate
        if heat.room is None and heat.ceiling is not None:
            # here, too, a cooler that has stopped would look alike
            share = WELDED.cooler_rise_share if cooled else WELDED.rise_share
            rises = slope > max(WELDED.rise_c_per_h, share * (heat.usual_rise or rate))
            heating = heating and rises and (raised or HeaterStuck._from_cycle(heat, heat.ceiling, recent))
        return heating, excess

    @staticmethod
    def _from_cycle(heat: HeatNow, ceiling: float, recent: list[float]) -> bool:
        """A stuck heater leaves from within its own cycle; a warm room lifts the whole curve first."""
        low = heat.floor if heat.floor is not None else ceiling - WELDED.cycle_c
        return min(recent) < low + WELDED.cycle_share * (ceiling - low)

    @staticmethod
    def _cooled(tank: Tank, heat: HeatNow, below: float) -> bool:
        """Whether the water is above `below` (°C) under the set point of a cooler: it may be at work."""
        cooler = tank.settings.cooler
        if cooler is None or cooler.setpoint_c is None:
            return False
        return heat.temperature > cooler.setpoint_c - below

    def _told(
        self, tank: Tank, heat: HeatNow, holding: bool, excess: float | None, verdict: Verdict | None
    ) -> Finding:
        limit = tank.settings.livestock.temperature_high_c
        slope = heat.slope
        left = 0.0 if heat.temperature >= limit else None
        if left is None and slope is not None:
            left = time_to_reach(heat.temperature, slope, limit)
        over = heat.temperature - (heat.ceiling or 0.0)
        # a meter may show it before the water is above the usual highest
        above = f", {over:.1f} °C above what the heater holds" if over > 0 else ""
        observations = [f"water {heat.temperature:.1f} °C{above}"]
        if slope is not None:
            by_room = (
                f"; room {heat.room:.1f} °C and lamp explain {slope - excess:+.2f} °C an hour"
                if heat.room is not None and excess is not None
                else ""
            )
            observations.append(f"changing {slope:+.2f} °C an hour{by_room}")
        if heat.power is not None:
            observations.append(f"the heater draws {heat.power:.0f} W")
        return Finding(
            alarm="heater-stuck-on",
            holding=holding,
            priority=urgency(left),
            value=round(heat.temperature, 2),
            unit="Cel",
            time_left_s=left,
            cause="the thermostat's contacts have welded shut, or its dial has been turned up"
            + next_likeliest(verdict),
            observations=observations,
        )
