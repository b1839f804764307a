"""Water of another temperature that was poured in: a step that neither heater nor room can make, and stays.

What share of the water it was follows from heat: `step = share · (new - before)`, equal heat capacities, no
loss to the room. The new water's temperature is the settings' (`tap_temperature_c`), or what the changes that
the keeper has noted with their share have taught. Water of the tank's own temperature leaves no step.
"""

from __future__ import annotations

import math
from typing import NamedTuple, Protocol

import msgspec

from rushlight.analysis.detectors.heat.cycle import HeaterCycle
from rushlight.analysis.detectors.heat.new_water_numbers import NEW_WATER
from rushlight.analysis.detectors.heat.numbers import HEAT
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.numbers import SENSOR
from rushlight.analysis.estimators.thermal_model import ThermalModel
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.estimators.window import Window

__all__ = ["NewWater", "Pour", "stepped"]


class _Pace(NamedTuple):
    """How fast the water warms and cools by itself (°C/h, both positive), and the error of a reading (°C)."""

    warms: float
    cools: float
    noise: float


class _Known(Protocol):
    """What the heat family has learnt."""

    model: ThermalModel
    cycle: HeaterCycle


def _pace(tank: Tank, moment: Moment, known: _Known) -> _Pace:
    sensor = moment.sensor("temperature")
    return _Pace(
        max(tank.heating_rate_c_per_h, known.cycle.heat or 0.0),
        max(NEW_WATER.cools_c_per_h, abs(known.model.usual_fall() or 0.0)),
        max(sensor.noise, sensor.step / SENSOR.root_12, NEW_WATER.least_noise_c),
    )


def stepped(tank: Tank, recent: Window, heats: float | None) -> bool:
    """Whether the last minutes went faster than heater or room could do it: water, hands, a moved probe.

    Parameters
    ----------
    recent : Window
        °C of the last frames.
    heats : float or None
        What the heater was seen to do, °C/h.
    """
    before = recent.lately(HEAT.step_min * MINUTE_MS)
    if not before:
        return False
    change = abs(before[-1] - before[0])
    if change <= HEAT.step_c:
        return False
    span_h = (recent.times[-1] - recent.times[-len(before)]) / HOUR_MS
    possible = HEAT.step_heaters * max(tank.heating_rate_c_per_h, heats or 0.0) * span_h
    return change > HEAT.step_c + possible


class Pour(msgspec.Struct, frozen=True):
    """Water that was poured in: when it began (ms UTC), the water before, the step and its error (°C)."""

    began_ms: int
    before_c: float
    step_c: float
    error_c: float


