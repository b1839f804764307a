"""What a tank's cooler used to do: where it turned the water, how sharply, and in how warm a room.

A cooler at work turns the rising water at one and the same temperature, within minutes; a day's own peak is
round.
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.heat.cooler_numbers import COOLER_TURNS
from rushlight.analysis.estimators.robust import median, spread
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.estimators.window import Window
from rushlight.collector.settings import CoolerSettings

__all__ = ["CoolerMemory"]


class CoolerMemory(msgspec.Struct):
    """Where the cooler used to turn the water round, and in how warm a room; `since` is the first of them.

    `bends` are how much the slope changed there (°C/h, falling is positive). `troughs` are the lowest water
    between two turns, `lowest` that since the last turn, `armed_by` that since it was last seen on: what
    hasn't switched off yet won't come on again. Both are None before the first turn.
    """

    turns: list[float] = msgspec.field(default_factory=list)
    rooms: list[float] = msgspec.field(default_factory=list)
    bends: list[float] = msgspec.field(default_factory=list)
    since: int = -1
    last_turn_ms: int = -1
    lowest: float | None = None
    armed_by: float | None = None
    troughs: list[float] = msgspec.field(default_factory=list)

    @property
    def learnt(self) -> dict[str, float] | None:
        """`turns_at_c`, `spread_c`, `since_ms`, with a room probe `copes_with_room_c`; None if too few."""
        together = _together(self.turns)
        if len(together) < COOLER_TURNS.turns:
            return None
        out = {"turns_at_c": median(together), "spread_c": spread(together), "since_ms": float(self.since)}
        if self.bends:
            out["bends_by_c_per_h"] = median(self.bends)
        if len(self.rooms) >= COOLER_TURNS.turns:
            out["copes_with_room_c"] = sorted(self.rooms)[-2]  # the warmest but one: once may be chance
        return out

    def learn(
        self, cooler: CoolerSettings, window: Window, room: float | None, heated_from: float | None = None
    ) -> None:
        """A five-minute value was added to `window` (no disturbance, no lamp edge near).

        `heated_from`: where the heater came on (°C) in the rise to this turn; then it may be its own.
        """
        values = window.values
        arm = max(2, window.values_in(COOLER_TURNS.arm_min * MINUTE_MS))
        if len(values) < 2 * arm + arm:
            return
        if window.times[-1] - self.last_turn_ms < COOLER_TURNS.apart_min * MINUTE_MS:
            return
        at = len(values) - 1 - arm
        peak = values[at]
        before = values[at - 2 * arm + 1 : at]
        if peak < max(before) or peak < max(values[at + 1 :]):
            return
        if peak - values[-1] < COOLER_TURNS.fall_c or peak - before[0] < COOLER_TURNS.rise_c:
            return
        if heated_from is not None and peak < heated_from + COOLER_TURNS.heated_c:
            return
        if cooler.setpoint_c is not None:
            over = peak - cooler.setpoint_c
            if not -COOLER_TURNS.below_c < over < COOLER_TURNS.above_c:
                return
        if self.since < 0:
            self.since = window.times[at]
        self.last_turn_ms = window.times[-1]
        if self.turns and self.lowest is not None:
            _keep(self.troughs, self.lowest)
        self.lowest = self.armed_by = values[-1]
        _keep(self.turns, peak)
        _keep(self.bends, (peak - values[-1]) * 2 + (peak - values[at - arm]) * 2)
        if room is not None:
            _keep(self.rooms, room)

    def follow(self, celsius: float) -> None:
        """The water of a five-minute block, for the lowest since the last turn."""
        if self.lowest is not None and self.armed_by is not None:
            self.lowest, self.armed_by = min(self.lowest, celsius), min(self.armed_by, celsius)

    def bend(self, cooler: CoolerSettings | None, celsius: float) -> float | None:
        """By how much (°C/h) it slows the water where it may be at work; None where it can't be."""
        if cooler is None or (
            cooler.setpoint_c is not None and celsius < cooler.setpoint_c - COOLER_TURNS.below_c
        ):
            return None
        return median(self.bends) if self.bends else COOLER_TURNS.guess_c_per_h

    def made_corner(self, now_ms: int) -> bool:
        """Whether the lowest water since its last turn is where it switched off, no heater's doing.

        A cooler at work makes the water fall by what it takes, less what room and lamp give. Without it water
        falls to where a heater comes on over a night, so much slower.
        """
        if self.lowest is None or not self.bends:
            return False
        hours = (now_ms - self.last_turn_ms) / HOUR_MS + COOLER_TURNS.arm_min / 60
        return (self.turns[-1] - self.lowest) / hours > COOLER_TURNS.fall_share * median(self.bends)

    @property
    def still_on(self) -> bool:
        """It has turned the water and not switched off since, so it won't come on now."""
        return bool(self.troughs) and self.armed_by is not None and self.armed_by > median(self.troughs)


def _keep(values: list[float], value: float) -> None:
    values.append(value)
    del values[: -COOLER_TURNS.kept]


def _together(turns: list[float]) -> list[float]:
    """The turns that lie together: a cooler turns the water at one place, a bump in the curve anywhere."""
    if not turns:
        return []
    near = COOLER_TURNS.together_c
    _, centre = max((sum(abs(turn - other) < near for other in turns), turn) for turn in turns)
    return [turn for turn in turns if abs(turn - centre) < near]
