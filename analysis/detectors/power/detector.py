"""Silence and loss of mains power."""

from __future__ import annotations

from typing import ClassVar

import msgspec

from rushlight.analysis.detectors.heat.heater_lets_go import HeaterTurns
from rushlight.analysis.detectors.moment import Moment, Tank, minutes_text
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.findings import Finding

__all__ = ["PowerDetector", "SilenceDetector"]

RECOVERED_MIN = 20
DAY_MS = 24 * 60 * MINUTE_MS
GAP_TOLD_MS = 90 * MINUTE_MS


class SilenceDetector(msgspec.Struct):
    """No report for too long. Works on deadlines, so it is asked with the time, not with a frame.

    Attributes
    ----------
    last_ms : int
        When the last report came, by arrival where that is known; -1 before the first.
    since_ms : int
        Since when a first report is waited for, -1 where nobody waits.
    grace_until_ms : int
        Nobody is called silent before this: the service itself was away, or its clock has leapt.
    standing : bool
        It has been told.
    awaited : bool
        No report since the start, or since the service was held up.
    """

    last_ms: int = -1
    since_ms: int = -1
    grace_until_ms: int = -1
    standing: bool = False
    awaited: bool = False

    @staticmethod
    def limit_ms(tank: Tank) -> int:
        """Twenty minutes, or twelve reports where they are rarer: a router's restart is shorter."""
        return int(max(20 * MINUTE_MS, 12_000 * tank.settings.report_every_s))

    @staticmethod
    def grace_ms(tank: Tank) -> int:
        """After a start: a minute for what waited at the broker, or two reports where they are rarer."""
        return int(max(MINUTE_MS, 2_000 * tank.settings.report_every_s))

    def from_ms(self) -> int:
        """Since when nothing has come: the last report, or the beginning of the waiting; -1 for neither."""
        return self.last_ms if self.last_ms >= 0 else self.since_ms

    def deadline_ms(self, tank: Tank) -> int | None:
        """When silence will have lasted too long; None where nothing is waited for, or once it has."""
        since_ms = self.from_ms()
        if since_ms < 0 or self.standing:
            return None
        return max(since_ms + self.limit_ms(tank), self.grace_until_ms)

    def await_report(self, tank: Tank, now_ms: int) -> bool:
        """The service has begun, or was held up: time for a report to come; whether it is a new tank."""
        self.grace_until_ms = now_ms + self.grace_ms(tank)
        self.awaited = True
        if self.from_ms() >= 0:
            return False
        self.since_ms = now_ms
        return True

    def put_back(self, tank: Tank, now_ms: int) -> None:
        """The clock was put back to `now_ms`."""
        self.last_ms = min(self.last_ms, now_ms)
        self.since_ms = min(self.since_ms, now_ms)
        self.grace_until_ms = min(self.grace_until_ms, now_ms + self.grace_ms(tank))

    def finding(self, tank: Tank, now_ms: int) -> Finding | None:
        """The finding, if the device has been silent for too long at `now_ms`."""
        since_ms = self.from_ms()
        if since_ms < 0 or now_ms - since_ms < self.limit_ms(tank):
            return None
        span = minutes_text((now_ms - since_ms) / 1000)
        if self.last_ms < 0:
            return Finding(
                alarm="device-silent",
                priority="high",
                value=round((now_ms - since_ms) / 60_000, 1),
                unit="min",
                cause="its microcontroller has never been heard: not connected yet, or under another name",
                observations=[
                    f"no report has ever come from it; waited for since {tank.clock.text(since_ms)}, {span}",
                    f"one is due every {tank.settings.report_every_s:g} s; silence is told of after "
                    f"{minutes_text(self.limit_ms(tank) / 1000)}",
                ],
            )
        return Finding(
            alarm="device-silent",
            priority="high",
            value=round((now_ms - since_ms) / 60_000, 1),
            unit="min",
            cause="the microcontroller, its supply or the network is down, or the mains is",
            observations=[
                f"last report {span} ago, at {tank.clock.text(self.last_ms)}",
                f"one is due every {tank.settings.report_every_s:g} s; silence is told of after "
                f"{minutes_text(self.limit_ms(tank) / 1000)}",
            ],
        )


