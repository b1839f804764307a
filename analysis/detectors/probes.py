"""Probes and the device: disconnected, impossible, stuck, noisy, out of the water, silent; stray current."""

from __future__ import annotations

import itertools

import msgspec

from analysis.detectors.base import MINUTE_MS, Moment, Tank, minutes_text
from analysis.frames import SeriesFrame
from analysis.trend import DAY_MS, median
from analysis.types import Finding
from collector.readings import HEATER_POWER, LIGHT, PH, QUANTITIES, ROOM_TEMPERATURE, TEMPERATURE

__all__ = ["ProbeDetector", "StrayCurrentDetector"]

DEAD_MIN = 20
ABSENT_MIN = 20
FLAT_START_MIN = {TEMPERATURE: 360.0, PH: 240.0, LIGHT: 180.0, ROOM_TEMPERATURE: 1440.0}
FLAT_FLOOR_MIN = {TEMPERATURE: 150.0, PH: 90.0, LIGHT: 60.0, ROOM_TEMPERATURE: 720.0}
ROUGH_FLOOR = {PH: 0.012, TEMPERATURE: 0.03}
OUT_OF_WATER_MIN = {TEMPERATURE: 100, PH: 45}  # colder water poured in is warmed again by then
CAUSES = {
    "dead": "its cable is cut or unplugged, a contact is wet, or the probe is broken",
    "impossible": "the probe or its cable is damaged: such a value can't be in a tank",
    "flat": "the probe or its converter has frozen: real water is never that still",
    "noisy": "a loose contact, a wet connector, or an electrode that is worn or dry",
    "out": "the probe hangs in air: the water level has fallen or it was not put back",
}


class SeriesHealth(msgspec.Struct):
    """What is known of one probe."""

    last_good_ms: int = -1
    dead_frames: int = 0
    alive_frames: int = 0
    longest_flat_min: list[float] = msgspec.field(default_factory=list)
    flat_day: int = -1
    flat_today: float = 0.0
    roughness: float = -1.0
    rough_frames: int = 0
    recent: list[float] = msgspec.field(default_factory=list)
    jump_ms: int = -1
    jump_from: float = 0.0
    settled: float = 0.0
    settled_ms: int = -1
    fault: str = ""
    since_ms: int = -1
    good_frames: int = 0


