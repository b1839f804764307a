"""A cooler that doesn't cool, judged by what this tank's cooler used to do.

A cooler at work turns the rising water at one and the same temperature, within minutes; a day's own peak is
round. Those turning points, and the warmest room in which they were seen, are learnt: water that stands above
them in a room which the cooler has coped with before has lost its cooler. Until three turning points are
known, or in a room that is warmer than any of theirs, only the set point and the usual peaks can be gone by.
"""

from __future__ import annotations

import msgspec

from analysis.detectors.base import MINUTE_MS, Moment, Tank
from analysis.heat import time_to_reach, urgency
from analysis.trend import DailyExtremes, Window, median, spread
from analysis.types import Finding
from collector.settings import CoolerSettings

__all__ = ["CoolerMemory"]

HALF_HOUR_STEPS = 6
FALL_C = 0.07  # within half an hour; a daily wave of 1.5 °C falls by 0.013 °C in the half-hour after its peak
ENOUGH = 3


class CoolerMemory(msgspec.Struct):
    """Where the cooler used to turn the water round, and in how warm a room; `since` is the first of them."""

    turns: list[float] = msgspec.field(default_factory=list)
    rooms: list[float] = msgspec.field(default_factory=list)
    since: int = -1
    last_turn_ms: int = -1
    over_since: int = -1
    hot_since: int = -1

    @property
    def learnt(self) -> dict[str, float] | None:
        """`turns_at_c`, `spread_c`, `since_ms`, with a room probe `copes_with_room_c`; None if too few."""
        if len(self.turns) < ENOUGH:
            return None
        out = {
            "turns_at_c": median(self.turns),
            "spread_c": spread(self.turns),
            "since_ms": float(self.since),
        }
        if len(self.rooms) >= ENOUGH:
            out["copes_with_room_c"] = sorted(self.rooms)[-2]  # the warmest but one: once may be chance
        return out

    def learn(self, cooler: CoolerSettings, window: Window, room: float | None) -> None:
        """A five-minute value was added to `window` (no disturbance, no alarm of heat, no lamp edge)."""
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
        self.turns.append(peak)
        del self.turns[:-12]
        if room is not None:
            self.rooms.append(room)
            del self.rooms[:-12]

    def overdue(self, now_ms: int, temperature: float, slope: float | None, room: float | None) -> bool:
        """Whether the water has stood above the turning point for too long: an hour, two without a room."""
        known = self.learnt
        if known is None:
            return False
        above = temperature - known["turns_at_c"] - max(0.2, 3 * known["spread_c"])
        copes = known.get("copes_with_room_c")
        fair = room is None or copes is None or room < copes + 0.2
        if above < 0 or not fair or (slope is not None and slope < -0.1):
            self.over_since = -1
            return False
        if self.over_since < 0:
            self.over_since = now_ms
        return now_ms - self.over_since >= (60 if room is not None else 120) * MINUTE_MS

    def finding(
        self,
        tank: Tank,
        moment: Moment,
        extremes: DailyExtremes,
        temperature: float,
        slope: float | None,
        hour_slope: float | None,
        room: float | None,
    ) -> Finding | None:
        """The finding that stands, if one does; slopes in °C/h."""
        cooler = tank.settings.cooler
        if cooler is None or moment.disturbed:
            self.hot_since = self.over_since = -1
            return None
        now = moment.frame.start_ms
        highs = extremes.highs
        setpoint = cooler.setpoint_c
        if setpoint is None:
            if len(highs) < 2:
                return None
            setpoint = median(highs)
        ceiling = setpoint + (1.2 if cooler.kind == "fan" else 0.8)
        if len(highs) >= 2:
            ceiling = max(setpoint + 0.3, min(max(highs[-3:]) + 0.2, setpoint + 2.5))
        if cooler.kind == "fan" and room is not None:
            ceiling = max(ceiling, room - 1.5)  # evaporation takes a few degrees, no more
        raised = "cooling-not-cooling" in moment.active
        over = temperature - ceiling
        known = self.learnt
        overdue = self.overdue(now, temperature, slope, room)
        if raised and known is not None and not overdue and temperature < known["turns_at_c"]:
            return None
        if raised and known is None and over < -0.3:
            return None
        rising = slope is not None and slope > 0.03 and (hour_slope is None or hour_slope > 0.03)
        if over > 0.2 and (rising or over > 0.8):
            if self.hot_since < 0:
                self.hot_since = now
        elif over < 0 and not raised:
            self.hot_since = -1
        hot = self.hot_since >= 0 and now - self.hot_since >= 20 * MINUTE_MS
        if not (raised or hot or overdue):
            return None
        limit = tank.settings.livestock.temperature_high_c
        left = 0.0 if temperature >= limit else None
        if left is None and slope is not None and slope > 0:
            left = time_to_reach(temperature, slope, limit)
        turned = "" if known is None else f"; it used to turn the water round at {known['turns_at_c']:.1f} °C"
        observations = [f"water {temperature:.1f} °C, the {cooler.kind} is set to {setpoint:.1f} °C{turned}"]
        if slope is not None:
            observations.append(f"changing {slope:+.2f} °C an hour")
        if room is not None:
            copes = known.get("copes_with_room_c") if known else None
            fair = f"; the {cooler.kind} has coped with {copes:.1f} °C" if copes is not None else ""
            observations.append(f"room {room:.1f} °C{fair}")
        return Finding(
            alarm="cooling-not-cooling",
            holding=raised and over < 0.2 and not overdue,
            priority=urgency(left),
            value=round(temperature, 2),
            unit="Cel",
            time_left_s=left,
            cause=f"the {cooler.kind} has stopped, is unplugged or blocked, or the room is hotter than it "
            "can make up for",
            observations=observations,
        )
