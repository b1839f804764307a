"""Stray current: pH steps that come and go with a mains device."""

from __future__ import annotations

import math
from typing import ClassVar

import msgspec

from rushlight.analysis.detectors.frames import FRAME_MS
from rushlight.analysis.detectors.moment import CurrentFacts, Moment, Tank
from rushlight.analysis.detectors.stray_current.cause import (
    away_back_away,
    by_the_clock,
    follows,
    lately,
    telegraph,
)
from rushlight.analysis.detectors.stray_current.numbers import CURRENT, STEPS
from rushlight.analysis.detectors.stray_current.shaken import leapt_and_shakes, seen
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.units import DAY_MS
from rushlight.analysis.findings import Finding
from rushlight.collector.readings import PH

__all__ = ["StrayCurrentDetector"]

_NOTHING: list[Finding] = []


class StrayCurrentDetector(msgspec.Struct):
    """pH steps that come and go with a mains device: leakage into the water, or a shared earth.

    Chemistry can't step, so up and down steps of one size within minutes of a switching are electrical.
    """

    name: ClassVar[str] = "stray current"
    place: ClassVar[str] = "current"
    alarms: ClassVar[frozenset[str]] = frozenset({"stray-current-suspected"})
    needs: ClassVar[frozenset[str]] = frozenset({"probes", "lamp"})
    recalls: ClassVar[frozenset[str]] = frozenset({"gas"})

    last: list[float] = msgspec.field(default_factory=list)
    last_ms: list[int] = msgspec.field(default_factory=list)
    step_ms: list[int] = msgspec.field(default_factory=list)
    step_size: list[float] = msgspec.field(default_factory=list)
    switch_ms: list[int] = msgspec.field(default_factory=list)
    switch_sign: list[int] = msgspec.field(default_factory=list)
    lamp_ms: list[int] = msgspec.field(default_factory=list)
    lamp_sign: list[int] = msgspec.field(default_factory=list)
    heater_on: bool = False
    noise: float = msgspec.field(default_factory=lambda: STEPS.noise_start_ph)
    after_step: float = 0.0  # pH, once the last step was over
    set_aside: float = 0.0  # readings of the last minutes, fading, while the electrode is restless
    standing: str = ""
    seen: bool = False  # just now; else it lasts until the contrary is seen
    until_ms: int = -1

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; the findings that hold after it."""
        frame = moment.frame
        now = frame.start_ms
        if frame.heater is not None:
            on = frame.heater > CURRENT.heater_on_w
            if on != self.heater_on:
                self.heater_on = on
                self._keep(self.switch_ms, self.switch_sign, now, 1 if on else -1)
        if moment.lamp.edge and (not self.lamp_ms or moment.lamp.edge_ms != self.lamp_ms[-1]):
            self._keep(self.lamp_ms, self.lamp_sign, moment.lamp.edge_ms, moment.lamp.edge)
        restless = "ph" in moment.probes.restless
        if frame.ph is not None and (restless or "ph" not in moment.probes.faulty):
            self._take_back(now, frame.ph)
            count = len(self.step_ms)
            least = 0.0
            if restless:
                # a noisy electrode makes steps of its own: only steps beyond its jitter count
                series = frame.series.get("ph")
                self.set_aside = STEPS.set_aside_share * self.set_aside + (series.suspect if series else 0)
                least = STEPS.restless_times * moment.probes.ph_jitter
                if self.set_aside >= STEPS.set_aside:
                    least = math.inf
            elif self.set_aside:
                self.set_aside = 0.0
            self._steps(now, frame.ph, least, moment.sensor(PH))
            if len(self.step_ms) > count:
                moment.current.step_seen = True
        if moment.fifth:
            self._judge(now, leapt_and_shakes(moment, now))
        if self.step_ms:
            # fades out over a day, so that a step whose counterpart was missed does not stay for ever
            moment.current.ph_stepped = sum(
                size * min(1.0, max(0.0, CURRENT.fade_ms / DAY_MS - (now - t) / DAY_MS))
                for t, size in zip(self.step_ms, self.step_size, strict=True)
            )
            moment.current.step_with_lamp = now - self.step_ms[-1] < CURRENT.photoperiod_ms and any(
                abs(self.step_ms[-1] - edge) < CURRENT.beside_ms for edge in self.lamp_ms
            )
        if not self.standing:
            return _NOTHING
        usual = moment.current.off_by = median([abs(s) for s in self.step_size[-CURRENT.shown :]] or [0.0])
        device = {"heater": "the heater", "lamp": "the lamp"}.get(self.standing, "a mains device")
        return [
            Finding(
                alarm="stray-current-suspected",
                holding=not self.seen,
                priority="critical",
                value=round(usual, 2),
                unit="pH",
                time_left_s=0.0,
                cause=f"mains leaks into the water from {device}: a cracked heater glass, a wet fitting, a "
                "damaged cable; it is a danger to whoever reaches into the tank",
                observations=seen(moment)
                if self.standing == "shaken"
                else [
                    f"{len(self.step_size)} pH steps of about {usual:.2f} in the last hours, up and "
                    "down, each within a minute",
                    f"they come and go with {device}",
                ],
                credible="level" if self.standing == "shaken" else "",
            )
        ]

    def recall(self, moment: Moment) -> None:
        """Steps and switchings as of the frame before: the probe family asks for them."""
        if self.step_ms or self.lamp_ms:
            moment.current_before = CurrentFacts(
                step_ms=self.step_ms, step_size=self.step_size, lamp_ms=self.lamp_ms
            )

    def beliefs(self, tank: Tank, moment: Moment) -> dict[str, float | None]:
        """The pH by steps, where there is any worth leaving out of account."""
        stepped = moment.current.ph_stepped
        return {"ph_stepped": stepped if abs(stepped) > CURRENT.stepped_ph else None}

    @staticmethod
    def _keep(times: list[int], values: list[int], time_ms: int, value: int) -> None:
        times.append(time_ms)
        values.append(value)
        del times[: -CURRENT.switchings_kept]
        del values[: -CURRENT.switchings_kept]

    def _take_back(self, now: int, ph: float) -> None:
        """What falls on as fast was no step, but gas that begins to come, and that is to be judged."""
        if self.step_ms and 0 <= now - self.step_ms[-1] <= STEPS.goes_on_ms + STEPS.seen_after_ms:
            size = self.step_size[-1]
            if size < 0 and ph - self.after_step <= size:
                del self.step_ms[-1], self.step_size[-1]

    def _steps(self, now: int, ph: float, least: float, sensor: Sensor) -> None:
        last, last_ms = self.last, self.last_ms
        last.append(ph)
        last_ms.append(now)
        # two before and two after; where reports come each minute, two between: an electrode lags
        interval_ms = sensor.interval_ms if sensor.interval_ms > FRAME_MS else FRAME_MS
        frames = STEPS.frames if interval_ms <= STEPS.dense_ms else STEPS.frames_rare
        if len(last) < frames:
            return
        if len(last) > frames:
            del last[:-frames], last_ms[:-frames]
        span_ms = now - last_ms[0]
        if span_ms > STEPS.span_ms and span_ms > STEPS.span_intervals * interval_ms:
            return
        # level of the two newest minutes against the two before the middle pair
        oldest, older, newer = last[0], last[1], last[-2]
        before, after = (oldest + older) / 2.0, (newer + ph) / 2.0
        size = after - before
        first, second = abs(oldest - older), abs(newer - ph)
        within = second if second > first else first
        least_ph = STEPS.least_ph
        if -least_ph < size < least_ph:
            seen = within if within < least_ph else least_ph
            self.noise += STEPS.noise_share * (seen - self.noise)
            return
        least = max(STEPS.least_ph, STEPS.noise_times * self.noise, STEPS.least_steps * sensor.step, least)
        if abs(size) < least or within > STEPS.within_share * abs(size):
            return
        # a gas surge is steep too, but it goes on; a step is over within two frames
        apart = 2 if frames == STEPS.frames else 1
        sudden = max(abs(last[index + apart] - last[index]) for index in range(len(last) - apart))
        if sudden < STEPS.sudden_share * abs(size):
            return
        same_ms = max(STEPS.same_ms, STEPS.same_intervals * interval_ms)
        if self.step_ms and now - self.step_ms[-1] < same_ms and size * self.step_size[-1] > 0:
            if abs(size) > abs(self.step_size[-1]):
                self.step_size[-1] = size
            return
        self.step_ms.append(now - max(STEPS.seen_after_ms, round(STEPS.seen_after_intervals * interval_ms)))
        self.step_size.append(size)
        self.after_step = after
        while self.step_ms and (len(self.step_ms) > STEPS.kept or now - self.step_ms[0] > STEPS.kept_ms):
            del self.step_ms[0]
            del self.step_size[0]

    def _judge(self, now: int, shaken: bool = False) -> None:
        cause = self._cause(now) or ("shaken" if shaken else "")
        self.seen = bool(cause)
        if cause:
            self.standing = cause
            self.until_ms = (self.step_ms[-1] if self.step_ms else now) + CURRENT.quiet_ms
        elif self.standing and now >= self.until_ms:
            self.standing = ""
        elif self.standing and self.step_ms:
            self.until_ms = max(self.until_ms, self.step_ms[-1] + CURRENT.quiet_ms)

    def _cause(self, now: int) -> str:
        times, sizes = self.step_ms, self.step_size
        if len(times) < 2:
            return ""
        recent = lately(self.switch_ms, now, CURRENT.lately_ms)  # the heater's metered switching
        if len(recent) >= CURRENT.heater_switchings:
            found = follows(times, sizes, self.switch_ms, self.switch_sign, recent)
            if found >= CURRENT.heater_switchings:
                return "heater"
        recent = lately(self.lamp_ms, now, CURRENT.lamp_lately_ms)
        if len(recent) >= CURRENT.lamp_switchings:
            newest = recent[-CURRENT.lamp_newest :]
            if follows(times, sizes, self.lamp_ms, self.lamp_sign, newest) >= CURRENT.lamp_switchings:
                return "lamp"
        # nothing metered
        fresh = now - times[-1] < CURRENT.fresh_ms
        if by_the_clock(times, sizes) or (fresh and away_back_away(times, sizes)):
            return "device"
        window = [s for t, s in zip(times, sizes, strict=True) if now - t < CURRENT.lately_ms]
        return "device" if telegraph(window) else ""
