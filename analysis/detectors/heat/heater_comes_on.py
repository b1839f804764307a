"""Where this tank's heater comes on, learnt from having seen it do so.

The lowest water of a day says nothing of the heater where the room kept it warm. What says something is the
heater at work: by the meter, or by a corner in the curve, where falling water turns and rises within minutes,
at about the pace the heater's watts give this much water. A day's own trough is round.
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.heat.came_back import CameBack
from rushlight.analysis.detectors.heat.meter_offs import METER, MeterOffs
from rushlight.analysis.detectors.heat.numbers import COMES_ON, HEAT, UNHEATED
from rushlight.analysis.detectors.moment import Tank
from rushlight.analysis.estimators.robust import median, spread
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.estimators.window import Window

__all__ = ["HeaterMemory", "corner_is_its_own", "heater_range"]


class HeaterMemory(msgspec.Struct, dict=True):
    """`picks` are the lowest temperatures (°C) at which it was seen to come on, the newest last.

    `switches` are those at the moment at which a meter saw it switch on; `drew_ms` and `idle_ms` when the
    meter last showed it heating, and not heating (ms UTC). `meter_offs` is how a meter saw it let go,
    `came_back` from how low the water came back. What follows from `picks` is kept beside them.
    """

    picks: list[float] = msgspec.field(default_factory=list)
    last_pick_ms: int = -1
    watts: Window = msgspec.field(default_factory=lambda: Window(COMES_ON.watts_frames))
    peak_watts: float = 0.0
    metered: bool = False
    on_since: int = -1
    lowest: float = 0.0
    switches: list[float] = msgspec.field(default_factory=list)
    drew_ms: int = -1
    idle_ms: int = -1
    meter_offs: MeterOffs = msgspec.field(default_factory=MeterOffs)
    came_back: CameBack = msgspec.field(default_factory=CameBack)

    def meter(self, now_ms: int, watts: float, temperature: float | None, full: float, calm: bool) -> None:
        """One minute of the metering plug; `calm`: nobody is at the tank."""
        self.watts.add(now_ms, watts)
        last = self.watts.lately(COMES_ON.sure_min * MINUTE_MS)
        if last:  # one reading alone may be the plug's
            self.peak_watts = max(self.peak_watts, min(last))
        self.metered = True
        if full >= HEAT.metered_w:
            if watts > self.draws_from(full):
                self.drew_ms = now_ms
            else:
                self.idle_ms = now_ms
        if temperature is None or full < HEAT.metered_w or not last:
            return
        if calm:
            self.meter_offs.look(self.watts.values, len(last), temperature, full)
        if min(last) > self.draws_from(full):
            if self.on_since < 0:
                self.on_since, self.lowest = (now_ms if calm else 0), temperature
                if calm:
                    self.switches.append(temperature)
                    del self.switches[: -COMES_ON.kept]
            elif self.on_since > 0 and temperature < self.lowest:
                self.lowest = temperature
            if self.on_since > 0 and (not calm or now_ms - self.on_since >= COMES_ON.heats_min * MINUTE_MS):
                self._switched(now_ms, calm)
        elif max(last) < COMES_ON.off_share * full:
            if self.on_since > 0:
                self._switched(now_ms, calm)
            self.on_since = -1

    def _switched(self, now_ms: int, calm: bool) -> None:
        if calm:
            self._keep(now_ms, self.lowest)
        self.on_since = 0  # this time is counted

    def corner(self, window: Window, rate: float, every_min: float) -> bool:
        """A value was added to `window`, one each `every_min`; was falling water seen turned up by heat?"""
        values, apart_ms = window.values, COMES_ON.corner_apart_min * MINUTE_MS
        if not values or window.times[-1] - self.last_pick_ms < apart_ms:
            return False
        arm = max(COMES_ON.arm_values, round(COMES_ON.arm_min / every_min))
        if len(values) < 2 * arm + 1:
            return False
        near = values[-2 * arm - 1 :]
        lowest = min(near[arm - 1 : arm + 2])
        if lowest > min(near) + COMES_ON.corner_flat_c:
            return False
        before, after = _slope(near[:arm], every_min), _slope(near[arm + 1 :], every_min)
        if before > -COMES_ON.fall_c_per_h or after < COMES_ON.rise_c_per_h:
            return False
        if after - before < max(COMES_ON.change_c_per_h, COMES_ON.change_share * rate):
            return False
        self._keep(window.times[-1], lowest)
        return True

    def saw(self, now_ms: int, lowest: float) -> None:
        """It was seen to come on in another way; the same time is not counted twice."""
        if now_ms - self.last_pick_ms >= COMES_ON.corner_apart_min * MINUTE_MS:
            self._keep(now_ms, lowest)

    def _keep(self, now_ms: int, temperature: float) -> None:
        self.last_pick_ms = now_ms
        self.picks.append(temperature)
        del self.picks[: -COMES_ON.kept]
        self.__dict__.clear()

    def power(self, now_ms: int) -> float | None:
        """What it draws, W: the middle of the last minutes; None where no meter reports."""
        watts = self.watts
        if not watts.times or now_ms - watts.times[-1] > COMES_ON.stale_min * MINUTE_MS:
            return None
        recent = range(len(watts.times))
        stale_ms = watts.times[-1] - COMES_ON.stale_min * MINUTE_MS
        return median([watts.values[i] for i in recent if watts.times[i] > stale_ms])

    def draws_from(self, full: float) -> float:
        """What it draws more than when it heats, W; `full` is what it draws in full."""
        return self._usual_part(HEAT.draws_share * full, full)

    def half(self, full: float) -> float:
        """What it draws more than where it works as it should, W; less is a heater that has half failed.

        What has half failed has drawn more before: one of two may be all that was needed so far.
        """
        seen = self.peak_watts if self.peak_watts > METER.off_share * full else full
        return self._usual_part(UNHEATED.half_share * min(seen, full), full)

    def _usual_part(self, whole: float, full: float) -> float:
        """`whole`, W; less where the strip usually draws only a part."""
        part = self.meter_offs.part(full)
        return whole if part is None else min(whole, METER.works_share * part)

    def off_min(self, now_ms: int) -> float:
        """For how many minutes the meter has not shown it heating; 0 where it never did."""
        return (now_ms - self.drew_ms) / MINUTE_MS if self.drew_ms >= 0 else 0.0

    def on_min(self, now_ms: int) -> float:
        """For how many minutes the meter has shown nothing but heating."""
        return (now_ms - self.idle_ms) / MINUTE_MS if self.drew_ms > self.idle_ms >= 0 else 0.0

    def switches_at(self) -> float | None:
        """Where the meter has seen it switch on, °C: a low one of the last times; None before three."""
        if len(self.switches) < COMES_ON.corners:
            return None
        return sorted(self.switches)[int((len(self.switches) - 1) * COMES_ON.low_share)]

    def full(self, tank: Tank) -> float:
        """What it draws when it heats, W; 0 where it isn't known."""
        heater = tank.settings.heater
        return max((heater.watts if heater else None) or 0.0, self.peak_watts)

    def holds_from(self, setpoint: float | None) -> float | None:
        """The lowest that the heater lets the water fall to, °C.

        The dial is off by a degree as often as not, and the thermostat swings: until the heater has been
        seen at work, much is allowed. None where neither the settings nor the tank have told.
        """
        picks = self.picks
        if len(picks) < (1 if self.metered else COMES_ON.corners):
            return min([setpoint - HEAT.dial_c, *picks]) if setpoint is not None else None
        usual: float | None = self.__dict__.get("kept_low")
        if usual is None:
            usual = sorted(picks)[int((len(picks) - 1) * COMES_ON.low_share)]
            self.__dict__["kept_low"] = usual
        if setpoint is None:
            return usual
        return min(max(usual, setpoint - HEAT.dial_most_c), setpoint + HEAT.dial_up_c)

    @property
    def sure(self) -> bool:
        """Whether it has come on at one temperature so often that a little below it says something."""
        if len(self.picks) < COMES_ON.sure_times:
            return False
        sure: bool | None = self.__dict__.get("kept_sure")
        if sure is None:
            sure = self.__dict__["kept_sure"] = spread(self.picks) < COMES_ON.sure_spread_c
        return sure

    def sinks_to(self, level: float) -> float:
        """From where (°C) the water has come back by itself below `level`, which the heater holds it from."""
        return self.came_back.lowest(level, max(level, median(self.picks)) if self.picks else level)

    def moved_to(self) -> None:
        """It came on lower than it was thought to hold: what was learnt before holds no more."""
        del self.picks[:-1]
        self.__dict__.clear()


