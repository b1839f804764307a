"""Loss of mains power."""

from __future__ import annotations

import bisect
from typing import ClassVar

import msgspec

from rushlight.analysis.detectors.heat.heater_lets_go import HeaterTurns
from rushlight.analysis.detectors.moment import Moment, Tank, minutes_text
from rushlight.analysis.detectors.power.cooling import cools_unheated, far_below
from rushlight.analysis.detectors.power.gas_stops import GasStops, hours_known
from rushlight.analysis.detectors.power.heat_with_gas import cold_with_gas, turned_with_gas, with_a_turn
from rushlight.analysis.detectors.power.lit import shines
from rushlight.analysis.detectors.power.numbers import GAS_STOPS, MAINS
from rushlight.analysis.detectors.power.plug import PLUG_WENT, lamp_and_plug, plug_silent, plug_with
from rushlight.analysis.detectors.power.sensor_limits import intervals_ms, spans_ms, steps
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.findings import Finding
from rushlight.collector.readings import HEATER_POWER, TEMPERATURE

__all__ = ["PowerDetector"]

_NOTHING: list[Finding] = []
_COLD = frozenset({"heater-not-heating", "temperature-low"})


class PowerDetector(msgspec.Struct):
    """Loss of mains power from what it does to the tank.

    Seen while the device runs on: the lamp goes out in its photoperiod and the heater, or the gas, stops with
    it; where no lamp is seen lit, heater and gas together. Seen afterwards: a gap in the reports over which
    the water cooled although the heater should have held it, or over which the lamp's timer was stopped.

    A lamp that was missed goes with nothing: `missed_ms` is when it last was, `relit` whether it is back.
    """

    name: ClassVar[str] = "power"
    place: ClassVar[str] = ""
    alarms: ClassVar[frozenset[str]] = frozenset({"power-interrupted"})
    needs: ClassVar[frozenset[str]] = frozenset({"probes", "lamp", "heat", "gas"})
    recalls: ClassVar[frozenset[str]] = frozenset()

    last_temperature: float | None = None
    last_frame_ms: int = -1
    out_temperature: float | None = None
    out_ms: int = -1
    heater_zero_ms: int = -1
    plug_ms: int = -1
    heater_was: float = 0.0
    standing: bool = False
    from_gap: bool = False
    gap_ms: int = -1
    below: bool = False
    lit_ms: int = -1
    off_ms: int = -1
    missed_ms: int = -1
    relit: bool = False
    back_ms: int = -1
    observations: list[str] = msgspec.field(default_factory=list)
    turns: HeaterTurns = msgspec.field(default_factory=HeaterTurns)
    gas: GasStops = msgspec.field(default_factory=GasStops)

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; the findings that hold after it."""
        frame = moment.frame
        now = frame.start_ms
        temperature = frame.temperature if "temperature" not in moment.probes.faulty else None
        if frame.heater is not None:
            self._meter(frame.heater, now)
        self._lamp(moment, temperature, now)
        if temperature is not None:
            gap_ms = now - self.last_frame_ms
            if gap_ms > MAINS.gap_min * MINUTE_MS and self.last_frame_ms >= 0:
                self._gap(moment, temperature, gap_ms)
            self.last_temperature = temperature
            if moment.fifth:
                calm = not moment.heat.disturbed and not moment.active and moment.lamp.out_since_ms < 0
                calm = calm and not moment.lamp.absent
                self.turns.add(now, temperature, moment.heat.cooling_rate, calm, self.off_ms)
        if moment.fifth:
            self.gas.add(tank, moment)
        if frame.temperature is not None:
            self.last_frame_ms = now  # reports flow, also while the thermometer is doubted
        if self.standing:
            self._recovery(moment, temperature, moment.heat.floor, now)
        elif self.out_ms >= 0 or moment.lamp.absent:
            if self.out_ms < 0:  # it went before it was due
                self._went(min(now, moment.lamp.due_ms) if moment.lamp.due_ms >= 0 else now, temperature)
            if temperature is not None and not self._missed_before():
                self._outage(tank, moment, temperature, now)
        elif moment.fifth and temperature is not None:
            self._no_lamp_tells(tank, moment, temperature)
        if not self.standing:
            return _NOTHING
        return [
            Finding(
                alarm="power-interrupted",
                priority="high",
                value=None if temperature is None else round(temperature, 2),
                unit="Cel",
                cause="the mains failed, or a breaker or residual-current device has tripped",
                observations=list(self.observations),
            )
        ]

    def _meter(self, watts: float, now: int) -> None:
        """One minute of the metering plug: when the heater's power last went."""
        self.plug_ms = now
        if watts > MAINS.heats_w:
            self.heater_zero_ms = -1
            self.heater_was = watts
        elif self.heater_zero_ms < 0 and self.heater_was > MAINS.heats_w:
            self.heater_zero_ms = now

    def _lamp(self, moment: Moment, temperature: float | None, now: int) -> None:
        """When the lamp was lit, when it went in its time, and since when it is out."""
        lamp = moment.lamp
        if lamp.edge > 0 and lamp.clear:  # lit again, and by no sun
            self.relit, self.missed_ms = True, -1
        elif self.out_ms < 0 and not self.relit and "light-missing" in moment.active:
            self.missed_ms = now
        if lamp.on:
            self.lit_ms = now
        if lamp.edge < 0 and lamp.should_be_on is not True:
            self.off_ms = lamp.edge_ms
        if lamp.out_since_ms < 0:
            if not lamp.absent:
                self.out_ms = -1
        elif self.out_ms < 0:
            self._went(lamp.out_since_ms, temperature)

    def _went(self, out_ms: int, temperature: float | None) -> None:
        """The lamp went, or is well past its time: from when on, and the water's temperature then."""
        course = self.turns.course
        last = bisect.bisect_right(course.times, out_ms)
        first = bisect.bisect_left(course.times, out_ms - MAINS.then_min * MINUTE_MS)
        then = course.values[first:last]
        self.out_ms, self.out_temperature = out_ms, median(then) if then else temperature
        self.relit = False

    def recall(self, moment: Moment) -> None:
        """It says nothing to others."""

    def beliefs(self, tank: Tank, moment: Moment) -> dict[str, float | None]:
        """It judges by what lamp and heat believe."""
        return {}

    def _gap(self, moment: Moment, temperature: float, gap_ms: int) -> None:
        before, floor = self.last_temperature, moment.heat.floor
        if before is None or floor is None:
            return
        if gap_ms <= intervals_ms(moment, TEMPERATURE, MAINS.gap_intervals):
            return
        fall = before - temperature
        hours = gap_ms / HOUR_MS
        usual = abs(moment.heat.cooling_rate or MAINS.gap_cooling_c_per_h)
        natural = MAINS.gap_most_c + MAINS.gap_scale * usual * hours  # more is colder water poured in
        least = steps(moment, MAINS.gap_least_c) + MAINS.gap_least_c_per_h * hours
        held = _COLD.isdisjoint(moment.active)  # or it was cold before, and that has another name
        if least < fall < natural and held and temperature < floor - steps(moment, MAINS.below_c):
            self.standing, self.from_gap, self.back_ms = True, True, -1
            self.gap_ms = moment.frame.start_ms
            self.observations = [
                f"no report for {minutes_text(gap_ms / 1000)}",
                f"the water cooled by {fall:.1f} °C meanwhile, below what the heater holds",
            ]

    def _missed_before(self) -> bool:
        """Whether the lamp had a fault of its own: what shone since was the sun, and says nothing."""
        return self.missed_ms >= 0 and self.out_ms - self.missed_ms < MAINS.lit_h * HOUR_MS

    def _outage(self, tank: Tank, moment: Moment, temperature: float, now: int) -> None:
        out_min = (now - self.out_ms) / MINUTE_MS
        if out_min < MAINS.out_min:
            return
        start = self.out_temperature
        fallen = start - temperature if start is not None else 0.0
        deep = far_below(moment, temperature, self.turns.course.values)
        under = deep and out_min < MAINS.out_most_min
        if plug_silent(moment, self.plug_ms):
            # of a lamp that has not come on nobody knows since when it can't
            seen = PLUG_WENT if moment.lamp.absent or plug_with(moment, self.plug_ms, self.out_ms) else None
        elif moment.heat.disturbed:
            seen = None  # water poured in, or a heater unplugged by hands at the tank
        elif moment.frame.heater is not None:
            seen = self._idle_heater(moment, moment.frame.heater, under, fallen, out_min)
        else:
            seen = self._turned(moment) or cools_unheated(moment, under, fallen, out_min)
        if seen is None:
            seen = self._gas_stopped(tank, moment)
        if seen is None:
            return
        self.standing, self.from_gap, self.back_ms = True, False, -1
        self.observations = [
            f"the lamp went out {minutes_text(out_min * 60)} ago, within its photoperiod"
            if moment.lamp.out_since_ms >= 0
            else f"the lamp has not come on, {_past(moment, now)} past its time",
            seen,
        ]

    def _idle_heater(
        self, moment: Moment, watts: float, under: bool, fallen: float, out_min: float
    ) -> str | None:
        """By the meter: the heater stopped as the lamp did, or should heat and doesn't."""
        idle = self.heater_was >= MAINS.heats_w >= watts
        if not idle or fallen <= steps(moment, MAINS.fallen_c):
            return None
        apart_ms = abs(self.heater_zero_ms - self.out_ms)
        most_ms = spans_ms(moment, HEATER_POWER, MAINS.together_min, MAINS.together_intervals)
        together = self.heater_zero_ms >= 0 and apart_ms < most_ms
        if not ((together and out_min > MAINS.wait_min) or under):
            return None
        return "the heater draws nothing although the water cools"

    def _turned(self, moment: Moment) -> str | None:
        """Water that was being heated began to cool just when the lamp went, or should have come."""
        lamp_ms = self.out_ms if moment.lamp.out_since_ms >= 0 else moment.lamp.due_ms
        if moment.heat.cooling_rate is None or lamp_ms < 0 or not moment.fifth:
            return None
        if lamp_ms - self.lit_ms > MAINS.lit_h * HOUR_MS:
            return None  # it was out the day before: its own fault, and nothing new
        turn = self.turns.with_lamp(lamp_ms, moment.heat.cooling_rate)
        if turn is None:
            return None
        apart = minutes_text(abs(turn.time_ms - lamp_ms) / 1000)
        return (
            f"within {apart} of that the water, {turn.celsius:.1f} °C and warming {turn.before:+.2f} °C an "
            f"hour, began to cool by {turn.after:+.2f} °C an hour"
        )

    def _gas_stopped(self, tank: Tank, moment: Moment) -> str | None:
        """The gas stopped as the lamp went, although the valve should be open."""
        if not moment.fifth or _draws(moment):
            return None
        if moment.lamp.out_since_ms >= 0:
            stop = self.gas.with_lamp(tank, moment, self.out_ms)
        else:  # it could not come on any more, and nobody knows since when
            first_ms = moment.frame.start_ms - GAS_STOPS.after_min * MINUTE_MS
            stop = self.gas.likeliest(tank, moment, first_ms, self.out_ms)
        if stop is not None:
            stop = with_a_turn(stop, self.turns, moment.heat.cooling_rate, self.out_ms)
        return stop.words if stop is not None and stop.probability >= GAS_STOPS.named else None

    def _no_lamp_tells(self, tank: Tank, moment: Moment, temperature: float) -> None:
        """Where no lamp tells, two others that go together do."""
        seen = None
        if moment.lamp.should_be_on is None and not moment.lamp.on:
            seen = lamp_and_plug(moment, self.plug_ms, self.off_ms)
        if seen is None and hours_known(tank) and not _draws(moment) and not shines(moment):
            seen = turned_with_gas(self.turns, self.gas, tank, moment)
            if seen is None and far_below(moment, temperature, self.turns.course.values):
                fallen = max(self.turns.course.values) - temperature
                cools = cools_unheated(moment, True, fallen, MAINS.wait_min)
                seen = cold_with_gas(cools, self.gas, tank, moment)
        if seen is not None:
            self.standing, self.from_gap, self.back_ms = True, False, -1
            self.observations = seen

    def _recovery(self, moment: Moment, temperature: float | None, floor: float | None, now: int) -> None:
        if self.from_gap and now - self.gap_ms > MAINS.gap_told_min * MINUTE_MS:
            self.standing = self.below = False  # reports flow: what is still wrong has another name
            return
        slope = moment.heat.slope
        if temperature is not None and floor is not None:
            self.below = self.below or temperature < floor - steps(moment, MAINS.below_c)
            # where it never fell below what the heater holds, being above it says nothing
            warm = (self.below or self.from_gap) and temperature > floor
        else:
            warm = False
        warm = warm or (slope is not None and slope > MAINS.warms_c_per_h)
        warm = warm or _draws(moment) or (moment.lamp.should_be_on is None and shines(moment))
        if moment.lamp.should_be_on and not self.from_gap:
            back = shines(moment)  # lit: the mains is there
        else:
            back = warm and moment.lamp.out_since_ms < 0 and not moment.lamp.absent
        if not back:
            self.back_ms = -1
        elif not 0 <= self.back_ms <= now:
            self.back_ms = now
        # so long that the water is seen to warm, and no alarm comes of a heater that is only just back
        if back and now - self.back_ms >= MAINS.recovered_min * MINUTE_MS:
            self.standing = self.below = False


def _draws(moment: Moment) -> bool:
    """Whether the heater is metered and heats: the mains is there."""
    return (moment.frame.heater or 0.0) > MAINS.heats_w


def _past(moment: Moment, now: int) -> str:
    due = moment.lamp.due_ms
    return minutes_text((now - due) / 1000) if 0 <= due < now else "well"
