"""Heat: gathers what is known of the water's heat, and asks those who judge it.

`heater_stuck.py` and `heater_dead.py` judge the heater, `cooler.py` the cooler, `temperature_limits.py` the
livestock's limits. What decides is the balance of heat: the slope that is seen, less the slope that room and
lamp explain, is what the heater (or the missing cooler) must have done.
"""

from __future__ import annotations

from typing import ClassVar

import msgspec

from rushlight.analysis.detectors.heat.balance import HeatNow
from rushlight.analysis.detectors.heat.cooler import CoolerMemory
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.detectors.heat.heater_dead import HeaterDead
from rushlight.analysis.detectors.heat.heater_stuck import HeaterStuck
from rushlight.analysis.detectors.heat.limits import TemperatureLimits
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.daily import DailyExtremes, DailyProfile
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.thermal_model import ThermalModel
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.findings import Finding

__all__ = ["TemperatureDetector"]

QUARTER = 15 * MINUTE_MS
HALF_HOUR = 30 * MINUTE_MS
STAYED_C = 1.0  # so far from where it leapt from, a level has stayed away; common practice, no source
LIMITS = ("temperature-high", "temperature-low")
HOUR = 60 * MINUTE_MS
OF_HEAT = frozenset({"heater-stuck-on", "heater-not-heating", "cooling-not-cooling", "power-interrupted"})


