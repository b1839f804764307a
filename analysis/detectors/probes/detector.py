"""Probes: disconnected, impossible, stuck, out of the water, restless, or with a loose contact."""

from __future__ import annotations

from typing import ClassVar

import msgspec

from rushlight.analysis.detectors.frames import SeriesFrame
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.detectors.probes.health import DEAD, FLAT_START_MIN, SeriesHealth
from rushlight.analysis.detectors.stray_current import explains
from rushlight.analysis.estimators.units import DAY_MS, MINUTE_MS
from rushlight.analysis.findings import Finding
from rushlight.collector.intake.limits import LIMITS
from rushlight.collector.readings import HEATER_POWER, LIGHT, PH, QUANTITIES, ROOM_TEMPERATURE, TEMPERATURE

__all__ = ["ProbeDetector"]

DEAD_MIN = 20
ABSENT_MIN = 20
FLAT_FLOOR_MIN = {TEMPERATURE: 150.0, PH: 90.0, LIGHT: 60.0, ROOM_TEMPERATURE: 720.0}
EDGE = {PH: 0.7, TEMPERATURE: 1.5, ROOM_TEMPERATURE: 2.0}  # so near its range's end it may walk out of it
FULL_SCALE = 65535.0  # of a 16-bit light meter: all ones
OUT_OF_WATER_MIN = {TEMPERATURE: 100, PH: 45}  # colder water poured in is warmed again by then
FOLLOW_MIN = {TEMPERATURE: 15, PH: 2}  # soda poured in moves pH by 0.3 a minute; a probe lifted out leaps
HOME_MS = 6 * 60 * MINUTE_MS  # so long a level is kept to which a probe may be put back; no source
CALM_BLOCKS = 4  # two hours without, before a noisy probe is believed again


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
        out: list[Finding] = []
        for name, series in moment.frame.series.items():
            if name not in QUANTITIES:
                continue
            health = self.health.get(name)
            if health is None:
                health = self.health[name] = SeriesHealth()
            electrical = name == PH and explains(moment.current_before, health.jitter, moment.frame.start_ms)
            self._one(tank, moment, name, series, health, electrical)
            unsure = health.dead_frames > 2 or health.jump_ms >= 0
            jitters = not electrical and health.jitter.doubtful()
            if health.fault not in ("", "loose") or unsure or jitters:
                moment.probes.faulty.add(name)  # doubtful: not judged by, not yet alarmed about
            if health.fault:
                out.append(health.finding(name, series, moment.frame.start_ms))
            if health.fault in ("", "noisy") and not unsure and (jitters or health.fault):
                moment.probes.restless.add(name)
            if health.jump_ms >= 0 and health.dead_frames <= 2 and health.fault in ("", "out"):
                moment.probes.leapt[name] = health.jump_from
            if name == PH and health.fault in ("", "noisy") and not unsure:
                moment.probes.ph_jitter = health.jitter.level
        return out

    def recall(self, moment: Moment) -> None:
        """Nobody asks what it said before."""

    def beliefs(self, tank: Tank, moment: Moment) -> dict[str, float | None]:
        """1 for each probe that is doubted."""
        return {f"doubts_{name}": 1.0 for name in moment.probes.faulty}

    def _one(
        self,
        tank: Tank,
        moment: Moment,
        name: str,
        series: SeriesFrame,
        health: SeriesHealth,
        electrical: bool,
    ) -> None:
        now = moment.frame.start_ms
        seen = series.good + series.suspect + series.bad
        aside = seen > 0 and not series.good  # nothing but what quality has set aside
        edge = series.suspect > 0 and _near_edge(name, health.level)
        walked = aside and edge
        still = aside and series.last == (series.last_suspect if series.suspect else series.last_bad)
        full = name == LIGHT and bool(series.good) and series.last == FULL_SCALE
        # -- dead or impossible
        if still:
            self._flat(moment, name, series, health)
        elif full or series.bad > series.good + series.suspect or (aside and series.suspect and not walked):
            health.dead_frames += 1
            health.alive_frames = 0
        elif series.good:
            health.alive_frames += 1
            if health.alive_frames >= 5 or health.fault not in DEAD:
                health.dead_frames = 0
        if series.good and not full:
            health.last_good_ms = now
            health.level = series.total / series.good
        absent = (
            not seen
            and health.last_good_ms >= 0
            and now - health.last_good_ms > (3 if name == HEATER_POWER else 1) * ABSENT_MIN * MINUTE_MS
            and any(one.good for one in moment.frame.series.values())
        )
        if health.dead_frames >= DEAD_MIN or absent:
            if health.fault not in DEAD:
                health.since_ms = now
            told = series.suspect or (series.bad and series.last_bad is not None)
            health.fault = "full" if full else "impossible" if told else "dead"
            health.good_frames = 0
            return
        if health.fault in DEAD:
            health.good_frames += 1 if series.good and not full else 0
            if health.good_frames < 5:
                return
            health.fault = ""
            health.jump_ms = health.settled_ms = -1
            health.jitter.forget()
        # a plug without mains is no fault of its meter
        if seen and not walked and not still and name != HEATER_POWER:
            failed = full or series.bad > 0 or (series.suspect > 0 and not electrical and not edge)
            self._restless(name, series, health, now, failed, electrical)
        if not series.good:
            if walked and health.settled_ms >= 0:
                health.settled_ms = now  # where it walked to, it still is
            return
        self._flat(moment, name, series, health)
        self._jump(tank, moment, name, series, health)

    # -- stuck --------------------------------------------------------------------------------------

    def _flat(self, moment: Moment, name: str, series: SeriesFrame, health: SeriesHealth) -> None:
        if name not in FLAT_START_MIN or series.flat_since < 0:
            return
        minutes = (moment.frame.start_ms - series.flat_since) / MINUTE_MS
        if name == LIGHT and series.last < 150:
            minutes = 0.0  # dark is dark
        elif name == TEMPERATURE and abs(series.last) < 0.3:
            minutes = 0.0  # freezing water holds its temperature
        if moment.day != health.flat_day:
            if health.flat_day >= 0 and health.fault != "flat":
                health.longest_flat_min.append(health.flat_today)
                del health.longest_flat_min[:-7]
            health.flat_day, health.flat_today = moment.day, 0.0
        if minutes <= FLAT_FLOOR_MIN[name] and health.fault != "flat":  # below every limit
            if minutes > health.flat_today:
                health.flat_today = minutes
            return
        limit = FLAT_START_MIN[name]
        if len(health.longest_flat_min) >= 2:
            # this probe's own longest stillness, three times over
            longest = max(health.longest_flat_min)
            limit = min(max(FLAT_FLOOR_MIN[name], 3 * longest), max(2.5 * limit, 1.5 * longest))
        if minutes > limit:
            if health.fault != "flat":
                health.since_ms = moment.frame.start_ms
            health.fault = "flat"
        else:
            health.flat_today = max(health.flat_today, minutes)
            if health.fault == "flat" and minutes < 10:
                health.fault = ""

    # -- restless, or a loose contact ----------------------------------------------------------------

    def _restless(
        self,
        name: str,
        series: SeriesFrame,
        health: SeriesHealth,
        now: int,
        failed: bool,
        electrical: bool,
    ) -> None:
        jitter = health.jitter
        if not jitter.add(name, now, health.level if series.good else None, failed, not health.fault):
            return
        if not health.fault:
            # a probe that only jitters while a device is on waits for the device to switch back
            if jitter.restless >= 2 and not electrical:
                health.fault, health.since_ms = "noisy", now
            elif jitter.loose():
                health.fault, health.since_ms = "loose", now
        elif (health.fault == "noisy" and jitter.calm >= CALM_BLOCKS) or (
            health.fault == "loose" and len(jitter.gaps) == 3 and sum(jitter.gaps) <= 1
        ):
            health.fault = ""

    # -- out of the water ---------------------------------------------------------------------------

    def _jump(self, tank: Tank, moment: Moment, name: str, series: SeriesFrame, health: SeriesHealth) -> None:
        """A jump no water can make, to a level that no water change explains, that stays."""
        if name not in (TEMPERATURE, PH):
            return
        if health.fault in ("noisy", "loose"):
            health.jump_ms = health.settled_ms = -1  # it leaps about, and back when it is put right
            return
        now = moment.frame.start_ms
        value = series.total / series.good
        limit = 2.0 if name == TEMPERATURE else 0.9
        if health.jump_ms < 0:
            if health.settled_ms < 0:
                health.settled = health.swift = value
                health.settled_ms = now
            elif abs(value - health.swift) > limit and now - health.settled_ms < 20 * MINUTE_MS:
                health.jump_ms, health.jump_from = now, health.settled
            else:
                # one follows faster than water changes, slower than a probe lifted out; the other, more
                # slowly, keeps the water's level over a rinse in buffers
                elapsed = (now - health.settled_ms) / MINUTE_MS
                health.swift += min(1.0, elapsed / FOLLOW_MIN[name]) * (value - health.swift)
                health.settled += min(1.0, elapsed / 15) * (value - health.settled)
                health.settled_ms = now
            return
        waited = now - health.jump_ms
        back = abs(value - health.jump_from)
        if waited < 20 * MINUTE_MS:
            health.jump_to = value  # until here a probe in air takes on the air's temperature
        in_air = self._in_air(value, moment.frame.room, health) if name == TEMPERATURE else back > 0.8
        near = 0.8 if name == TEMPERATURE else 0.5
        home = health.home_ms >= 0 and now - health.home_ms < HOME_MS and abs(value - health.home) < near
        if not in_air and health.fault != "out" and waited > 10 * MINUTE_MS:
            health.home, health.home_ms = health.jump_from, now
            health.jump_ms = health.settled_ms = -1
        elif back < near or home:
            health.jump_ms = health.settled_ms = -1
            if health.fault == "out":
                health.fault = ""
        elif waited > self._patience_ms(name, value > health.jump_from) and not health.fault:
            health.fault, health.since_ms = "out", now
        elif waited > DAY_MS:
            health.jump_ms = health.settled_ms = -1  # this long at the new level: it is the new truth
            if health.fault == "out":
                health.fault = ""

    @staticmethod
    def _patience_ms(name: str, up: bool) -> int:
        # nobody pours in water that is warmer by degrees: up, there is no warming again to wait for
        return MINUTE_MS * (OUT_OF_WATER_MIN[PH] if up else OUT_OF_WATER_MIN[name])

    @staticmethod
    def _in_air(value: float, room: float | None, health: SeriesHealth) -> bool:
        """It took on the room's temperature and stays with it; cold water poured in is warmed again."""
        back = abs(value - health.jump_from)
        warmed = abs(health.jump_to - health.jump_from) - back > 1.0
        if room is None:
            return value < 5 or value > 40 or back > 6.0 or (back > 4.0 and not warmed)
        gap, off = abs(health.jump_from - room), abs(value - room)
        return gap > 2.0 and (off < 0.8 or (off < 0.35 * gap and not warmed))


def _near_edge(name: str, level: float) -> bool:
    """It was so near the end of the sensible range that it may have walked out of it, as water does."""
    limits, near = LIMITS[name], EDGE.get(name)
    return near is not None and (level > limits.suspect_high - near or level < limits.suspect_low + near)
