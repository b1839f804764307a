"""Stray current: pH steps that come and go with a mains device."""

from __future__ import annotations

import itertools
from typing import ClassVar

import msgspec

from rushlight.analysis.detectors.moment import CurrentFacts, Moment, Tank
from rushlight.analysis.detectors.patience import PATIENCE
from rushlight.analysis.estimators.jitter import Jitter
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import DAY_MS, MINUTE_MS
from rushlight.analysis.findings import Finding

__all__ = ["StrayCurrentDetector", "explains"]

BESIDE_MS = 6 * MINUTE_MS  # a step so near a switching belongs to it
PHOTOPERIOD_MS = 16 * 60 * MINUTE_MS  # a lamp switches back within it
CYCLE_MS = 5 * 60 * MINUTE_MS  # and a thermostat within this, common practice, no source
FRESH_MS = 90 * MINUTE_MS  # so long after a step it is being seen
STEPPED_PH = 0.06  # less is left out of account
QUIET_MS = 30 * 60 * MINUTE_MS  # a whole day of the lamp and some: so long without a step, it has ended


class StrayCurrentDetector(msgspec.Struct):
    """pH steps that come and go with a mains device: leakage into the water, or a shared earth.

    Chemistry can't step, so up and down steps of one size within minutes of a switching are electrical.
    """

    name: ClassVar[str] = "stray current"
    place: ClassVar[str] = "current"
    alarms: ClassVar[frozenset[str]] = frozenset({"stray-current-suspected"})
    needs: ClassVar[frozenset[str]] = frozenset({"probes", "lamp"})
    recalls: ClassVar[frozenset[str]] = frozenset()

    last: list[float] = msgspec.field(default_factory=list)
    last_ms: list[int] = msgspec.field(default_factory=list)
    step_ms: list[int] = msgspec.field(default_factory=list)
    step_size: list[float] = msgspec.field(default_factory=list)
    switch_ms: list[int] = msgspec.field(default_factory=list)
    switch_sign: list[int] = msgspec.field(default_factory=list)
    lamp_ms: list[int] = msgspec.field(default_factory=list)
    lamp_sign: list[int] = msgspec.field(default_factory=list)
    heater_on: bool = False
    noise: float = 0.01
    set_aside: float = 0.0  # readings of the last minutes, fading, while the electrode is restless
    standing: str = ""
    seen: bool = False  # just now; else it stands until the contrary is seen
    until_ms: int = -1

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; the findings that stand after it."""
        frame = moment.frame
        now = frame.start_ms
        if frame.heater is not None:
            on = frame.heater > 3.0
            if on != self.heater_on:
                self.heater_on = on
                self._keep(self.switch_ms, self.switch_sign, now, 1 if on else -1)
        if moment.lamp.edge and (not self.lamp_ms or moment.lamp.edge_ms != self.lamp_ms[-1]):
            self._keep(self.lamp_ms, self.lamp_sign, moment.lamp.edge_ms, moment.lamp.edge)
        if frame.ph is not None and ("ph" not in moment.probes.faulty or "ph" in moment.probes.restless):
            count = len(self.step_ms)
            least = 0.0
            if "ph" in moment.probes.restless:
                # a noisy electrode makes steps of its own: only what stands out of its jitter counts
                series = frame.series.get("ph")
                self.set_aside = 0.8 * self.set_aside + (series.suspect if series else 0)
                least = 4.5 * moment.probes.ph_jitter if self.set_aside < 2 else 99.0
            else:
                self.set_aside = 0.0
            self._steps(now, frame.ph, least)
            moment.current.step_seen = len(self.step_ms) > count
        if moment.fifth:
            self._judge(now)
        if self.step_ms:
            # fades out over a day, so that a step whose counterpart was missed does not stay for ever
            moment.current.ph_stepped = sum(
                size * min(1.0, max(0.0, 1.5 - (now - t) / DAY_MS))
                for t, size in zip(self.step_ms, self.step_size, strict=True)
            )
            moment.current.step_with_lamp = now - self.step_ms[-1] < PATIENCE.with_lamp_ms and any(
                abs(self.step_ms[-1] - edge) < BESIDE_MS for edge in self.lamp_ms
            )
        if not self.standing:
            return []
        sizes = [abs(s) for s in self.step_size[-6:]] or [0.0]
        device = {"heater": "the heater", "lamp": "the lamp"}.get(self.standing, "a mains device")
        return [
            Finding(
                alarm="stray-current-suspected",
                holding=not self.seen,
                priority="critical",
                value=round(median(sizes), 2),
                unit="pH",
                time_left_s=0.0,
                cause=f"mains leaks into the water from {device}: a cracked heater glass, a wet fitting, a "
                "damaged cable; it is a danger to whoever reaches into the tank",
                observations=[
                    f"{len(self.step_size)} pH steps of about {median(sizes):.2f} in the last hours, up and "
                    "down, each within a minute",
                    f"they come and go with {device}",
                ],
            )
        ]

    def recall(self, moment: Moment) -> None:
        """Steps and switchings as of the frame before: the probe family asks for them."""
        moment.current_before = CurrentFacts(
            step_ms=self.step_ms, step_size=self.step_size, lamp_ms=self.lamp_ms
        )

    def beliefs(self, tank: Tank, moment: Moment) -> dict[str, float | None]:
        """The pH by steps, where there is any worth leaving out of account."""
        stepped = moment.current.ph_stepped
        return {"ph_stepped": stepped if abs(stepped) > STEPPED_PH else None}

    @staticmethod
    def _keep(times: list[int], values: list[int], time_ms: int, value: int) -> None:
        times.append(time_ms)
        values.append(value)
        del times[:-16]
        del values[:-16]

    def _steps(self, now: int, ph: float, least: float) -> None:
        last, last_ms = self.last, self.last_ms
        last.append(ph)
        last_ms.append(now)
        if len(last) < 6:
            return
        if len(last) > 6:
            del last[0]
            del last_ms[0]
        if last_ms[-1] - last_ms[0] > 12 * MINUTE_MS:
            return
        # level of the two newest minutes against the two before the middle pair
        before = (last[0] + last[1]) / 2
        after = (last[4] + last[5]) / 2
        size = after - before
        within = max(abs(last[0] - last[1]), abs(last[4] - last[5]))
        if abs(size) < 0.05:
            self.noise += 0.02 * (min(within, 0.05) - self.noise)
        if abs(size) < max(0.05, 5 * self.noise, least) or within > 0.3 * abs(size):
            return
        # a gas surge is steep too, but it goes on; a step is over within two frames
        sudden = max(abs(last[index + 2] - last[index]) for index in range(4))
        if sudden < 0.8 * abs(size):
            return
        if self.step_ms and now - self.step_ms[-1] < 9 * MINUTE_MS and size * self.step_size[-1] > 0:
            if abs(size) > abs(self.step_size[-1]):
                self.step_size[-1] = size
            return
        self.step_ms.append(now - 3 * MINUTE_MS)
        self.step_size.append(size)
        while self.step_ms and (len(self.step_ms) > 40 or now - self.step_ms[0] > 36 * 60 * MINUTE_MS):
            del self.step_ms[0]
            del self.step_size[0]

    def _judge(self, now: int) -> None:
        cause = self._cause(now)
        self.seen = bool(cause)
        if cause:
            self.standing = cause
            self.until_ms = self.step_ms[-1] + QUIET_MS
        elif self.standing and now >= self.until_ms:
            self.standing = ""
        elif self.standing and self.step_ms:
            self.until_ms = max(self.until_ms, self.step_ms[-1] + QUIET_MS)

    def _cause(self, now: int) -> str:
        times, sizes = self.step_ms, self.step_size
        if len(times) < 2:
            return ""
        # steps that follow the heater's metered switching
        recent = [
            i for i, t in enumerate(self.switch_ms) if now - t < 12 * 60 * MINUTE_MS and now - t > BESIDE_MS
        ]
        if len(recent) >= 3 and self._follows(self.switch_ms, self.switch_sign, recent) >= 3:
            return "heater"
        lamp = [
            i for i, t in enumerate(self.lamp_ms) if now - t < 30 * 60 * MINUTE_MS and now - t > BESIDE_MS
        ]
        if len(lamp) >= 2 and self._follows(self.lamp_ms, self.lamp_sign, lamp[-4:]) >= 2:
            return "lamp"
        # nothing metered: a telegraph of alternating steps of one size is electrical all the same
        if _by_the_clock(times, sizes) or (
            now - times[-1] < FRESH_MS and _away_back_away(times[-3:], sizes[-3:])
        ):
            return "device"
        window = [s for t, s in zip(times, sizes, strict=True) if now - t < 12 * 60 * MINUTE_MS]
        if len(window) < 4:
            return ""
        size = median([abs(s) for s in window])
        if len(window) < 5 and size < 0.12:
            return ""
        alike = [s for s in window if 0.6 * size < abs(s) < 1.5 * size]
        turns = sum(1 for a, b in itertools.pairwise(alike) if a * b < 0)
        if len(alike) >= max(4, 0.7 * len(window)) and turns >= 0.75 * (len(alike) - 1):
            return "device"
        return ""

    def _follows(self, switches: list[int], signs: list[int], recent: list[int]) -> int:
        """How many of the switchings have a pH step beside them, all of one size and sense (0: too few)."""
        found: list[float] = []
        for index in recent:
            near = [
                size * signs[index]
                for t, size in zip(self.step_ms, self.step_size, strict=True)
                if abs(t - switches[index]) <= BESIDE_MS
            ]
            if near:
                found.append(max(near, key=abs))
        if len(found) < 2 or len(found) < 0.7 * len(recent):
            return 0
        size = median(found)
        alike = [f for f in found if 0.5 < f / size < 2.0]
        return len(alike) if len(alike) >= 0.8 * len(found) else 0


def _away_back_away(times: list[int], sizes: list[float]) -> bool:
    """Three large steps of one size, up and down, that each lasted.

    Hands, a rinse or a calibration take an electrode out and back within the half-hour and not by one size.
    """
    if len(sizes) != 3 or not 30 * MINUTE_MS <= times[2] - times[0] <= 26 * 60 * MINUTE_MS:
        return False
    size = median([abs(one) for one in sizes])
    lasted = all(b - a > 12 * MINUTE_MS for a, b in itertools.pairwise(times))
    alike = all(0.8 * size < abs(one) < 1.25 * size for one in sizes)
    return size >= 0.25 and lasted and alike and sizes[0] * sizes[1] < 0 and sizes[1] * sizes[2] < 0


def _by_the_clock(times: list[int], sizes: list[float]) -> bool:
    """The newest step came a day before too, the same way and as large, and was taken back in between."""
    size, time_ms = sizes[-1], times[-1]
    for index in range(len(times) - 2, -1, -1):
        if abs(time_ms - times[index] - DAY_MS) <= 10 * MINUTE_MS and 0.75 < sizes[index] / size < 1.33:
            return any(0.65 < -back / size < 1.5 for back in sizes[index + 1 : -1])
    return False


def explains(facts: CurrentFacts, jitter: Jitter, now: int) -> bool:
    """Whether the electrode's jitter may come with a device: it waits for the device to switch back.

    So where a step that stands out of the jitter came before it, or where it began with the lamp.
    """
    if any(
        abs(size) > 4 * jitter.level and now < _back_by(facts, t)
        for t, size in zip(facts.step_ms, facts.step_size, strict=True)
    ):
        return True
    since = jitter.since_ms
    return jitter.restless > 0 and any(
        abs(since - edge) <= 25 * MINUTE_MS and now < _back_by(facts, edge) for edge in facts.lamp_ms
    )


def _back_by(facts: CurrentFacts, time_ms: int) -> int:
    """When a device that switched at that time will have switched back, and the jitter have shown it."""
    by = time_ms + CYCLE_MS
    if not facts.lamp_ms:
        return by
    back = next((edge for edge in facts.lamp_ms if edge > time_ms + BESIDE_MS), None)
    return max(by, time_ms + PHOTOPERIOD_MS if back is None else back + 50 * MINUTE_MS)
