"""The lamp's own times, learnt day by day, and whether the settings' times were ever among them.

A timer that slips has been right before; settings that were wrong from the first day have not. Only that
tells the two apart, so an edge that once fitted settles it.
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.doubts.numbers import DOUBT, LAMP_HOURS
from rushlight.analysis.detectors.lamp.numbers import TIMER
from rushlight.analysis.detectors.lamp.schedule import (
    DAY_MIN,
    Schedule,
    clock_text,
    minutes_apart,
    schedule_set,
)
from rushlight.analysis.detectors.lamp.tracker import Edge, LampTracker
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import DAY_MS
from rushlight.analysis.findings import Finding

__all__ = ["LampTimes"]


class Switching(msgspec.Struct):
    """One of the two daily switchings: (local day, minute of the day) of every edge of the last days."""

    edges: list[tuple[int, float]] = msgspec.field(default_factory=list)
    fitted: bool = False

    def add(self, day: int, minute: float) -> None:
        self.edges.append((day, minute))
        kept = self.edges[-LAMP_HOURS.kept_edges :]
        self.edges = [edge for edge in kept if edge[0] > day - LAMP_HOURS.kept_days]

    def usual(self) -> tuple[float, int] | None:
        """(minute of the day, days in a row up to the newest) of the edge that comes at one time daily.

        A cloud or a hand makes edges too, but not at one time on three days in a row.
        """
        if not self.edges:
            return None
        newest = self.edges[-1][0]
        best: tuple[float, int] | None = None
        for day, minute in self.edges:
            if day != newest:
                continue
            near: list[float] = []
            days = 0
            while True:
                gaps = [minutes_apart(m, minute) for d, m in self.edges if d == newest - days]
                steady = [gap for gap in gaps if abs(gap) <= TIMER.same_time_min]
                if not steady:
                    break
                near.append(min(steady, key=abs))
                days += 1
            if best is None or days > best[1]:
                best = (minute + median(near)) % DAY_MIN, days
        return best


class LampTimes(msgspec.Struct):
    """What the lamp does by the clock, and the doubt about `light.on` and `light.off`.

    Attributes
    ----------
    mark : str
        The schedule that the evidence is about; another one starts anew.
    since_ms : int
        When light was first seen under it (ms UTC), -1 before.
    told : list of float
        On and off (minutes of the day) that were told as the lamp's own; empty before.
    blind : LampTracker or None
        A tracker that knows of no schedule, where the settings' hours are so wrong that the lamp's own
        tracker never sees it lit.
    """

    mark: str = ""
    since_ms: int = -1
    on: Switching = msgspec.field(default_factory=Switching)
    off: Switching = msgspec.field(default_factory=Switching)
    told: list[float] = msgspec.field(default_factory=list)
    setting: str = ""
    fresh: bool = False
    astray: int = 0
    strays: int = 0
    fitted: list[bool] = msgspec.field(default_factory=list)
    blind: LampTracker | None = None

    @property
    def usual(self) -> tuple[float, float, int] | None:
        """(on, off) in minutes of the day and the days in a row; None before enough of them."""
        on, off = self.on.usual(), self.off.usual()
        if on is None or off is None or min(on[1], off[1]) < DOUBT.least_days:
            return None
        return on[0], off[0], min(on[1], off[1])

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame. O(1), but for the few edges of a day."""
        frame = moment.frame
        light = tank.settings.light
        schedule = schedule_set(light)
        mark = f"{light.on} {light.off}" if light is not None else ""
        if mark != self.mark:
            self.mark, self.since_ms, self.told, self.astray = mark, -1, [], 0
            self.on.fitted = self.off.fitted = False
        if frame.light is None or "light" in moment.probes.faulty:
            return self._finding(moment, schedule, None)
        if self.since_ms < 0:
            self.since_ms = frame.start_ms
        sign, edge_ms, lit = moment.lamp.edge, moment.lamp.edge_ms, moment.lamp.on
        if moment.lamp.level_lx is None and schedule is not None:
            edge = self._blind(moment, frame.light)
            lit = self.blind.lit if self.blind is not None else None
            if edge is not None:
                sign, edge_ms = edge.sign, edge.time_ms
        elif self.blind is not None:
            self.blind = None
        if sign:
            day, minute = tank.clock.local(edge_ms)
            one = self.on if sign > 0 else self.off
            one.add(day, minute)
            if schedule is not None and light is not None:
                error = minutes_apart(minute, schedule[0 if sign > 0 else 1])
                if abs(error) <= light.tolerance_min + LAMP_HOURS.slack_min:
                    one.fitted = True
                self._judge(moment, schedule, sign, minute)
        return self._finding(moment, schedule, lit)

    def _blind(self, moment: Moment, lux: float) -> Edge | None:
        if self.blind is None:
            self.blind = LampTracker()
        if moment.fifth:
            self.blind.learn_blind(moment.day, lux)
        return self.blind.add(moment.frame.start_ms, lux, None)  # the sun's don't come to the minute daily

    def _judge(self, moment: Moment, schedule: Schedule, sign: int, minute: float) -> None:
        if self.told:
            apart = abs(minutes_apart(minute, self.told[0 if sign > 0 else 1]))
            elsewhere = apart > TIMER.same_time_min + LAMP_HOURS.slack_min
            self.strays = self.strays + 1 if elsewhere else 0
            changed = elsewhere and (self.on.fitted, self.off.fitted) != tuple(self.fitted)
            if self.strays >= LAMP_HOURS.strays or changed:
                self.told = []  # no more as it was told: the timer's doing, or the lamp has been set right
                self.on.fitted = self.off.fitted = True
            return
        usual = self.usual
        if usual is None:
            return
        off_by = [minutes_apart(usual[n], schedule[n]) for n in (0, 1)]
        wrong = [abs(error) > LAMP_HOURS.doubt_min for error in off_by]
        if not any(wrong) or moment.frame.start_ms - self.since_ms < DOUBT.least_days * DAY_MS:
            return
        if (wrong[0] and self.on.fitted) or (wrong[1] and self.off.fitted):
            return  # it was right once: that is a timer that slips
        self.told, self.strays = [usual[0], usual[1]], 0
        self.fitted = [self.on.fitted, self.off.fitted]
        self.setting = ", ".join(
            key for key, odd in zip(("light.on", "light.off"), wrong, strict=True) if odd
        )
        self.fresh = True

    def _finding(self, moment: Moment, schedule: Schedule | None, lit: bool | None) -> list[Finding]:
        if not self.told or schedule is None:
            return []
        on, off = self.told
        should = (moment.minute - on) % DAY_MIN < (off - on) % DAY_MIN
        self.astray = self.astray + 1 if lit is not None and lit != should else 0
        explains = ["light-schedule-drift"]
        if self.astray <= LAMP_HOURS.astray_min:
            explains += ["light-missing", "light-stuck-on"]  # else it is out, or on, against its own habit
        off_by = max((minutes_apart(on, schedule[0]), minutes_apart(off, schedule[1])), key=abs)
        finding = Finding(
            alarm="setting-doubtful",
            quantity="light",
            setting=self.setting,
            holding=not self.fresh,
            priority="low",
            value=round(off_by),
            unit="min",
            explains=explains,
            cause="the settings never had this lamp's hours, or its timer's clock has been wrong all along",
            observations=[
                f"the lamp is on from {clock_text(on)} to {clock_text(off)}, "
                f"the same on {DOUBT.least_days} days and more",
                f"the settings have {clock_text(schedule[0])} to {clock_text(schedule[1])}",
            ],
            rule_out="compare the timer's clock with yours and look when the lamp goes on: where the "
            "timer is wrong, set it right and leave the settings",
        )
        self.fresh = False
        return [finding]
