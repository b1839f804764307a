"""Probes: disconnected, impossible, stuck, out of the water, restless, or with a loose contact."""

from __future__ import annotations

from typing import ClassVar

import msgspec

from rushlight.analysis.detectors.frames import SeriesFrame
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.detectors.probes import dead, leap, restless, still
from rushlight.analysis.detectors.probes.health import SeriesHealth
from rushlight.analysis.detectors.probes.numbers import DEAD
from rushlight.analysis.detectors.stray_current.explains import explains
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.findings import Finding
from rushlight.collector.readings import HEATER_POWER, PH, QUANTITIES, TEMPERATURE
from rushlight.collector.store.log_entry import LogEntry

__all__ = ["ProbeDetector"]


class ProbeDetector(msgspec.Struct):
    """State of the probe family of one tank."""

    name: ClassVar[str] = "probes"
    place: ClassVar[str] = "probes"
    alarms: ClassVar[frozenset[str]] = frozenset({"probe-fault"})
    needs: ClassVar[frozenset[str]] = frozenset()
    recalls: ClassVar[frozenset[str]] = frozenset({"current"})

    health: dict[str, SeriesHealth] = msgspec.field(default_factory=dict)

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; sets `moment.probes.faulty` before the other families look. O(number of probes).

        Of a current through the water the frame before knows: its flutter is not the electrode's.
        """
        now = moment.frame.start_ms
        between, probes = not moment.fifth, self.health
        out: list[Finding] = []
        for name, series in moment.frame.series.items():
            health = probes.get(name)
            if health is None:
                if name not in QUANTITIES:
                    continue
                health = probes[name] = SeriesHealth()
            calm = health.calm and health.goes_on(name, series, now)
            if calm and between:
                continue
            sensor = moment.sensor(name)
            electrical = name == PH and explains(moment.current_before, health.jitter, now)
            if health.waiting:
                self._catch_up(tank, moment, name, health, electrical, sensor)
            if not calm:
                self._one(tank, moment, name, series, health, electrical, sensor)
            elif series.good:
                still.note(moment, name, series, health, sensor)
            doubted = health.dead_from_ms >= 0 and health.dead_ms() >= DEAD.doubted_ms
            unsure = doubted or health.jump_ms >= 0
            jitters = not electrical and health.jitter.doubtful()
            health.calm = not (
                health.fault
                or unsure
                or health.dead_from_ms >= 0
                or health.jitter.restless
                or health.jitter.wild
            )
            if not (health.fault or unsure or jitters):
                continue
            if health.fault not in ("", "loose") or unsure or jitters:
                moment.probes.faulty.add(name)  # doubtful: not judged by, not yet alarmed about
            if health.fault:
                out.append(health.finding(name, series, now))
            if health.fault in ("", "noisy") and not unsure and (jitters or health.fault):
                moment.probes.restless.add(name)
            if health.jump_ms >= 0 and not doubted and health.fault in ("", "out"):
                moment.probes.leapt[name] = health.jump_from
            if name == PH and health.fault in ("", "noisy") and not unsure:
                moment.probes.ph_jitter = health.jitter.level
        return out

    def noted(self, tank: Tank, entry: LogEntry) -> None:
        """A calibration: where pH leapt to is where it is, and it jumped while it was rinsed."""
        health = self.health.get(PH)
        if health is None or "calibrated" not in entry.done:
            return
        health.jump_ms = health.settled_ms = -1
        health.waiting.clear()
        health.jitter.forget()
        if health.fault == "out":
            health.fault = ""

    def undone(self, tank: Tank, entry: LogEntry) -> None:
        """What has been forgotten is learnt anew all the same."""

    def recall(self, moment: Moment) -> None:
        """Nobody asks what it said before."""

    def beliefs(self, tank: Tank, moment: Moment) -> dict[str, float | None]:
        """1 for each probe that is doubted."""
        return {f"doubts_{name}": 1.0 for name in moment.probes.faulty}

    @staticmethod
    def _catch_up(
        tank: Tank, moment: Moment, name: str, health: SeriesHealth, electrical: bool, sensor: Sensor
    ) -> None:
        """What the minutes since the last look say of its jitter and of leaps."""
        values, health.waiting = health.waiting, []
        newest_ms = health.last_good_ms
        if name != HEATER_POWER:
            restless.note(name, values, health, newest_ms, False, electrical, sensor.step)
        _leap(tank, moment, name, values, health, newest_ms)

    @staticmethod
    def _one(
        tank: Tank,
        moment: Moment,
        name: str,
        series: SeriesFrame,
        health: SeriesHealth,
        electrical: bool,
        sensor: Sensor,
    ) -> None:
        now = moment.frame.start_ms
        sight = dead.look(name, series, health, now)
        if sight.still:
            still.note(moment, name, series, health, sensor)
        if dead.note(name, moment.frame, series, health, sight, sensor.interval_ms):
            return
        if sight.blinded:
            return  # at its end it neither shakes nor rests: nothing is seen of the light
        # a plug without mains is no fault of its meter
        if sight.seen and not sight.walked and not sight.still and name != HEATER_POWER:
            strange = series.suspect > 0 and not electrical and not sight.edge
            failed = sight.full or series.bad > 0 or strange
            value = health.level if series.good else None
            restless.note(name, [value], health, now, failed, electrical, sensor.step)
        if not series.good:
            if sight.walked and health.settled_ms >= 0:
                health.settled_ms = now  # where it walked to, it still is
            return
        still.note(moment, name, series, health, sensor)
        value = series.total / series.good
        _leap(tank, moment, name, [value], health, now)


def _leap(
    tank: Tank, moment: Moment, name: str, values: list[float], health: SeriesHealth, now_ms: int
) -> None:
    """Leaps, by what heats and cools the water."""
    if name == PH:
        leap.note(name, values, None, health, now_ms)
    elif name == TEMPERATURE:
        warms_to_c, cools_to_c = leap.brought_back(tank.settings)
        rate_c_per_h = tank.heating_rate_c_per_h
        leap.note(name, values, moment.frame.room, health, now_ms, rate_c_per_h, warms_to_c, cools_to_c)