def _slope(values: list[float], apart_min: float) -> float:
    """Least-squares slope in °C/h of values that lie so many minutes apart."""
    n = len(values)
    middle = (n - 1) / 2
    total = sum((i - middle) * value for i, value in enumerate(values))
    squares = sum((i - middle) ** 2 for i in range(n))
    return 60 / apart_min * total / squares


def heater_range(tank: Tank, memory: HeaterMemory, highs: list[float]) -> tuple[float | None, float | None]:
    """(floor, ceiling) in °C between which the heater holds this probe's reading, as far as known.

    `highs` are the highest water of the last whole days.
    """
    heater = tank.settings.heater
    if heater is None and memory.peak_watts < HEAT.metered_w:
        return None, None
    setpoint = heater.setpoint_c if heater else None
    floor = memory.holds_from(setpoint)
    if setpoint is None:
        return floor, median(highs) if len(highs) >= HEAT.high_days else None
    ceiling = setpoint + HEAT.dial_c  # until the tank has shown a day of it, much is allowed
    if highs:
        ceiling = min(median(highs), setpoint + HEAT.dial_most_c)
    lowest = setpoint - HEAT.dial_c if floor is None else floor
    return floor, max(ceiling, lowest + HEAT.swing_least_c)


def corner_is_its_own(tank: Tank, temperature: float) -> bool:
    """Whether a corner here can be the heater's: a cooler that switches off makes one too."""
    heater, cooler = tank.settings.heater, tank.settings.cooler
    if heater is None:
        return False
    if heater.setpoint_c is not None and abs(temperature - heater.setpoint_c) > HEAT.dial_most_c:
        return False
    if cooler is None or cooler.setpoint_c is None:
        return True
    between = cooler.setpoint_c - HEAT.cooler_gap_c
    if heater.setpoint_c is not None:
        between = max(between, (cooler.setpoint_c + heater.setpoint_c) / 2)
    return temperature < between
