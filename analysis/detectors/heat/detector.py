"""Heat: gathers what is known of it, and asks `heater_stuck`, `heater_dead`, `cooler_stopped`, `limits`.

What room and lamp don't explain of the slope that is seen is the heater's, or a missing cooler's.
"""

from __future__ import annotations

import bisect
from typing import ClassVar

import msgspec

from rushlight.analysis.detectors.heat.balance import explained_slope, heat_now, kept_heat, learn_model
from rushlight.analysis.detectors.heat.calm_water import OF_HEAT, held
from rushlight.analysis.detectors.heat.cooler_memory import CoolerMemory
from rushlight.analysis.detectors.heat.cooler_stopped import CoolerStopped
from rushlight.analysis.detectors.heat.cycle import HeaterCycle
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory, corner_is_its_own
from rushlight.analysis.detectors.heat.heater_dead import HeaterDead
from rushlight.analysis.detectors.heat.heater_stuck import HeaterStuck
from rushlight.analysis.detectors.heat.heater_test import (
    Course,
    noise_of,
    unheated_verdict,
    welded_verdict,
)
from rushlight.analysis.detectors.heat.limits import LIMIT_ALARMS, TemperatureLimits
from rushlight.analysis.detectors.heat.new_water import NewWater, stepped
from rushlight.analysis.detectors.heat.numbers import HEAT, LIMITS
from rushlight.analysis.detectors.heat.taught import taught
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.daily import DailyExtremes, DailyProfile
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.thermal_model import ThermalModel
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.findings import Finding
from rushlight.collector.store.log_entry import LogEntry

__all__ = ["TemperatureDetector"]

