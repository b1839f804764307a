"""A setpoint in the settings that the heater has never held, by days on which it surely held the water."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.doubts.lamp_hours import LEAST_DAYS
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.findings import Finding

__all__ = ["ThermostatHold"]

DOUBT_C = 1.5
STEADY_C = 0.5
NEAR_C = 0.7  # of a thermostat's swing; common practice, no source
NO_HEAT_TO_LEARN = {"cooling-not-cooling", "power-interrupted"}


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
        """What it holds, °C; None before three such days."""
        return median([low for _, low, _ in self.holds[-5:]]) if len(self.holds) >= LEAST_DAYS else None

    def update(self, tank: Tank, moment: Moment, comes_on: float | None) -> None:
        """One frame; works on those that end five minutes. `comes_on`: where it surely does, °C.

        `found` is what stands after it.
        """
        heater = tank.settings.heater
        mark = f"{heater.setpoint_c}" if heater is not None else ""
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
            self.heating += frame.heater > 0.3 * self.peak_watts > 1.0

    def _close(self, setpoint: float | None, comes_on: float | None) -> None:
        values = sorted(self.values)
        if len(values) < 250 or self.spoilt > 12:
            return
        low, middle = values[len(values) // 4], median(values)
        if self.metered > 250:
            governed = 0.05 < self.heating / self.metered < 0.9
            below = governed
        elif self.warmest_room is None and comes_on is not None:
            # seen to turn the water's fall at one temperature, and the day stayed near it
            governed = abs(low - comes_on) < NEAR_C and self.stuck <= 12
            below = governed
        else:
            # the room is colder all day, and something keeps the water above it
            room = self.warmest_room
            governed = room is not None and room < low - 1.5 and self.stuck <= 12
            below = governed and room is not None and room < low - 3.0
        if not governed:
            return
        self.holds.append((self.day, low, middle))
        del self.holds[:-7]
        if setpoint is None:
            return
        over, under = low - setpoint > DOUBT_C, below and setpoint - middle > DOUBT_C
        if not over and setpoint - middle <= DOUBT_C:
            self.fitted, self.found = True, None
            return
        last = self.holds[-LEAST_DAYS:]
        lows = [hold[1] for hold in last]
        sure = (
            len(last) == LEAST_DAYS
            and last[-1][0] - last[0][0] == LEAST_DAYS - 1
            and max(lows) - min(lows) < STEADY_C
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
                f"the heater has held {held:.1f} °C for {LEAST_DAYS} days",
                f"the settings have {setpoint:g} °C, {abs(held - setpoint):.1f} °C "
                f"{'less' if over else 'more'}",
            ],
            rule_out="compare with a second thermometer, hung in by its cord or stuck outside on the glass, "
            "so that no hand goes into the water, and read the heater's dial from outside",
        )