class ProbeDetector(msgspec.Struct):
    """State of the probe family of one tank."""

    health: dict[str, SeriesHealth] = msgspec.field(default_factory=dict)

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; sets `moment.faulty` before the other families look. O(number of probes)."""
        out: list[Finding] = []
        for name, series in moment.frame.series.items():
            if name not in QUANTITIES:
                continue
            health = self.health.get(name)
            if health is None:
                health = self.health[name] = SeriesHealth()
            self._one(tank, moment, name, series, health)
            if health.fault:
                moment.faulty.add(name)
                out.append(self._finding(name, series, health, moment))
            elif health.dead_frames > 2 or health.jump_ms >= 0:
                moment.faulty.add(name)  # doubtful: not judged by, not yet alarmed about
        return out

    def _one(self, tank: Tank, moment: Moment, name: str, series: SeriesFrame, health: SeriesHealth) -> None:
        now = moment.frame.start_ms
        seen = series.good + series.suspect + series.bad
        # -- dead or impossible
        if series.bad > series.good + series.suspect:
            health.dead_frames += 1
            health.alive_frames = 0
        elif series.good:
            health.alive_frames += 1
            if health.alive_frames >= 5 or health.fault not in ("dead", "impossible"):
                health.dead_frames = 0
        if series.good:
            if health.last_good_ms >= 0 and now - health.last_good_ms > 30 * MINUTE_MS:
                health.recent.clear()
            health.last_good_ms = now
        absent = (
            not seen
            and health.last_good_ms >= 0
            and now - health.last_good_ms > (3 if name == HEATER_POWER else 1) * ABSENT_MIN * MINUTE_MS
            and any(one.good for one in moment.frame.series.values())
        )
        if health.dead_frames >= DEAD_MIN or absent:
            if health.fault not in ("dead", "impossible"):
                health.since_ms = now
            health.fault = "impossible" if series.bad and series.last_bad is not None else "dead"
            health.good_frames = 0
            return
        if health.fault in ("dead", "impossible"):
            health.good_frames += 1 if series.good else 0
            if health.good_frames < 5:
                return
            health.fault = ""
            health.jump_ms = health.settled_ms = -1
            health.recent.clear()
        if not series.good:
            # only suspect values, or none: noise that never calms down
            if series.suspect:
                self._noise(health, True)
            return
        self._flat(moment, name, series, health)
        self._rough(name, series, health)
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

    # -- noisy --------------------------------------------------------------------------------------

    def _rough(self, name: str, series: SeriesFrame, health: SeriesHealth) -> None:
        if name in (LIGHT, HEATER_POWER):
            return
        recent = health.recent
        recent.append(series.total / series.good)
        if len(recent) < 4:
            return
        if len(recent) > 6:
            del recent[0]
        # second difference: blind to level and slope, sees only what can't be water
        rough = abs(recent[-1] - 2 * recent[-2] + recent[-3])
        usual = health.roughness
        floor = ROUGH_FLOOR.get(name, 0.05)
        wild = usual >= 0 and rough > max(7 * usual, 4 * floor)
        self._noise(health, wild)
        if not wild and not health.fault:
            weight = 0.02 if usual > floor else 0.1
            health.roughness = rough if usual < 0 else usual + weight * (rough - usual)

    def _noise(self, health: SeriesHealth, wild: bool) -> None:
        # leaky count: half of the minutes wild for a quarter of an hour
        health.rough_frames = min(30, health.rough_frames + 2) if wild else max(0, health.rough_frames - 1)
        if health.rough_frames >= 18 and not health.fault:
            health.fault = "noisy"
        elif health.fault == "noisy" and health.rough_frames == 0:
            health.fault = ""

    # -- out of the water ---------------------------------------------------------------------------

    def _jump(self, tank: Tank, moment: Moment, name: str, series: SeriesFrame, health: SeriesHealth) -> None:
        """A jump no water can make, to a level that no water change explains, that stays."""
        if name not in (TEMPERATURE, PH):
            return
        now = moment.frame.start_ms
        value = series.total / series.good
        limit = 2.0 if name == TEMPERATURE else 0.9
        if health.jump_ms < 0:
            if health.settled_ms < 0:
                health.settled, health.settled_ms = value, now
            elif abs(value - health.settled) > limit and now - health.settled_ms < 20 * MINUTE_MS:
                health.jump_ms, health.jump_from = now, health.settled
            else:
                # follows within a quarter-hour: faster than water, slower than a probe lifted out
                share = min(1.0, (now - health.settled_ms) / (15 * MINUTE_MS))
                health.settled += share * (value - health.settled)
                health.settled_ms = now
            return
        waited = now - health.jump_ms
        back = abs(value - health.jump_from)
        if name == TEMPERATURE:
            room = moment.frame.room
            in_air = (
                (abs(value - room) < 0.8 and abs(health.jump_from - room) > 2.0)
                if room is not None
                else (value < 5 or value > 40 or back > 6.0)
            )
        else:
            in_air = back > 0.8
        if not in_air and health.fault != "out" and waited > 10 * MINUTE_MS:
            health.jump_ms = health.settled_ms = -1
        elif back < (0.8 if name == TEMPERATURE else 0.5):
            health.jump_ms = health.settled_ms = -1
            if health.fault == "out":
                health.fault = ""
        elif waited > OUT_OF_WATER_MIN[name] * MINUTE_MS and not health.fault:
            health.fault, health.since_ms = "out", now
        elif waited > (5 if health.fault == "out" else 1) * DAY_MS:
            health.jump_ms = health.settled_ms = -1  # this long at the new level: it is the new truth
            if health.fault == "out":
                health.fault = ""

    def _finding(self, name: str, series: SeriesFrame, health: SeriesHealth, moment: Moment) -> Finding:
        info = QUANTITIES[name]
        shown = ""
        if series.good:
            shown = (
                f"{info.title} {series.total / series.good:.{info.decimals}f} {info.printed_unit}".rstrip()
            )
        elif series.last_bad is not None:
            shown = f"the probe gives {series.last_bad:g} {info.printed_unit}".rstrip()
        else:
            shown = f"no {info.title} from the probe"
        if health.fault == "flat":
            span = (moment.frame.start_ms - series.flat_since) / 1000
            shown += f", unchanged for {minutes_text(span)}"
        return Finding(
            alarm="probe-fault",
            quantity=name,
            priority="high" if name in (TEMPERATURE, PH) and health.fault != "noisy" else "medium",
            cause=CAUSES[health.fault],
            observations=[shown, _seen(name, health, moment.frame.start_ms)],
        )


def _seen(name: str, health: SeriesHealth, now_ms: int) -> str:
    """The figures behind a fault, beside the value itself."""
    if health.fault in ("dead", "impossible"):
        if health.last_good_ms < 0:
            return f"no good value for {health.dead_frames} min"
        return f"last good value {minutes_text((now_ms - health.last_good_ms) / 1000)} ago"
    if health.fault == "flat":
        days = health.longest_flat_min
        if days and max(days) > 0:
            return f"on the days before it stood still for {minutes_text(max(days) * 60)} at most"
        return f"real water stirs within {minutes_text(FLAT_START_MIN[name] * 60)}"
    if health.fault == "noisy":
        swings = [abs(a - 2 * b + c) for a, b, c in zip(*(health.recent[i:] for i in range(3)), strict=False)]
        unit = QUANTITIES[name].printed_unit
        return (
            f"it jumps by up to {max(swings, default=0.0):.2f} {unit}".rstrip()
            + f" within minutes, usual is {max(health.roughness, 0.0):.2f}"
        )
    away = minutes_text((now_ms - health.jump_ms) / 1000)
    return f"it leapt from {health.jump_from:.2f} and has stayed away for {away}"


class StrayCurrentDetector(msgspec.Struct):
    """pH steps that come and go with a mains device: leakage into the water, or a shared earth.

    Chemistry can't step, so up and down steps of one size within minutes of a switching are electrical.
    """

    last: list[float] = msgspec.field(default_factory=list)
    last_ms: list[int] = msgspec.field(default_factory=list)
    step_ms: list[int] = msgspec.field(default_factory=list)
    step_size: list[float] = msgspec.field(default_factory=list)
    switch_ms: list[int] = msgspec.field(default_factory=list)
    switch_sign: list[int] = msgspec.field(default_factory=list)
    lamp_ms: list[int] = msgspec.field(default_factory=list)
    lamp_sign: list[int] = msgspec.field(default_factory=list)
    heater_on: bool = False
    noise: float = 0.01
    standing: str = ""
    until_ms: int = -1

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; the findings that stand after it."""
        frame = moment.frame
        now = frame.start_ms
        if frame.heater is not None:
            on = frame.heater > 3.0
            if on != self.heater_on:
                self.heater_on = on
                self._keep(self.switch_ms, self.switch_sign, now, 1 if on else -1)
        if moment.lamp_edge:
            self._keep(self.lamp_ms, self.lamp_sign, moment.lamp_edge_ms, moment.lamp_edge)
        if frame.ph is not None and "ph" not in moment.faulty:
            count = len(self.step_ms)
            self._steps(now, frame.ph)
            moment.ph_step_seen = len(self.step_ms) > count
        if moment.fifth:
            self._judge(now)
        if self.step_ms:
            # fades out over a day, so that a step whose counterpart was missed does not stay for ever
            moment.ph_stepped = sum(
                size * min(1.0, max(0.0, 1.5 - (now - t) / DAY_MS))
                for t, size in zip(self.step_ms, self.step_size, strict=True)
            )
        if not self.standing:
            return []
        sizes = [abs(s) for s in self.step_size[-6:]] or [0.0]
        device = {"heater": "the heater", "lamp": "the lamp"}.get(self.standing, "a mains device")
        return [
            Finding(
                alarm="stray-current-suspected",
                priority="critical",
                value=round(median(sizes), 2),
                unit="pH",
                time_left_s=0.0,
                cause=f"mains leaks into the water from {device}: a cracked heater glass, a wet fitting, a "
                "damaged cable; it is a danger to whoever reaches into the tank",
                observations=[
                    f"{len(self.step_size)} pH steps of about {median(sizes):.2f} in the last hours, up and "
                    "down, each within a minute",
                    f"they come and go with {device}",
                ],
            )
        ]

    @staticmethod
    def _keep(times: list[int], values: list[int], time_ms: int, value: int) -> None:
        times.append(time_ms)
        values.append(value)
        del times[:-16]
        del values[:-16]

    def _steps(self, now: int, ph: float) -> None:
        last, last_ms = self.last, self.last_ms
        last.append(ph)
        last_ms.append(now)
        if len(last) < 6:
            return
        if len(last) > 6:
            del last[0]
            del last_ms[0]
        if last_ms[-1] - last_ms[0] > 12 * MINUTE_MS:
            return
        # level of the two newest minutes against the two before the middle pair
        before = (last[0] + last[1]) / 2
        after = (last[4] + last[5]) / 2
        size = after - before
        within = max(abs(last[0] - last[1]), abs(last[4] - last[5]))
        if abs(size) < 0.05:
            self.noise += 0.02 * (min(within, 0.05) - self.noise)
        if abs(size) < max(0.05, 5 * self.noise) or within > 0.3 * abs(size):
            return
        # a gas surge is steep too, but it goes on; a step is over within two frames
        sudden = max(abs(last[index + 2] - last[index]) for index in range(4))
        if sudden < 0.8 * abs(size):
            return
        if self.step_ms and now - self.step_ms[-1] < 9 * MINUTE_MS and size * self.step_size[-1] > 0:
            if abs(size) > abs(self.step_size[-1]):
                self.step_size[-1] = size
            return
        self.step_ms.append(now - 3 * MINUTE_MS)
        self.step_size.append(size)
        while self.step_ms and (len(self.step_ms) > 40 or now - self.step_ms[0] > 36 * 60 * MINUTE_MS):
            del self.step_ms[0]
            del self.step_size[0]

    def _judge(self, now: int) -> None:
        self.standing = self._cause(now)

    def _cause(self, now: int) -> str:
        times, sizes = self.step_ms, self.step_size
        if len(times) < 2:
            return ""
        # steps that follow the heater's metered switching
        recent = [
            i
            for i, t in enumerate(self.switch_ms)
            if now - t < 12 * 60 * MINUTE_MS and now - t > 6 * MINUTE_MS
        ]
        if len(recent) >= 3 and self._follows(self.switch_ms, self.switch_sign, recent) >= 3:
            return "heater"
        lamp = [
            i for i, t in enumerate(self.lamp_ms) if now - t < 30 * 60 * MINUTE_MS and now - t > 6 * MINUTE_MS
        ]
        if len(lamp) >= 2 and self._follows(self.lamp_ms, self.lamp_sign, lamp[-4:]) >= 2:
            return "lamp"
        # nothing metered: a telegraph of alternating steps of one size is electrical all the same
        window = [s for t, s in zip(times, sizes, strict=True) if now - t < 12 * 60 * MINUTE_MS]
        if len(window) < 4:
            return ""
        size = median([abs(s) for s in window])
        if len(window) < 5 and size < 0.12:
            return ""
        alike = [s for s in window if 0.6 * size < abs(s) < 1.5 * size]
        turns = sum(1 for a, b in itertools.pairwise(alike) if a * b < 0)
        if len(alike) >= max(4, 0.7 * len(window)) and turns >= 0.75 * (len(alike) - 1):
            return "device"
        return ""

    def _follows(self, switches: list[int], signs: list[int], recent: list[int]) -> int:
        """How many of the switchings have a pH step beside them, all of one size and sense (0: too few)."""
        found: list[float] = []
        for index in recent:
            near = [
                size * signs[index]
                for t, size in zip(self.step_ms, self.step_size, strict=True)
                if abs(t - switches[index]) <= 6 * MINUTE_MS
            ]
            if near:
                found.append(max(near, key=abs))
        if len(found) < 2 or len(found) < 0.7 * len(recent):
            return 0
        size = median(found)
        alike = [f for f in found if 0.5 < f / size < 2.0]
        return len(alike) if len(alike) >= 0.8 * len(found) else 0