class TemperatureDetector(msgspec.Struct):
    """State of the heat family of one tank."""

    name: ClassVar[str] = "heat"
    place: ClassVar[str] = "heat"
    alarms: ClassVar[frozenset[str]] = frozenset(
        {
            "heater-stuck-on",
            "heater-not-heating",
            "cooling-not-cooling",
            "temperature-high",
            "temperature-low",
        }
    )
    needs: ClassVar[frozenset[str]] = frozenset({"probes", "lamp"})
    recalls: ClassVar[frozenset[str]] = frozenset()

    model: ThermalModel = msgspec.field(default_factory=ThermalModel)
    block: Window = msgspec.field(default_factory=lambda: Window(5))
    window: Window = msgspec.field(default_factory=lambda: Window(37))
    rooms: Window = msgspec.field(default_factory=lambda: Window(37))
    extremes: DailyExtremes = msgspec.field(default_factory=DailyExtremes)
    profile: DailyProfile = msgspec.field(default_factory=DailyProfile)
    heater: HeaterMemory = msgspec.field(default_factory=HeaterMemory)
    stuck: HeaterStuck = msgspec.field(default_factory=HeaterStuck)
    dead: HeaterDead = msgspec.field(default_factory=HeaterDead)
    cooler: CoolerMemory = msgspec.field(default_factory=CoolerMemory)
    limits: TemperatureLimits = msgspec.field(default_factory=TemperatureLimits)
    disturbed_until: int = -1
    last_step_ms: int = -1
    lamp_edge_ms: int = -1
    rough: Window = msgspec.field(default_factory=lambda: Window(15))
    hold: dict[str, Finding] = msgspec.field(default_factory=dict)
    ceiling: float | None = None  # the warmest the heater holds, °C
    unheated: float | None = None  # the slope that room and lamp explain, °C/h, as last judged
    leaping: bool = False
    leap: Window = msgspec.field(default_factory=lambda: Window(3))

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; the findings that stand after it. O(1)."""
        frame = moment.frame
        temperature = frame.temperature if "temperature" not in moment.probes.faulty else None
        if moment.lamp.edge:
            self.lamp_edge_ms = moment.lamp.edge_ms
        if frame.heater is not None:
            calm = frame.start_ms - self.last_step_ms > HOUR
            self.heater.meter(frame.start_ms, frame.heater, temperature, self._full(tank), calm)
        moment.heat.disturbed = frame.start_ms < self.disturbed_until
        if temperature is None:
            return self._doubtful(tank, moment)
        self.rough.clear()
        block = self.block
        if block.times and abs(frame.start_ms - block.times[-1]) > 20 * MINUTE_MS:
            self.block.clear()
            self._restart()  # slopes across a gap would mean nothing
        if self.leaping:
            self.leaping = False
            if block.values and abs(temperature - median(block.values)) > STAYED_C:
                block.clear()  # a mean over both levels would be neither
                self._disturb(frame.start_ms)
        block.add(frame.start_ms, temperature)
        self._notice_steps(tank, frame.start_ms)
        moment.heat.disturbed = frame.start_ms < self.disturbed_until
        if moment.fifth:
            self._slow(tank, moment, sum(block.values) / len(block.values))
        elif self.limits.beyond(tank, temperature) and not self.hold and not moment.heat.disturbed:
            # past a limit: no waiting for the five-minute block
            self._slow(tank, moment, median(block.values))
        moment.heat.floor, self.ceiling = self.heater_range(tank)
        moment.heat.comes_on = self.heater.holds_from(None) if moment.fifth and self.heater.sure else None
        moment.heat.slope = self.window.slope_per_hour(HALF_HOUR)
        moment.heat.cooling_rate = self.model.usual_fall()
        return list(self.hold.values())

    def recall(self, moment: Moment) -> None:
        """Nobody asks what it said before."""

    def beliefs(self, tank: Tank, moment: Moment) -> dict[str, float | None]:
        """Where the heater holds the water, how it moves, and how it would without heat."""
        usual = {"temperature_usual_c": self.profile.at(moment.minute)}
        if moment.frame.temperature is None or "temperature" in moment.probes.faulty:
            return dict(usual)
        return {
            **usual,
            "heater_holds_from_c": moment.heat.floor,
            "heater_holds_to_c": self.ceiling,
            "temperature_slope_c_per_h": moment.heat.slope,
            "unheated_slope_c_per_h": self.unheated,
            "time_constant_h": self.model.time_constant_h(tank.settings.volume_litres),
        }

    def _doubtful(self, tank: Tank, moment: Moment) -> list[Finding]:
        """No value to be relied on. A probe that only jitters still shows whether a limit is passed."""
        frame = moment.frame
        if "temperature" in moment.probes.leapt and frame.temperature is not None:
            return self._leapt(tank, moment, frame.temperature)
        if "temperature" in moment.probes.restless and frame.temperature is not None:
            self.rough.add(frame.start_ms, frame.temperature)
            for finding in self.hold.values():
                finding.holding = True
            level = median(self.rough.values)
            if len(self.rough.values) < 10 or not self.limits.beyond(tank, level):
                return list(self.hold.values())
            found = self.limits.findings(tank, moment, level, self.rough, self.extremes, None, True)
            return [*(self.hold[name] for name in self.hold if name not in LIMITS), *found]
        last_ms = self.window.times[-1] if self.window.times else 0
        if frame.start_ms - last_ms > HALF_HOUR and not moment.beyond("temperature"):
            self.hold.clear()
        return list(self.hold.values())

    def _leapt(self, tank: Tank, moment: Moment, temperature: float) -> list[Finding]:
        """Its level leapt as no water can: nothing is learnt of it, but nobody may sleep over it either."""
        frame = moment.frame
        if not self.leaping:
            self.leaping = True
            self.leap.clear()
        if frame.room is not None and "room_temperature" not in moment.probes.faulty:
            self.rooms.add(frame.start_ms, frame.room)
        self.leap.add(frame.start_ms, temperature)
        for finding in self.hold.values():
            finding.holding = True
        found = self.limits.leapt(
            tank, moment, self.leap, moment.probes.leapt["temperature"], self.room_now(frame.start_ms)
        )
        kept = {name: one for name, one in self.hold.items() if name not in LIMITS}
        return [*kept.values(), *([found] if found is not None else [])]

    @property
    def learnt(self) -> dict[str, float]:
        """What the tank has taught, only what is known.

        `time_constant_h` (from `stretches` of free cooling), `held_from_c` and `held_to_c` (the usual lowest
        and highest of the last `days` whole days), `comes_on_at_c` (where the heater was seen to come on),
        `cooler_turns_at_c` and the rest of `CoolerMemory.learnt`.
        """
        out: dict[str, float] = {}
        if len(self.model.taus) >= 8:
            out["time_constant_h"] = self.model.time_constant_h(0.0)  # the volume counts for a guess only
            out["stretches"] = float(len(self.model.taus))
        if self.extremes.lows:
            out["held_from_c"], out["held_to_c"] = median(self.extremes.lows), median(self.extremes.highs)
            out["days"] = float(len(self.extremes.lows))
        comes_on = self.heater.holds_from(None)
        if comes_on is not None:
            out["comes_on_at_c"] = comes_on
        return out | {f"cooler_{name}": value for name, value in (self.cooler.learnt or {}).items()}

    def room_now(self, now_ms: int) -> float | None:
        """The room's temperature (°C), an hour old at most; None where no probe tells."""
        rooms = self.rooms
        return rooms.values[-1] if rooms.times and now_ms - rooms.times[-1] < HOUR else None

    def heater_range(self, tank: Tank) -> tuple[float | None, float | None]:
        """(floor, ceiling) in °C between which the heater holds this probe's reading, as far as known."""
        heater = tank.settings.heater
        if heater is None and self.heater.peak_watts < 5:
            return None, None
        setpoint = heater.setpoint_c if heater else None
        floor = self.heater.holds_from(setpoint)
        highs = self.extremes.highs
        if setpoint is None:
            return floor, median(highs) if len(highs) >= 2 else None
        ceiling = setpoint + 1.3  # until the tank has shown a day of it, much is allowed
        if highs:
            ceiling = min(median(highs), setpoint + 2.5)
        return floor, max(ceiling, (setpoint - 1.3 if floor is None else floor) + 0.3)

    def explained(self, tank: Tank, moment: Moment, temperature: float, room: float | None) -> float | None:
        """The slope in °C/h that room and lamp explain; None where it can't be said."""
        usual = self.profile.at(moment.minute)
        before = self.profile.at((moment.minute - 30) % 1440)
        lamp = 0.0
        if moment.lamp.on:
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
        return None if fall is None else fall + lamp

    def _full(self, tank: Tank) -> float:
        """What the heater draws when it heats, W; 0 where it isn't known."""
        heater = tank.settings.heater
        return max((heater.watts if heater else None) or 0.0, self.heater.peak_watts)

    def _restart(self) -> None:
        self.window.clear()
        self.rooms.clear()
        self.stuck.since = self.dead.since = self.cooler.hot_since = -1

    def _notice_steps(self, tank: Tank, now_ms: int) -> None:
        """Faster than heater or room could do it: water was changed, or the probe was moved."""
        values = self.block.values
        if len(values) < 3:
            return
        change = abs(values[-1] - values[-3])
        possible = 3 * tank.heating_rate_c_per_h * 2 / 60
        if change > 0.25 + possible:
            self._disturb(now_ms)

    def _disturb(self, now_ms: int) -> None:
        self.disturbed_until = now_ms + 40 * MINUTE_MS
        self.last_step_ms = now_ms
        self._restart()

    def _slow(self, tank: Tank, moment: Moment, temperature: float) -> None:
        frame = moment.frame
        now = frame.start_ms
        heat_alarm = bool(moment.active & OF_HEAT)
        if moment.fifth:
            self.window.add(now, temperature)
        if frame.room is not None and "room_temperature" not in moment.probes.faulty:
            self.rooms.add(now, frame.room)
        room = self.room_now(now)
        if moment.fifth:
            self.extremes.add(now, temperature, not heat_alarm and not moment.heat.disturbed, 190)
            self.profile.add(moment.minute, temperature, not heat_alarm)
            self._learn(tank, moment, temperature, room)
        heat = self._now(tank, moment, temperature, room)
        self.unheated = heat.explained
        findings = [
            self.stuck.finding(
                tank, moment, heat, self.profile.at(moment.minute), self.window.values or [temperature]
            ),
            self.dead.finding(
                tank, moment, heat, self.heater, self.model.time_constant_h(tank.settings.volume_litres)
            ),
        ]
        if findings[0] is None:
            findings.append(
                self.cooler.finding(tank, moment, heat, self.extremes.highs, self.window, self.lamp_edge_ms)
            )
        better = max(self.stuck.since, self.dead.since, self.cooler.hot_since) >= 0
        findings += self.limits.findings(
            tank, moment, temperature, self.window, self.extremes, heat.usual_fall, better
        )
        self.hold = {found.alarm: found for found in findings if found is not None}

    def _learn(self, tank: Tank, moment: Moment, temperature: float, room: float | None) -> None:
        now = moment.frame.start_ms
        settled = now - self.lamp_edge_ms > HOUR and now - self.last_step_ms > HOUR
        if settled and not self.heater.metered and self._heaters_own(tank, temperature):
            self.heater.corner(self.window, tank.heating_rate_c_per_h)
        if tank.settings.cooler is not None and settled and not moment.heat.disturbed:
            self.cooler.learn(tank.settings.cooler, self.window, room)
        if moment.active or moment.heat.disturbed:
            return
        slope = self.window.slope_per_hour(HALF_HOUR)
        if slope is None:
            slope = self.window.slope_per_hour(QUARTER)
        if slope is not None and not moment.lamp.on:
            self.model.learn(slope, temperature, room)

    @staticmethod
    def _heaters_own(tank: Tank, temperature: float) -> bool:
        """Whether a corner here can be the heater's: a cooler that switches off makes one too."""
        heater, cooler = tank.settings.heater, tank.settings.cooler
        if heater is None:
            return False
        if heater.setpoint_c is not None and abs(temperature - heater.setpoint_c) > 2.5:
            return False
        if cooler is None or cooler.setpoint_c is None:
            return True
        between = cooler.setpoint_c - 1.0
        if heater.setpoint_c is not None:
            between = max(between, (cooler.setpoint_c + heater.setpoint_c) / 2)
        return temperature < between

    def _now(self, tank: Tank, moment: Moment, temperature: float, room: float | None) -> HeatNow:
        now = moment.frame.start_ms
        window = self.window
        quarter = window.slope_per_hour(QUARTER)
        slope = window.slope_per_hour(HALF_HOUR)
        floor, ceiling = self.heater_range(tank)
        unheated = None
        if room is not None:
            unheated = self.model.passive_slope(temperature, room, tank.settings.volume_litres)
        return HeatNow(
            now=now,
            temperature=temperature,
            room=room,
            slope=quarter if slope is None else slope,
            quarter=quarter,
            hour=window.slope_per_hour(HOUR),
            floor=floor,
            ceiling=ceiling,
            power=self.heater.power(now),
            full=self._full(tank),
            rate=tank.heating_rate_c_per_h,
            usual_fall=self.model.usual_fall(),
            usual_rise=self.model.usual_rise(),
            learnt=len(self.model.taus) >= 8,
            unheated=unheated,
            explained=self.explained(tank, moment, temperature, room),
        )