class NewWater(msgspec.Struct):
    """State.

    Attributes
    ----------
    recent : Window
        The last minutes, two values at least.
    began_ms, before_c : int, float
        The pour that is followed (ms UTC, -1 for none), and the water before it (°C).
    far_ms, far_c : int, float
        When and how far it has gone.
    pours : list of Pour
        The last ones.
    noted : list of (ms UTC, share)
        Changes that the keeper noted.
    taught : list of (ms UTC, °C)
        What the new water had at changes that were noted, by the note's time.
    ended : Pour or None
        The one that was found by the newest frame.
    """

    recent: Window = msgspec.field(default_factory=lambda: Window(NEW_WATER.look_min + 2))
    began_ms: int = -1
    before_c: float = 0.0
    far_ms: int = -1
    far_c: float = 0.0
    pours: list[Pour] = msgspec.field(default_factory=list)
    noted: list[tuple[int, float]] = msgspec.field(default_factory=list)
    taught: list[tuple[int, float]] = msgspec.field(default_factory=list)
    ended: Pour | None = None

    def look(self, tank: Tank, moment: Moment, celsius: float, gap_ms: int, known: _Known) -> None:
        """One frame; `ended` after it. O(1).

        Parameters
        ----------
        celsius : float
            The water.
        gap_ms : int
            What went on in a longer gap nobody saw.
        known : object
            What the heat family knows of the tank's paces.
        """
        now_ms, recent = moment.frame.start_ms, self.recent
        times = recent.times
        if times and not 0 < now_ms - times[-1] <= gap_ms:
            recent.clear()
            self.began_ms = -1
        recent.add(now_ms, celsius)
        values, old_ms = recent.values, now_ms - NEW_WATER.look_min * MINUTE_MS
        while times[0] <= old_ms and len(times) > 2:
            del times[0], values[0]
        if self.began_ms >= 0:
            self._follow(now_ms, celsius, _pace(tank, moment, known))
        elif abs(celsius - values[0]) > NEW_WATER.least_c:
            self._begin(now_ms, celsius, _pace(tank, moment, known))

    def _begin(self, now_ms: int, celsius: float, pace: _Pace) -> None:
        times, values = self.recent.times, self.recent.values
        change = celsius - values[0]
        hours = (now_ms - times[0]) / HOUR_MS
        possible = NEW_WATER.paces * (pace.warms if change > 0 else pace.cools) * hours
        rough = NEW_WATER.errors * pace.noise
        if abs(change) <= NEW_WATER.least_c + possible + rough:
            return
        level = 1
        while level < len(values) and abs(values[level] - values[0]) <= rough:
            level += 1
        self.before_c = sum(values[:level]) / level
        self.began_ms, self.far_ms, self.far_c = times[level - 1], now_ms, celsius

    def _follow(self, now_ms: int, celsius: float, pace: _Pace) -> None:
        falls = self.far_c < self.before_c
        if (celsius < self.far_c) == falls and celsius != self.far_c:
            self.far_ms, self.far_c = now_ms, celsius
        if now_ms - self.began_ms > NEW_WATER.most_min * MINUTE_MS:
            self._forget(now_ms, celsius)  # so slow: the room, the cooler, a heater
            return
        if now_ms - self.far_ms < NEW_WATER.stays_min * MINUTE_MS:
            return
        step, back = self.far_c - self.before_c, abs(celsius - self.far_c)
        hours = (now_ms - self.far_ms) / HOUR_MS
        possible = NEW_WATER.paces * (pace.warms if falls else pace.cools) * hours
        if back <= max(possible + NEW_WATER.errors * pace.noise, NEW_WATER.back_share * abs(step)):
            self._end(step, falls, pace)
        self._forget(now_ms, celsius)

    def _end(self, step: float, falls: bool, pace: _Pace) -> None:
        # while it was poured, heater or room pulled the other way: by anything up to their whole pace
        pulled = (pace.warms if falls else pace.cools) * (self.far_ms - self.began_ms) / HOUR_MS
        step += math.copysign(pulled / 2, step)
        error = math.hypot(pulled / math.sqrt(NEW_WATER.uniform), pace.noise)
        self.ended = Pour(self.began_ms, self.before_c, step, error)
        self.pours = [*self.pours, self.ended][-NEW_WATER.kept :]
        self._match()

    def _forget(self, now_ms: int, celsius: float) -> None:
        self.began_ms = -1
        self.recent.clear()
        self.recent.add(now_ms, celsius)

    def note(self, time_ms: int, share: float) -> None:
        """The keeper noted a change of that share (0 to 1) at `time_ms` (ms UTC)."""
        self.noted = [*self.noted, (time_ms, share)][-NEW_WATER.kept :]
        self._match()

    def forget_note(self, time_ms: int) -> None:
        """It was taken back."""
        self.noted = [one for one in self.noted if one[0] != time_ms]
        self.taught = [one for one in self.taught if one[0] != time_ms]

    def _match(self) -> None:
        """A noted share and the step beside it give what the new water had."""
        known = {at for at, _ in self.taught}
        for at, share in self.noted:
            pour = next((one for one in self.pours if self.together(one.began_ms, at)), None)
            if at in known or pour is None or share < NEW_WATER.least_share:
                continue
            self.taught = [*self.taught, (at, pour.before_c + pour.step_c / share)][-NEW_WATER.kept :]

    @staticmethod
    def together(poured_ms: int, noted_ms: int) -> bool:
        """Whether a note is of that pour, by their times (ms UTC)."""
        return abs(poured_ms - noted_ms) <= NEW_WATER.note_min * MINUTE_MS

    def celsius(self, tank: Tank) -> tuple[float, float] | None:
        """The new water's temperature and its standard error (°C); None where nothing says it."""
        if self.taught:
            mean = sum(one for _, one in self.taught) / len(self.taught)
            return mean, NEW_WATER.taught_error_c
        typed = tank.settings.water.tap_temperature_c
        return None if typed is None else (typed, NEW_WATER.typed_error_c)

    def share(self, tank: Tank, pour: Pour) -> tuple[float, float, float] | None:
        """The likeliest share, its lowest and highest (95 %); None where it can't be said."""
        new = self.celsius(tank)
        if new is None:
            return None
        gap = new[0] - pour.before_c
        if abs(gap) < NEW_WATER.gap_errors * new[1]:
            return None  # as warm as the tank, by what is known of it
        share = pour.step_c / gap
        error = abs(share) * math.hypot(pour.error_c / abs(pour.step_c), new[1] / gap)
        low, high = share - NEW_WATER.sure_errors * error, share + NEW_WATER.sure_errors * error
        if high <= 0 or low > 1:
            return None  # not of that water
        return min(max(share, 0.0), 1.0), max(low, 0.0), min(high, 1.0)

    def beliefs(self, tank: Tank, now_ms: int) -> dict[str, float | None]:
        """Of a pour that the newest frame has shown; empty without one."""
        pour = self.ended
        if pour is None:
            return {}
        share = self.share(tank, pour)
        said: dict[str, float | None] = {
            "poured_in_c": pour.step_c,
            "poured_in_ago_min": (now_ms - pour.began_ms) / MINUTE_MS,
        }
        if share is not None:
            names = ("poured_in_share", "poured_in_share_low", "poured_in_share_high")
            said |= dict(zip(names, share, strict=True))
        return said
