"""A cooler that doesn't cool, judged by what this tank's cooler used to do.

A cooler at work turns the rising water at one and the same temperature, within minutes; a day's own peak is
round. Those turning points, how sharply the curve bends there, and the warmest room in which they were seen,
are learnt: water that rises through them and doesn't bend, or stands above them in a room which the cooler
has coped with before, has lost its cooler. Until three turning points are known, only the set point and the
usual peaks can be gone by.
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.heat.balance import HeatNow
from rushlight.analysis.detectors.heat.urgency import time_to_reach, urgency
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.robust import median, spread
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.findings import Finding
from rushlight.collector.settings import CoolerSettings

__all__ = ["CoolerMemory"]

HALF_HOUR_STEPS = 6
HALF_HOUR = 30 * MINUTE_MS
DAY_MS = 1440 * MINUTE_MS
FALL_C = 0.07  # within half an hour; a daily wave of 1.5 °C falls by 0.013 °C in the half-hour after its peak
ENOUGH = 3
WET_BULB_GAP_C = 5.0  # air of 25 °C and 50 % humidity has a wet bulb some 7 °C lower; a fan never gets there
NEAR_C = 0.12  # slow water is turned a little lower than fast water, which overshoots
COLD_ROOM_K = 4.0  # lamp and pump lift an uncooled tank less than that; common practice, no source
NO_BEND = 0.4  # of the usual one
SURE_MS, LONG_MS = 180 * MINUTE_MS, 240 * MINUTE_MS


class CoolerMemory(msgspec.Struct):
    """Where the cooler used to turn the water round, and in how warm a room; `since` is the first of them.

    `bends` are how much the slope changed there (°C/h, falling is positive). `rise` is the slope with which
    the water came to the turning point at `passed_ms`, `bent` what it did then: 1 bent, -1 didn't, 0 not
    judged, 2 couldn't. `troughs` are the lowest water between two turns, `lowest` that since the last turn,
    `armed_by` that since it was last seen on: what hasn't switched off yet won't come on again.
    `refuted_c` is the warmest water that was taken for a cooler's fault and was none.
    """

    turns: list[float] = msgspec.field(default_factory=list)
    rooms: list[float] = msgspec.field(default_factory=list)
    bends: list[float] = msgspec.field(default_factory=list)
    since: int = -1
    last_turn_ms: int = -1
    over_since: int = -1
    hot_since: int = -1
    rise: float | None = None
    passed_ms: int = -1
    bent: int = 0
    bend: float = 0.0
    lowest: float = 99.0
    armed_by: float = 99.0
    troughs: list[float] = msgspec.field(default_factory=list)
    told_ms: int = -1
    below_since: int = -1
    peak: float = 0.0
    refuted_c: float = 0.0
    refuted_ms: int = -1

    @property
    def learnt(self) -> dict[str, float] | None:
        """`turns_at_c`, `spread_c`, `since_ms`, with a room probe `copes_with_room_c`; None if too few."""
        together = _together(self.turns)
        if len(together) < ENOUGH:
            return None
        out = {"turns_at_c": median(together), "spread_c": spread(together), "since_ms": float(self.since)}
        if self.bends:
            out["bends_by_c_per_h"] = median(self.bends)
        if len(self.rooms) >= ENOUGH:
            out["copes_with_room_c"] = sorted(self.rooms)[-2]  # the warmest but one: once may be chance
        return out

    def learn(self, cooler: CoolerSettings, window: Window, room: float | None) -> None:
        """A five-minute value was added to `window` (no disturbance, no lamp edge near)."""
        values = window.values
        if len(values) < 3 * HALF_HOUR_STEPS or window.times[-1] - self.last_turn_ms < 30 * MINUTE_MS:
            return
        at = len(values) - 1 - HALF_HOUR_STEPS
        peak = values[at]
        before = values[at - 2 * HALF_HOUR_STEPS + 1 : at]
        after = values[at + 1 :]
        if peak < max(before) or peak < max(after) or peak - values[-1] < FALL_C or peak - before[0] < 0.03:
            return
        if cooler.setpoint_c is not None and not -0.8 < peak - cooler.setpoint_c < 1.2:
            return
        if self.since < 0:
            self.since = window.times[at]
        self.last_turn_ms = window.times[-1]
        if self.turns:
            self.troughs.append(self.lowest)
            del self.troughs[:-12]
        self.lowest = self.armed_by = values[-1]
        self.turns.append(peak)
        del self.turns[:-12]
        self.bends.append((peak - values[-1]) * 2 + (peak - values[at - HALF_HOUR_STEPS]) * 2)
        del self.bends[:-12]
        if room is not None:
            self.rooms.append(room)
            del self.rooms[:-12]

    def overdue(
        self, now_ms: int, temperature: float, slope: float | None, room: float | None, fan: bool = True
    ) -> bool:
        """Whether the water has stood above the turning point for too long: an hour.

        Two hours for a fan where the room isn't measured: it may be at work and not enough.
        """
        known = self.learnt
        if known is None:
            return False
        above = temperature - known["turns_at_c"] - max(0.12, 3 * known["spread_c"])
        if above < 0 or not self._fair(known, room) or (slope is not None and slope < -0.1):
            self.over_since = -1
            return False
        if self.over_since < 0:
            self.over_since = now_ms
        return now_ms - self.over_since >= (120 if fan and room is None else 60) * MINUTE_MS

    @staticmethod
    def _fair(known: dict[str, float], room: float | None) -> bool:
        """Whether it has coped with such a room before; true where the room isn't measured."""
        copes = known.get("copes_with_room_c")
        return room is None or copes is None or room < copes + 0.2

    def _follow(
        self, heat: HeatNow, fan: bool, known: dict[str, float], window: Window, edge_ms: int
    ) -> None:
        """Watch the water come to the turning point and pass it, and whether its curve bends there."""
        above = heat.temperature - known["turns_at_c"]
        if above < -0.15:
            self.passed_ms, self.bent, self.rise = -1, 0, None
            return
        if self.rise is None and above >= -NEAR_C:
            self.rise, self.passed_ms = window.slope_per_hour(HALF_HOUR), -1
            if self.troughs and self.armed_by > median(self.troughs):
                self.bent = 2  # it has turned the water and not switched off since, so it won't come on now
        if self.bent or self.rise is None or heat.slope is None:
            return
        if edge_ms > (self.passed_ms if self.passed_ms >= 0 else heat.now) - 40 * MINUTE_MS:
            return
        usual = known.get("bends_by_c_per_h", 0.0)
        if fan and heat.room is not None and self.rooms:
            # the warmer the air against the water, the less evaporation takes
            gap = WET_BULB_GAP_C - (heat.room - heat.temperature)
            usual *= max(0.2, min(1.0, gap / (WET_BULB_GAP_C - (median(self.rooms) - known["turns_at_c"]))))
        self.bend = self.rise - heat.slope
        if self.passed_ms < 0 and above > -0.03:
            self.passed_ms = heat.now
        passed = self.passed_ms >= 0 and heat.now - self.passed_ms >= 45 * MINUTE_MS
        if self.bend > NO_BEND * usual:
            self.bent = 1
        elif passed and above > max(0.06, 2.5 * known["spread_c"]):
            self.bent = -1
        if self.bent:
            self.armed_by = heat.temperature

    def finding(
        self, tank: Tank, moment: Moment, heat: HeatNow, highs: list[float], window: Window, edge_ms: int
    ) -> Finding | None:
        """The finding that stands, if one does; `edge_ms` is when the lamp last switched."""
        cooler = tank.settings.cooler
        raised = "cooling-not-cooling" in moment.active
        if cooler is None or (moment.heat.disturbed and not raised):
            self.hot_since = self.over_since = self.passed_ms = -1
            return None
        if moment.fifth:
            self.lowest, self.armed_by = (
                min(self.lowest, heat.temperature),
                min(self.armed_by, heat.temperature),
            )
        setpoint = cooler.setpoint_c
        if setpoint is None:
            if len(highs) < 2:
                return None
            setpoint = median(highs)
        if not raised and heat.room is not None and heat.room < heat.temperature - COLD_ROOM_K:
            self.hot_since = self.over_since = -1
            return None  # what heats this water is no missing cooler
        fan = cooler.kind == "fan"
        known = self.learnt
        if known is None:
            stopped, over = self._untaught(heat, fan, setpoint, highs, raised)
        else:
            over = heat.temperature - known["turns_at_c"] - max(0.06, 2.5 * known["spread_c"])
            if moment.fifth and not moment.heat.disturbed:
                self._follow(heat, fan, known, window, edge_ms)
            overdue = self.overdue(heat.now, heat.temperature, heat.slope, heat.room, fan)
            # a fan may be at work and the room too hot for it: where the room isn't measured, both signs
            sure = not fan or heat.room is not None
            if overdue and (self.bent == 1 or (self.bent == 2 and not sure)):
                # it was at work when the water came here: weak or stopped since, or only a hot afternoon
                overdue = heat.now - self.over_since > (SURE_MS if sure else LONG_MS)
            stopped = over > 0 and (overdue or (sure and self.bent < 0))
        if raised:
            self.peak = max(self.peak, heat.temperature)
            if self._contrary(heat, over, known is not None):
                return None
        else:
            self.told_ms, self.peak, self.below_since = heat.now, heat.temperature, -1
            if heat.now - self.refuted_ms < 3 * DAY_MS and heat.temperature < self.refuted_c + 0.15:
                return None
            if not stopped:
                return None
        return self._told(tank, heat, cooler.kind, setpoint, known, raised and (over < 0 or not stopped))

    def _untaught(
        self, heat: HeatNow, fan: bool, setpoint: float, highs: list[float], raised: bool
    ) -> tuple[bool, float]:
        """Whether the water is hot by the set point and the usual peaks, and by how much."""
        ceiling = setpoint + (2.0 if fan else 1.2)
        if len(highs) >= 2:
            ceiling = max(setpoint + 0.3, min(max(highs[-3:]) + 0.2, setpoint + 2.5))
        if fan and heat.room is not None:
            ceiling = max(ceiling, heat.room - 1.5)  # evaporation takes a few degrees, no more
        over = heat.temperature - ceiling
        rising = heat.slope is not None and heat.slope > 0.03 and (heat.hour is None or heat.hour > 0.03)
        if over > 0.2 and (rising or over > 0.8):
            if self.hot_since < 0:
                self.hot_since = heat.now
        elif over < 0 and not raised:
            self.hot_since = -1
        return self.hot_since >= 0 and heat.now - self.hot_since >= 20 * MINUTE_MS, over

    def _contrary(self, heat: HeatNow, over: float, known: bool) -> bool:
        """The cooler has been seen to turn the water, or the water has stayed cool for a whole day."""
        if over > -0.06:
            self.below_since = -1
        elif self.below_since < 0:
            self.below_since = heat.now
        turned = self.last_turn_ms > self.told_ms
        if turned:
            self.refuted_c, self.refuted_ms = self.peak, heat.now
        return (
            turned
            or (not known and over < -0.3)
            or (self.below_since >= 0 and heat.now - self.below_since >= DAY_MS)
        )

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
                bend = f"; it slowed by {self.bend:.2f} when it passed that, {usual:.2f} is usual"
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


def _together(turns: list[float]) -> list[float]:
    """The turns that lie together: a cooler turns the water at one place, a bump in the curve anywhere."""
    if not turns:
        return []
    _, centre = max((sum(abs(turn - other) < 0.15 for other in turns), turn) for turn in turns)
    return [turn for turn in turns if abs(turn - centre) < 0.15]