NOTHING: list[Finding] = []
"""What nearly every frame finds; nobody adds to it."""


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
    window: Window = msgspec.field(default_factory=lambda: Window(HEAT.course_values))
    rooms: Window = msgspec.field(default_factory=lambda: Window(HEAT.course_values))
    extremes: DailyExtremes = msgspec.field(default_factory=DailyExtremes)
    profile: DailyProfile = msgspec.field(default_factory=DailyProfile)
    heater: HeaterMemory = msgspec.field(default_factory=HeaterMemory)
    cycle: HeaterCycle = msgspec.field(default_factory=HeaterCycle)
    stuck: HeaterStuck = msgspec.field(default_factory=HeaterStuck)
    dead: HeaterDead = msgspec.field(default_factory=HeaterDead)
    cooler: CoolerMemory = msgspec.field(default_factory=CoolerMemory)
    stopped: CoolerStopped = msgspec.field(default_factory=CoolerStopped)
    limits: TemperatureLimits = msgspec.field(default_factory=TemperatureLimits)
    disturbed_until: int = -1
    last_step_ms: int = -1
    lamp_edge_ms: int = -1
    rough: Window = msgspec.field(default_factory=lambda: Window(HEAT.rough_min))
    hold: dict[str, Finding] = msgspec.field(default_factory=dict)
    ceiling: float | None = None  # the warmest the heater holds, °C
    unheated: float | None = None  # the slope that room and lamp explain, °C/h, as last judged
    leaping: bool = False
    leap: Window = msgspec.field(default_factory=lambda: Window(LIMITS.leap_frames))
    water: NewWater = msgspec.field(default_factory=NewWater)

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; the findings that hold after it. O(1)."""
        frame, said = moment.frame, moment.heat
        now = frame.start_ms
        temperature = frame.temperature if "temperature" not in moment.probes.faulty else None
        if moment.lamp.edge:
            self.lamp_edge_ms = moment.lamp.edge_ms
        if frame.heater is not None:
            calm = now - self.last_step_ms > HEAT.settle_min * MINUTE_MS
            self.heater.meter(now, frame.heater, temperature, self.heater.full(tank), calm)
            tank.kept_heat = None
        self.water.ended = None
        if temperature is None:
            said.disturbed = now < self.disturbed_until
            return self._doubtful(tank, moment)
        self._take(tank, moment, temperature)
        said.disturbed = now < self.disturbed_until
        if moment.fifth:
            block = self._block()
            self._slow(tank, moment, sum(block) / len(block))
            said.comes_on = self.heater.holds_from(None) if self.heater.sure else None
        elif self.limits.beyond(tank, temperature) and not self.hold and not said.disturbed:
            # past a limit: no waiting for the five-minute block
            self._slow(tank, moment, median(self._block()))
        kept = tank.kept_heat
        if kept is None or kept.of is not self:
            kept = kept_heat(tank, self)
        said.floor, self.ceiling = kept.floor, kept.ceiling
        said.cooling_rate, said.slope = kept.cooling_rate, kept.slope
        return list(self.hold.values()) if self.hold else NOTHING

    def _take(self, tank: Tank, moment: Moment, temperature: float) -> None:
        """A minute's mean, and the look for a hand or water that was poured in."""
        now, recent = moment.frame.start_ms, self.water.recent
        if self.rough.values:
            self.rough.clear()
        since_ms = abs(now - recent.times[-1]) if recent.times else 0
        gap_ms = HEAT.gap_min * MINUTE_MS
        if since_ms > gap_ms:
            gap_ms = max(gap_ms, round(HEAT.gap_reports * moment.sensor("temperature").interval_ms))
            if since_ms > gap_ms:
                self._restart(tank)  # slopes across a gap would mean nothing
        stayed, self.leaping = self.leaping and 0 < since_ms <= gap_ms, False
        stayed = stayed and abs(temperature - median(self._block())) > HEAT.stayed_c
        self.water.look(tank, moment, temperature, gap_ms, self)
        if stayed:
            recent.clear()  # a mean over both levels would be neither
            recent.add(now, temperature)
            self._disturb(tank, now)
        last = recent.values[-HEAT.step_min - 1 :]
        beyond = (far := max(last) - min(last)) > HEAT.step_c and stepped(tank, recent, self.cycle.heat)
        if beyond and far > HEAT.step_steps * moment.sensor("temperature").step:
            self._disturb(tank, now)

    def _block(self) -> list[float]:
        """The values of the last five minutes."""
        times = self.water.recent.times
        return self.water.recent.values[bisect.bisect_right(times, times[-1] - HEAT.block_min * MINUTE_MS) :]

    def recall(self, moment: Moment) -> None:
        """Nobody asks what it said before."""

    def beliefs(self, tank: Tank, moment: Moment) -> dict[str, float | None]:
        """Where the heater holds the water, how it moves, and how it would without heat."""
        usual = {"temperature_usual_c": self.profile.at(moment.minute)}
        usual |= self.water.beliefs(tank, moment.frame.start_ms)
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
            self.rough.drop_older(HEAT.rough_min * MINUTE_MS)
            for finding in self.hold.values():
                finding.holding = True
            level = median(self.rough.values)
            known = self.rough.lately(HEAT.rough_least_min * MINUTE_MS)
            if not known or not self.limits.beyond(tank, level):
                return list(self.hold.values())
            found = self.limits.findings(tank, moment, level, self.rough, self.extremes, None, True)
            return [*(self.hold[name] for name in self.hold if name not in LIMIT_ALARMS), *found]
        last_ms = self.window.times[-1] if self.window.times else 0
        if frame.start_ms - last_ms > HEAT.hold_min * MINUTE_MS and not moment.beyond("temperature"):
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
        kept = {name: one for name, one in self.hold.items() if name not in LIMIT_ALARMS}
        return [*kept.values(), *([found] if found is not None else [])]

    @property
    def learnt(self) -> dict[str, float]:
        """What the tank has taught, only what is known.

        `time_constant_h` (from `stretches` of free cooling), `held_from_c` and `held_to_c` (the usual lowest
        and highest of the last `days` whole days), `comes_on_at_c` and `lets_go_at_c` (where the heater was
        seen to do so), `heats_c_per_h` (what it gives),
        `cooler_turns_at_c` and the rest of `CoolerMemory.learnt`.
        """
        return taught(self.model, self.extremes, self.heater, self.cycle, self.cooler)

    def room_now(self, now_ms: int) -> float | None:
        """The room's temperature (°C), an hour old at most; None where no probe tells."""
        rooms = self.rooms
        fresh = bool(rooms.times) and now_ms - rooms.times[-1] < HEAT.room_old_min * MINUTE_MS
        return rooms.values[-1] if fresh else None

    def _restart(self, tank: Tank) -> None:
        tank.kept_heat = None
        self.window.clear()
        self.rooms.clear()
        self.cycle.restart()
        self.stuck.since = self.dead.since = self.stopped.hot_since = -1

    def _disturb(self, tank: Tank, now_ms: int) -> None:
        self.disturbed_until = now_ms + HEAT.disturbed_min * MINUTE_MS
        self.last_step_ms = now_ms
        self._restart(tank)

    def noted(self, tank: Tank, entry: LogEntry) -> None:
        """A water change that was noted explains for a while what the water does."""
        if entry.changed_share is not None:
            self.disturbed_until = max(self.disturbed_until, entry.time_ms + HEAT.changed_min * MINUTE_MS)
            self.water.note(entry.time_ms, entry.changed_share)

    def undone(self, tank: Tank, entry: LogEntry) -> None:
        """There was no water change after all."""
        if entry.changed_share is not None:
            self.disturbed_until = -1
            self.water.forget_note(entry.time_ms)

    def _slow(self, tank: Tank, moment: Moment, temperature: float) -> None:
        now = moment.frame.start_ms
        if moment.frame.room is not None and "room_temperature" not in moment.probes.faulty:
            self.rooms.add(now, moment.frame.room)
        room = self.room_now(now)
        if moment.fifth:
            self._learn(tank, moment, temperature, room)
        kept = kept_heat(tank, self)
        self.unheated = explained_slope(tank, moment, temperature, room, self.model, self.profile)
        if not self.hold and held(tank, moment, temperature, kept, self.heater, self.cycle, self.extremes):
            self.stuck.since = self.dead.since = -1
            self.limits.clear()
            return
        heat = heat_now(tank, now, temperature, room, self.unheated, kept, self)
        usual, recent = self.profile.at(moment.minute), self.window.values or [temperature]
        welded = unheated = stopped = None
        if moment.fifth and not moment.heat.disturbed:
            course = Course(self.window, noise_of(moment.sensor("temperature")), self.lamp_edge_ms)
            bend = self.cooler.bend(tank.settings.cooler, temperature)
            welded = welded_verdict(moment, heat, self.heater, self.cycle, course, bend, usual)
            unheated = unheated_verdict(moment, heat, self.heater, self.cycle, course)
        stuck = self.stuck.finding(tank, moment, heat, usual, recent, welded, self.cycle, self.heater)
        dead = self.dead.finding(tank, moment, heat, self.heater, self.model, unheated)
        if stuck is None:
            cooler, highs, edge_ms = self.cooler, self.extremes.highs, self.lamp_edge_ms
            stopped = self.stopped.finding(tank, moment, heat, cooler, highs, self.window, edge_ms)
        better = max(self.stuck.since, self.dead.since, self.stopped.hot_since) >= 0
        tau_h = self.model.time_constant_h(tank.settings.volume_litres)
        unheld = None if heat.floor is None else (self.heater.sinks_to(heat.floor), tau_h)
        known = (self.window, self.extremes, heat.usual_fall, better, unheld, self.profile)
        limits = self.limits.findings(tank, moment, temperature, *known)
        self.hold = {found.alarm: found for found in (stuck, dead, stopped, *limits) if found is not None}

    def _learn(self, tank: Tank, moment: Moment, temperature: float, room: float | None) -> None:
        """A five-minute value: the water's course, its usual day, heater, cooler and the room's pull."""
        now, disturbed, cooler = moment.frame.start_ms, moment.heat.disturbed, tank.settings.cooler
        window, active, sensor = self.window, moment.active, moment.sensor("temperature")
        window.add(now, temperature)
        quiet = not active or active.isdisjoint(OF_HEAT)
        every_min = max(HEAT.block_min, sensor.interval_ms / MINUTE_MS)
        enough = round(HEAT.day_share * 1440 / every_min)
        self.extremes.add(now, temperature, quiet and not disturbed, enough)
        self.profile.add(moment.minute, temperature, quiet)
        settled = now - max(self.lamp_edge_ms, self.last_step_ms) > HEAT.settle_min * MINUTE_MS
        own = settled and corner_is_its_own(tank, temperature) and not self.cooler.made_corner(now)
        if own and not self.heater.metered:
            self.heater.corner(window, tank.heating_rate_c_per_h, every_min)
        if cooler is not None and settled and not disturbed:
            heated_from = self.cycle.heated_from(self.heater.holds_from(None))
            self.cooler.learn(cooler, window, room, heated_from)
        if not active and not disturbed:
            learn_model(self, moment, temperature, room)
        rate = tank.heating_rate_c_per_h
        came_on = self.cycle.add(now, temperature, noise_of(sensor), rate, own and not active)
        if came_on is not None and not self.heater.metered:
            self.heater.saw(now, came_on)
        calm = not disturbed and sensor.step < LIMITS.coarse_c  # one of its steps is no sinking
        self.heater.came_back.add(now, temperature, calm)
