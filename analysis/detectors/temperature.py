"""Heat: a heater that stays on, one that doesn't heat, a cooler that doesn't cool, and the limits.

What decides is the balance of heat: the slope that is seen, less the slope that room and lamp explain, is
what the heater (or the missing cooler) must have done. Where the room is not measured, the tank's own
thermostat cycle says what its slopes are.
"""

from __future__ import annotations

import math

import msgspec

from analysis.detectors.base import MINUTE_MS, Moment, Tank, oxygen_text
from analysis.detectors.cooler import CoolerMemory
from analysis.heat import ThermalModel, time_to_reach, urgency
from analysis.trend import DailyExtremes, DailyProfile, Window, median
from analysis.types import Finding

__all__ = ["TemperatureDetector"]

HALF_HOUR = 30 * MINUTE_MS
HOUR = 60 * MINUTE_MS


class TemperatureDetector(msgspec.Struct):
    """State of the heat family of one tank."""

    model: ThermalModel = msgspec.field(default_factory=ThermalModel)
    block: Window = msgspec.field(default_factory=lambda: Window(5))
    window: Window = msgspec.field(default_factory=lambda: Window(37))
    rooms: Window = msgspec.field(default_factory=lambda: Window(37))
    extremes: DailyExtremes = msgspec.field(default_factory=DailyExtremes)
    profile: DailyProfile = msgspec.field(default_factory=DailyProfile)
    watts: Window = msgspec.field(default_factory=lambda: Window(30))
    peak_watts: float = 0.0
    stuck_since: int = -1
    cold_since: int = -1
    cooler: CoolerMemory = msgspec.field(default_factory=CoolerMemory)
    disturbed_until: int = -1
    last_step_ms: int = -1
    lamp_edge_ms: int = -1
    past_ms: list[int] = msgspec.field(default_factory=lambda: [-1, -1])
    hold: dict[str, Finding] = msgspec.field(default_factory=dict)

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; the findings that stand after it. O(1)."""
        frame = moment.frame
        temperature = frame.temperature
        if moment.lamp_edge:
            self.lamp_edge_ms = moment.lamp_edge_ms
        if frame.heater is not None:
            self.watts.add(frame.start_ms, frame.heater)
            self.peak_watts = max(self.peak_watts, frame.heater)
        if temperature is None or "temperature" in moment.faulty:
            if frame.start_ms - (self.window.times[-1] if self.window.times else 0) > HALF_HOUR:
                self.hold.clear()
            return list(self.hold.values())
        block = self.block
        if block.times and abs(frame.start_ms - block.times[-1]) > 20 * MINUTE_MS:
            self._restart(frame.start_ms)
        block.add(frame.start_ms, temperature)
        self._notice_steps(tank, frame.start_ms)
        moment.disturbed = frame.start_ms < self.disturbed_until
        if moment.fifth:
            self._slow(tank, moment, sum(block.values) / len(block.values))
        elif self._limit_state(tank, temperature) > 0 and not self.hold and not moment.disturbed:
            # past a limit: no waiting for the five-minute block
            self._slow(tank, moment, median(block.values), learn=False)
        self._share(tank, moment)
        return list(self.hold.values())

    @property
    def learnt(self) -> dict[str, float]:
        """What the tank has taught, only what is known.

        `time_constant_h` (from `stretches` of free cooling), `held_from_c` and `held_to_c` (the usual lowest
        and highest of the last `days` whole days), `cooler_turns_at_c` and the rest of `CoolerMemory.learnt`.
        """
        out: dict[str, float] = {}
        if len(self.model.taus) >= 8:
            out["time_constant_h"] = self.model.time_constant_h(0.0)  # the volume counts for a guess only
            out["stretches"] = float(len(self.model.taus))
        if self.extremes.lows:
            out["held_from_c"], out["held_to_c"] = median(self.extremes.lows), median(self.extremes.highs)
            out["days"] = float(len(self.extremes.lows))
        return out | {f"cooler_{name}": value for name, value in (self.cooler.learnt or {}).items()}

    def _restart(self, now_ms: int) -> None:
        """After a gap: slopes across it would mean nothing."""
        self.block.clear()
        self.window.clear()
        self.rooms.clear()
        self.stuck_since = self.cold_since = self.cooler.hot_since = -1

    def _notice_steps(self, tank: Tank, now_ms: int) -> None:
        """Faster than heater or room could do it: water was changed, or the probe was moved."""
        values = self.block.values
        if len(values) < 3:
            return
        change = abs(values[-1] - values[-3])
        possible = 3 * tank.heating_rate_c_per_h * 2 / 60
        if change > 0.25 + possible:
            self.disturbed_until = now_ms + 40 * MINUTE_MS
            self.last_step_ms = now_ms
            self.window.clear()
            self.rooms.clear()
            self.stuck_since = self.cold_since = self.cooler.hot_since = -1

    def _limit_state(self, tank: Tank, temperature: float) -> int:
        live = tank.settings.livestock
        return int(temperature > live.temperature_high_c or temperature < live.temperature_low_c)

    def _heater_range(self, tank: Tank) -> tuple[float, float] | None:
        """(floor, ceiling) between which the heater holds this probe's reading; None without a heater."""
        heater = tank.settings.heater
        lows = self.extremes.lows
        setpoint = heater.setpoint_c if heater else None
        if heater is None and self.peak_watts < 2:
            return None
        highs = self.extremes.highs
        if setpoint is None:
            if len(lows) < 2:
                return None
            return median(lows), median(highs)
        # The dial is off by a degree as often as not, and the thermostat swings: until the tank has shown a
        # day of it, much is allowed.
        floor, ceiling = setpoint - 1.3, setpoint + 1.3
        if lows:
            usual = sorted(lows)[(len(lows) - 1) // 4]
            floor = min(max(usual, setpoint - 2.5), setpoint + 0.3)
            ceiling = max(min(median(highs), setpoint + 2.5), floor + 0.3)
        return floor, ceiling

    def _power(self, tank: Tank) -> tuple[float | None, float]:
        """(what the heater draws now, what it draws in full) in W; None where it is not metered."""
        heater = tank.settings.heater
        full = (heater.watts if heater else None) or self.peak_watts or 1.0
        return (self.watts.values[-1] if self.watts.values else None), full

    def _share(self, tank: Tank, moment: Moment) -> None:
        band = self._heater_range(tank)
        moment.heater_floor = band[0] if band else None
        moment.temperature_slope = self.window.slope_per_hour(HALF_HOUR)
        moment.cooling_rate = self.model.usual_fall()

    def _slow(self, tank: Tank, moment: Moment, temperature: float, learn: bool = True) -> None:
        frame = moment.frame
        now = frame.start_ms
        learn = learn and not moment.active and not moment.disturbed
        if learn or moment.fifth:
            self.window.add(now, temperature)
        if frame.room is not None and "room_temperature" not in moment.faulty:
            self.rooms.add(now, frame.room)
        room = frame.room
        if room is None and self.rooms.values:
            room = self.rooms.values[-1]
        slope = self.window.slope_per_hour(HALF_HOUR)
        if slope is None:
            slope = self.window.slope_per_hour(15 * MINUTE_MS)
        hour_slope = self.window.slope_per_hour(HOUR)
        heat_alarm = bool(
            moment.active
            & {"heater-stuck-on", "heater-not-heating", "cooling-not-cooling", "power-interrupted"}
        )
        if moment.fifth:
            self.extremes.add(now, temperature, not heat_alarm and not moment.disturbed, 190)
            self.profile.add(moment.minute, temperature, not heat_alarm)
            settled = now - self.lamp_edge_ms > HOUR and now - self.last_step_ms > HOUR
            if tank.settings.cooler is not None and learn and settled:
                self.cooler.learn(tank.settings.cooler, self.window, room)
            if learn and slope is not None and not moment.lamp_on:
                self.model.learn(slope, temperature, room)
        findings: dict[str, Finding] = {}
        self._stuck_on(tank, moment, temperature, slope, room, findings)
        self._not_heating(tank, moment, temperature, slope, hour_slope, room, findings)
        if "heater-stuck-on" not in findings:
            found = self.cooler.finding(tank, moment, self.extremes, temperature, slope, hour_slope, room)
            if found is not None:
                findings[found.alarm] = found
        self._limits(tank, moment, temperature, hour_slope, findings)
        self.hold = findings

    # -- the heater stays on ------------------------------------------------------------------------

    def _explained(self, tank: Tank, moment: Moment, temperature: float, room: float | None) -> float | None:
        """The slope in °C/h that room and lamp explain; None where it can't be said."""
        usual = self.profile.at(moment.minute)
        before = self.profile.at((moment.minute - 30) % 1440)
        lamp = 0.0
        if moment.lamp_on:
            # while the thermostat works it hides the lamp's heat, so the usual curve is only a lower bound
            lamp = 0.25
            if usual is not None and before is not None:
                lamp = max(lamp, min(0.5, (usual - before) * 2))
        if room is not None:
            passive = self.model.passive_slope(temperature, room, tank.settings.volume_litres)
            if room > temperature and len(self.model.taus) < 8:
                passive *= 1.8  # a room that warms the water, and a time constant that is only a guess
            return passive + lamp
        fall = self.model.usual_fall()
        if fall is None:
            return None
        return fall + lamp

    def _stuck_on(
        self,
        tank: Tank,
        moment: Moment,
        temperature: float,
        slope: float | None,
        room: float | None,
        out: dict[str, Finding],
    ) -> None:
        now = moment.frame.start_ms
        band = self._heater_range(tank)
        if band is None or moment.disturbed:
            self.stuck_since = -1
            return
        ceiling = band[1]
        live = tank.settings.livestock
        raised = "heater-stuck-on" in moment.active
        over = temperature - ceiling
        usual = self.profile.at(moment.minute)
        unusual = usual is None or temperature > usual + 0.4 or over > 1.5
        power, full = self._power(tank)
        rate = tank.heating_rate_c_per_h
        explained = self._explained(tank, moment, temperature, room)
        if power is not None:
            heating = min(median(self.watts.values), power) > 0.4 * full
            excess = None
        elif slope is None:
            heating, excess = False, None
        elif explained is not None:
            excess = slope - explained
            # when the room is measured the excess alone tells; else the water must be seen to rise
            heating = excess > 0.4 * rate and (room is None or excess > 0.15)
            if room is None:
                rise = self.model.usual_rise()
                share = 0.55
                cooler = tank.settings.cooler
                if cooler is not None and temperature > (cooler.setpoint_c or 99.0) - 0.3:
                    share = 0.75  # here a cooler that has stopped would look alike
                # A stuck heater leaves from within its own cycle; a warm room lifts the whole curve first.
                recent = self.window.values[-37:]
                from_cycle = raised or min(recent) < band[0] + 0.6 * (ceiling - band[0])
                heating = heating and from_cycle and slope > max(0.08, share * (rise or rate))
        else:
            excess = None
            heating = slope > 0.35 * rate
        if raised and over < 0.1 and slope is not None and slope < 0:
            return
        if not raised and slope is not None and slope > 1.8 * max(rate, self.model.usual_rise() or 0.0):
            self.stuck_since = -1  # no heater heats that fast: warmer water was poured in
            return
        if raised and slope is not None and slope < -0.1 and not heating:
            return
        if over > 0.3 and heating and unusual:
            if self.stuck_since < 0:
                self.stuck_since = now
        elif not raised:
            self.stuck_since = -1
        waited = now - self.stuck_since if self.stuck_since >= 0 else -1
        if not raised and waited < (5 if over > 1.0 else 15) * MINUTE_MS:
            return
        left = None
        if slope is not None and temperature < live.temperature_high_c:
            left = time_to_reach(temperature, slope, live.temperature_high_c)
        elif temperature >= live.temperature_high_c:
            left = 0.0
        observations = [
            f"water {temperature:.1f} °C, {temperature - ceiling:.1f} °C above what the heater holds",
        ]
        if slope is not None:
            by_room = (
                f"; room {room:.1f} °C and lamp explain {slope - excess:+.2f}"
                if room is not None and excess is not None
                else ""
            )
            observations.append(f"going up {slope:+.2f} °C an hour{by_room}")
        if power is not None:
            observations.append(f"the heater draws {power:.0f} W")
        out["heater-stuck-on"] = Finding(
            alarm="heater-stuck-on",
            holding=raised and not heating,
            priority=urgency(left),
            value=round(temperature, 2),
            unit="Cel",
            time_left_s=left,
            cause="the thermostat's contacts have welded shut, or its dial has been turned up",
            observations=observations,
        )

    # -- the heater does not heat -------------------------------------------------------------------

    def _not_heating(
        self,
        tank: Tank,
        moment: Moment,
        temperature: float,
        slope: float | None,
        hour_slope: float | None,
        room: float | None,
        out: dict[str, Finding],
    ) -> None:
        now = moment.frame.start_ms
        band = self._heater_range(tank)
        if band is None or moment.disturbed:
            self.cold_since = -1
            return
        floor = band[0]
        raised = "heater-not-heating" in moment.active
        if slope is not None and not raised:
            fastest = 2.5 * abs(self.model.usual_fall() or 0.6)
            if room is not None:
                passive = self.model.passive_slope(temperature, room, tank.settings.volume_litres)
                fastest = max(fastest, 2.2 * abs(passive))
            natural = max(0.5, fastest)
            if slope < -natural:
                self.cold_since = -1  # no tank cools that fast: colder water was poured in
                return
        under = floor - temperature
        power, full = self._power(tank)
        rate = tank.heating_rate_c_per_h
        if power is not None and self.peak_watts > 2:
            idle = max(self.watts.values[-10:]) < 0.15 * full and len(self.watts.values) >= 10
            excess = None
        elif slope is None:
            idle, excess = False, None
        elif room is not None:
            excess = slope - self.model.passive_slope(temperature, room, tank.settings.volume_litres)
            falling = slope < -0.03 or (hour_slope is not None and hour_slope < -0.03)
            idle = slope < 0.05 and (excess < 0.35 * rate) and (falling or under > 1.0)
        else:
            excess = None
            fall = self.model.usual_fall()
            limit = (0.35 if under > 0.7 else 0.6) * fall if fall is not None else -0.06
            idle = slope < max(limit, -0.12) or (under > 1.0 and slope < 0.02)
        if raised and (under < 0.1 or (slope is not None and slope > 0.08 and not idle)):
            return
        if under > 0.3 and idle:
            if self.cold_since < 0:
                self.cold_since = now
        elif not raised:
            self.cold_since = -1
        waited = now - self.cold_since if self.cold_since >= 0 else -1
        if not raised and waited < (5 if under > 1.0 else 15) * MINUTE_MS:
            return
        limit = tank.settings.livestock.temperature_low_c
        left = self._cooling_time(tank, temperature, slope, room, limit)
        observations = [f"water {temperature:.1f} °C, {under:.1f} °C below what the heater holds"]
        changes = "" if slope is None else f"changing {slope:+.2f} °C an hour; "
        if room is not None:
            passive = self.model.passive_slope(temperature, room, tank.settings.volume_litres)
            changes += f"with no heat and the room at {room:.1f} °C it would be {passive:+.2f}; "
        if changes:
            observations.append(changes.removesuffix("; "))
        if power is not None:
            observations.append(f"the heater draws {power:.0f} W")
        out["heater-not-heating"] = Finding(
            alarm="heater-not-heating",
            holding=raised and not idle,
            priority=urgency(left),
            value=round(temperature, 2),
            unit="Cel",
            time_left_s=left,
            cause="the heater is dead, unplugged or out of the water, or its fuse or residual-current device "
            "has tripped",
            observations=observations,
        )

    def _cooling_time(
        self, tank: Tank, temperature: float, slope: float | None, room: float | None, limit: float
    ) -> float | None:
        """Seconds until `limit`: along the exponential where the room is known, else on a straight line."""
        if temperature <= limit:
            return 0.0
        if room is not None:
            if room >= limit - 0.2:
                return None
            tau = self.model.time_constant_h(tank.settings.volume_litres)
            return tau * 3600 * math.log((temperature - room) / (limit - room))
        return time_to_reach(temperature, slope, limit) if slope is not None and slope < 0 else None

    # -- the net below ------------------------------------------------------------------------------

    def _limits(
        self,
        tank: Tank,
        moment: Moment,
        temperature: float,
        hour_slope: float | None,
        out: dict[str, Finding],
    ) -> None:
        live = tank.settings.livestock
        now = moment.frame.start_ms
        slope = hour_slope if hour_slope is not None and not moment.disturbed else 0.0
        for name, limit, sign in (
            ("temperature-high", live.temperature_high_c, 1.0),
            ("temperature-low", live.temperature_low_c, -1.0),
        ):
            raised = name in moment.active
            past = sign * (temperature - limit)
            speed = sign * slope
            soon = False
            if past <= 0 and speed > 0.03:
                extremes = self.extremes.highs if sign > 0 else self.extremes.lows
                beyond = bool(extremes) and sign * (temperature - median(extremes)) > 0.25
                long = self.window.slope_per_hour(2 * HOUR)
                better = max(self.stuck_since, self.cold_since, self.cooler.hot_since) >= 0
                soon = (
                    beyond
                    and not better
                    and long is not None
                    and sign * long > max(0.03, 0.6 * speed)  # a trend, not water just poured in
                    and speed < max(0.5, 2.5 * abs(self.model.usual_fall() or 0.3))
                    and past + min(speed, sign * long) * 3.0 > 0
                )
            if not (past > 0 or soon or (raised and past > -0.3)):
                continue
            since = self.past_ms[0 if sign > 0 else 1]
            if past > 0:
                if since < 0:
                    since = now
            else:
                since = -1
            self.past_ms[0 if sign > 0 else 1] = since
            if past > 0 and moment.disturbed and not raised and now - since < 45 * MINUTE_MS:
                continue
            left = 0.0 if past > 0 else (-past / speed * 3600 if speed > 0 else None)
            out[name] = Finding(
                alarm=name,
                holding=past <= 0 and not soon,
                priority="high" if past > 1.0 or (left is not None and left < 3600) else "medium",
                value=round(temperature, 2),
                unit="Cel",
                time_left_s=left,
                cause="the room is too warm, or something heats the water"
                if sign > 0
                else "the room is too cold for the heater, or there is none",
                observations=[
                    f"water {temperature:.1f} °C, the livestock's limit is {limit:.1f} °C",
                    f"changing {slope:+.2f} °C an hour",
                    *([oxygen_text(temperature)] if sign > 0 else []),
                ],
            )
