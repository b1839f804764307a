"""A setpoint in the settings that the heater has never held, by days on which it surely held the water."""

from __future__ import annotations

import functools

import msgspec

from rushlight.analysis.detectors.doubts.numbers import DOUBT, SETPOINT
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.findings import Finding

__all__ = ["ThermostatHold"]

NO_HEAT_TO_LEARN = {"cooling-not-cooling", "power-interrupted"}


@functools.lru_cache(typed=True)  # asked every five minutes
def _mark(setpoint_c: float | None) -> str:
    return f"{setpoint_c}"


class ThermostatHold(msgspec.Struct):
    """What the heater holds, from days on which it is sure that the heater did it.

    `holds` are (local day, lower quartile, median) in °C.
    """

    mark: str = ""
    day: int = -1
    values: list[float] = msgspec.field(default_factory=list)
    warmest_room: float | None = None
    metered: int = 0
    heating: int = 0
    spoilt: int = 0
    stuck: int = 0
    peak_watts: float = 0.0
    holds: list[tuple[int, float, float]] = msgspec.field(default_factory=list)
    fitted: bool = False
    found: Finding | None = None

    @property
    def held_c(self) -> float | None:
        """What it holds, °C; None before enough such days."""
        if len(self.holds) < DOUBT.least_days:
            return None
        return median([low for _, low, _ in self.holds[-SETPOINT.shown_days :]])

    def update(self, tank: Tank, moment: Moment, comes_on: float | None) -> None:
        """One frame; works on those that end five minutes. `comes_on`: where it surely does, °C.

        `found` is what holds after it.
        """
        heater = tank.settings.heater
        mark = _mark(heater.setpoint_c) if heater is not None else ""
        if mark != self.mark:
            self.mark, self.fitted, self.found = mark, False, None
            self.holds.clear()
        if heater is not None and moment.fifth:
            self._slow(moment, heater.setpoint_c, comes_on)

    def _slow(self, moment: Moment, setpoint: float | None, comes_on: float | None) -> None:
        frame = moment.frame
        if moment.day != self.day:
            self._close(setpoint, comes_on)
            self.day = moment.day
            self.values.clear()
            self.warmest_room, self.metered, self.heating, self.spoilt, self.stuck = None, 0, 0, 0, 0
        # a wrong setpoint makes false heater alarms, so these alone spoil no day on which the heater switches
        self.stuck += "heater-stuck-on" in moment.active
        if moment.active & NO_HEAT_TO_LEARN or moment.heat.disturbed or "temperature" in moment.probes.faulty:
            self.spoilt += 1
            return
        if frame.temperature is not None:
            self.values.append(frame.temperature)
        if frame.room is not None and "room_temperature" not in moment.probes.faulty:
            warmest = self.warmest_room
            self.warmest_room = frame.room if warmest is None else max(warmest, frame.room)
        if frame.heater is not None:
            self.peak_watts = max(self.peak_watts, frame.heater)
            self.metered += 1
            self.heating += frame.heater > SETPOINT.on_share * self.peak_watts > SETPOINT.least_w

    def _governed(self, low: float, comes_on: float | None) -> tuple[bool, bool]:
        """Whether the heater held the day's `low` (°C); and whether it did so surely, even if too low."""
        if self.metered > SETPOINT.least_values:
            on_share = self.heating / self.metered
            governed = SETPOINT.least_on_share < on_share < SETPOINT.most_on_share
            return governed, governed
        if self.stuck > SETPOINT.spoilt_values:
            return False, False
        room = self.warmest_room
        if room is not None:
            # the room is colder all day, and something keeps the water above it
            return room < low - SETPOINT.over_room_c, room < low - SETPOINT.well_over_room_c
        # seen to turn the water's fall at one temperature, and the day stayed near it
        near = comes_on is not None and abs(low - comes_on) < SETPOINT.near_c
        return near, near

    def _close(self, setpoint: float | None, comes_on: float | None) -> None:
        values = sorted(self.values)
        if len(values) < SETPOINT.least_values or self.spoilt > SETPOINT.spoilt_values:
            return
        low, middle = values[int(len(values) * SETPOINT.low_quantile)], median(values)
        governed, below = self._governed(low, comes_on)
        if not governed:
            return
        self.holds.append((self.day, low, middle))
        del self.holds[: -SETPOINT.kept_days]
        if setpoint is None:
            return
        over, under = low - setpoint > SETPOINT.doubt_c, below and setpoint - middle > SETPOINT.doubt_c
        if not over and setpoint - middle <= SETPOINT.doubt_c:
            self.fitted, self.found = True, None
            return
        last = self.holds[-DOUBT.least_days :]
        lows = [hold[1] for hold in last]
        sure = (
            len(last) == DOUBT.least_days
            and last[-1][0] - last[0][0] == DOUBT.least_days - 1
            and max(lows) - min(lows) < SETPOINT.steady_c
            and (over or under)
        )
        if not sure or self.fitted or self.found is not None:
            return
        held = median([hold[1] if over else hold[2] for hold in last])
        self.found = Finding(
            alarm="setting-doubtful",
            quantity="temperature",
            setting="heater.setpoint_c",
            priority="low",
            value=round(held, 1),
            unit="Cel",
            cause="the heater's dial is not where the settings say, or its thermostat or the probe is off"
            + ("" if over else ", or the heater is too weak"),
            observations=[
                f"the heater has held {held:.1f} °C for {DOUBT.least_days} days",
                f"the settings have {setpoint:g} °C, {abs(held - setpoint):.1f} °C "
                f"{'less' if over else 'more'}",
            ],
            rule_out="compare with a second thermometer, hung in by its cord or stuck outside on the glass, "
            "so that no hand goes into the water, and read the heater's dial from outside",
        )