class PowerDetector(msgspec.Struct):
    """Loss of mains power from what it does to the tank.

    Seen while the device runs on: the lamp goes out in its photoperiod and the heater stops with it. Seen
    afterwards: a gap in the reports over which the water cooled although the heater should have held it, or
    over which the lamp's timer stood still.
    """

    name: ClassVar[str] = "power"
    place: ClassVar[str] = ""
    alarms: ClassVar[frozenset[str]] = frozenset({"power-interrupted"})
    needs: ClassVar[frozenset[str]] = frozenset({"probes", "lamp", "heat"})
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
    recovered_frames: int = 0
    observations: list[str] = msgspec.field(default_factory=list)
    turns: HeaterTurns = msgspec.field(default_factory=HeaterTurns)

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; the findings that stand after it."""
        frame = moment.frame
        now = frame.start_ms
        temperature = frame.temperature if "temperature" not in moment.probes.faulty else None
        floor = moment.heat.floor
        if self.last_frame_ms >= 0 and now - self.last_frame_ms > 15 * MINUTE_MS and temperature is not None:
            self._gap(tank, moment, temperature, floor, now - self.last_frame_ms)
        if frame.heater is not None:
            if frame.heater > 3:
                self.heater_zero_ms = -1
                self.heater_was = frame.heater
            elif self.heater_zero_ms < 0 and self.heater_was > 3:
                self.heater_zero_ms = now
        if frame.heater is not None:
            self.plug_ms = now
        if moment.lamp.on:
            self.lit_ms = now
        if moment.lamp.edge < 0 and moment.lamp.should_be_on is not True:
            self.off_ms = moment.lamp.edge_ms
        out_since = moment.lamp.out_since_ms
        if out_since < 0:
            if not moment.lamp.absent:
                self.out_ms = -1
        elif self.out_ms < 0:
            self.out_ms, self.out_temperature = out_since, temperature
        if temperature is not None:
            self.last_temperature = temperature
            self.last_frame_ms = now
            if moment.fifth:
                calm = not moment.heat.disturbed and not moment.active and moment.lamp.out_since_ms < 0
                calm = calm and not moment.lamp.absent
                self.turns.add(now, temperature, moment.heat.cooling_rate, calm, self.off_ms)
        if not self.standing and moment.lamp.absent and self.out_ms < 0:
            self.out_ms, self.out_temperature = now, temperature
        if not self.standing and (self.out_ms >= 0 or moment.lamp.absent) and temperature is not None:
            self._outage(moment, temperature, floor, now)
        elif self.standing:
            self._recovery(moment, temperature, floor, now)
        if not self.standing:
            return []
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

    def recall(self, moment: Moment) -> None:
        """It says nothing to others."""

    def beliefs(self, tank: Tank, moment: Moment) -> dict[str, float | None]:
        """It judges by what lamp and heat believe."""
        return {}

    def _gap(self, tank: Tank, moment: Moment, temperature: float, floor: float | None, gap_ms: int) -> None:
        before = self.last_temperature
        if before is None or floor is None:
            return
        fall = before - temperature
        hours = gap_ms / 3_600_000
        usual = abs(moment.heat.cooling_rate or 0.6)
        natural = 0.15 + 1.8 * usual * hours  # more than that is colder water poured in
        if 0.2 + 0.05 * hours < fall < natural and temperature < floor - 0.1:
            self.standing, self.from_gap, self.gap_ms = True, True, moment.frame.start_ms
            self.recovered_frames = 0
            self.observations = [
                f"no report for {minutes_text(gap_ms / 1000)}",
                f"the water cooled by {fall:.1f} °C meanwhile, below what the heater holds",
            ]

    def _outage(self, moment: Moment, temperature: float, floor: float | None, now: int) -> None:
        out_min = (now - self.out_ms) / MINUTE_MS
        if out_min < 8:
            return
        heater = moment.frame.heater
        start = self.out_temperature
        fallen = start - temperature if start is not None else 0.0
        slope = moment.heat.slope
        if heater is None and self.plug_ms >= 0 and now - self.plug_ms > 8 * MINUTE_MS:
            if abs(self.plug_ms - self.out_ms) > 6 * MINUTE_MS and not moment.lamp.absent:
                return
            seen = "the metering plug on the heater fell silent at the same moment"
        elif heater is not None:
            if self.heater_was < 3 or heater > 3:
                return
            together = self.heater_zero_ms >= 0 and abs(self.heater_zero_ms - self.out_ms) < 3 * MINUTE_MS
            should_heat = floor is not None and temperature < floor - 0.15 and out_min < 240
            if not ((together and out_min > 20 and fallen > 0.1) or (should_heat and fallen > 0.1)):
                return
            seen = "the heater draws nothing although the water cools"
        elif (turned := self._turned(moment)) is not None:
            seen = turned
        else:
            if floor is None or slope is None or slope > -0.06 or out_min < 20:
                return
            usual = moment.heat.cooling_rate
            free = slope < 0.5 * usual if usual is not None else slope < -0.1
            if not (free and out_min < 240 and temperature < floor - 0.15 and fallen > 0.2):
                return
            seen = f"the water cools {slope:+.2f} °C an hour below what the heater holds"
        self.standing, self.from_gap = True, False
        self.recovered_frames = 0
        self.observations = [
            f"the lamp went out {minutes_text(out_min * 60)} ago, within its photoperiod"
            if moment.lamp.out_since_ms >= 0
            else f"the lamp has not come on, {_past(moment, now)} past its time",
            seen,
        ]

    def _turned(self, moment: Moment) -> str | None:
        """Water that was being heated began to cool just when the lamp went, or should have come."""
        lamp_ms = self.out_ms if moment.lamp.out_since_ms >= 0 else moment.lamp.due_ms
        if moment.heat.cooling_rate is None or lamp_ms < 0 or not moment.fifth:
            return None
        if lamp_ms - self.lit_ms > DAY_MS:
            return None  # it was out the day before: its own fault, and nothing new
        turn = self.turns.with_lamp(lamp_ms, moment.heat.cooling_rate)
        if turn is None:
            return None
        apart = minutes_text(abs(turn.time_ms - lamp_ms) / 1000)
        return (
            f"within {apart} of that the water, {turn.celsius:.1f} °C and warming {turn.before:+.2f} °C an "
            f"hour, began to cool by {turn.after:+.2f}"
        )

    def _recovery(self, moment: Moment, temperature: float | None, floor: float | None, now: int) -> None:
        if self.from_gap and now - self.gap_ms > GAP_TOLD_MS:
            self.standing = self.below = False  # reports flow: what is still wrong has another name
            return
        slope = moment.heat.slope
        heater = moment.frame.heater
        if temperature is not None and floor is not None:
            self.below = self.below or temperature < floor - 0.1
            # where it never fell below what the heater holds, being above it says nothing
            warm = (self.below or self.from_gap) and temperature > floor
        else:
            warm = False
        warm = warm or (slope is not None and slope > 0.05) or (heater is not None and heater > 3)
        if moment.lamp.should_be_on and not self.from_gap:
            back = bool(moment.lamp.on)  # lit: the mains is there
        else:
            back = warm and moment.lamp.out_since_ms < 0 and not moment.lamp.absent
        self.recovered_frames = self.recovered_frames + 1 if back else 0
        # so long that the water is seen to warm, and nobody is told of a heater that has only just come back
        if self.recovered_frames >= RECOVERED_MIN:
            self.standing = self.below = False


def _past(moment: Moment, now: int) -> str:
    due = moment.lamp.due_ms
    return minutes_text((now - due) / 1000) if 0 <= due < now else "well"
