"""The lamp's own times, learnt day by day, and whether the settings' times were ever among them.

A timer that slips has been right before; settings that were wrong from the first day have not. Only
that separates the two, so an edge that once fitted settles it.
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.doubts.numbers import DOUBT, LAMP_HOURS
from rushlight.analysis.detectors.lamp.edge import Edge
from rushlight.analysis.detectors.lamp.hours import paired
from rushlight.analysis.detectors.lamp.numbers import TIMER, TRACKER
from rushlight.analysis.detectors.lamp.schedule import (
    DAY_MIN,
    Hours,
    Schedule,
    hours_text,
    is_weekend,
    minutes_apart,
    pairs,
    period_at,
    schedule_of,
    schedule_set,
    week_text,
)
from rushlight.analysis.detectors.lamp.tracker import LampTracker
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import DAY_MS
from rushlight.analysis.findings import Finding
from rushlight.collector.settings import LightSettings

__all__ = ["LampTimes"]


class Switching(msgspec.Struct):
    """Coming on, or going out: (local day, minute of the day) of every edge of the last days.

    `fitted` are the minutes of the settings at which one was seen.
    """

    edges: list[tuple[int, float]] = msgspec.field(default_factory=list)
    fitted: list[float] = msgspec.field(default_factory=list)

    def add(self, day: int, minute: float) -> None:
        self.edges.append((day, minute))
        kept = self.edges[-LAMP_HOURS.kept_edges :]
        self.edges = [edge for edge in kept if edge[0] > day - LAMP_HOURS.kept_days]

    def seen(self, day: int, minute: float) -> bool:
        """Whether there was one on that day, at that time of it."""
        return any(
            one == day and abs(minutes_apart(at, minute)) <= TIMER.same_time_min for one, at in self.edges
        )

    def usual(self, weekend_too: bool, apart_min: float) -> list[tuple[float, int]]:
        """(minute of the day, days in a row up to the newest) of each that comes at one time daily.

        `apart_min`: so far apart they are one switching. A cloud or a hand makes edges too, but not at one
        time on three days in a row; where clouds make many, on more (`_chance`). The weekend is left out
        where it has hours of its own.
        """
        edges = [edge for edge in self.edges if weekend_too or not is_weekend(edge[0])]
        if not edges:
            return []
        newest = max(day for day, _ in edges)
        latest = max(minute for day, minute in edges if day == newest)
        found: list[tuple[float, int]] = []
        for day, minute in edges:
            # what is not due yet on the newest day counts up to the day before
            early = day == _before(newest, weekend_too) and minute > latest + apart_min
            known = any(abs(minutes_apart(minute, one)) <= apart_min for one, _ in found)
            if known or not (day == newest or early):
                continue
            near: list[float] = []
            others: list[int] = []
            while True:
                gaps = [minutes_apart(m, minute) for d, m in edges if d == day]
                steady = [gap for gap in gaps if abs(gap) <= apart_min]
                if not steady:
                    break
                near.append(min(steady, key=abs))
                others.append(len(gaps) - 1)
                day = _before(day, weekend_too)
            if _chance(others, apart_min) <= LAMP_HOURS.chance:
                found.append(((minute + median(near)) % DAY_MIN, len(near)))
        return sorted(found, key=lambda one: -one[1])


def _chance(others: list[int], apart_min: float) -> float:
    """How many rows of so many days clouds alone would make; expected.

    `others`: how many edges beside the row's own each of its days has. They fall anywhere in a day's light:
    each begins a row, and one goes on if the next day's fall within `apart_min` of it. Their mean counts: the
    newest day has only begun.
    """
    count = sum(others) / len(others)
    goes_on = min(1.0, count * 2 * apart_min / LAMP_HOURS.daylight_min)
    return float(count * goes_on ** (len(others) - 1))


def _before(day: int, weekend_too: bool) -> int:
    """The local day before, of those that count."""
    day -= 1
    while not weekend_too and is_weekend(day):
        day -= 1
    return day


class LampTimes(msgspec.Struct):
    """What the lamp does by the clock, and the doubt about `light.on` and `light.off`.

    Attributes
    ----------
    mark : str
        The schedule that the evidence is about; another one starts anew.
    since_ms : int
        When light was first seen under it (ms UTC), -1 before.
    told : list of float
        On, off, on, off … (minutes of the day) that were reported as the lamp's own; empty before.
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
    fitted: list[int] = msgspec.field(default_factory=list)
    blind: LampTracker | None = None

    def usual(self, weekend_too: bool = True, periods: int = 0, ramp_min: float = 0.0) -> Hours:
        """The lamp's periods on the last days, three and more; empty before.

        `periods`: how many, 0: any; `ramp_min`: what blurs its switchings.
        """
        apart_min = TIMER.same_time_min + TIMER.set_ramp_share * ramp_min
        ons, offs = (
            [minute for minute, days in one.usual(weekend_too, apart_min) if days >= DOUBT.least_days]
            for one in (self.on, self.off)
        )
        found = pairs(paired(ons, offs))
        if periods == 1 and len(found) != 1 and ons and offs:
            return ((ons[0], offs[0]),)
        return found

    def matters(self, moment: Moment) -> bool:
        """Whether this frame can't wait for the next look."""
        return bool(moment.lamp.edge or self.told) or moment.lamp.level_lx is None

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame. O(1), but for the few edges of a day."""
        frame = moment.frame
        light = tank.settings.light
        schedule = schedule_set(light)
        mark = "" if schedule is None else week_text(schedule)
        if mark != self.mark:
            self.mark, self.since_ms, self.told, self.astray = mark, -1, [], 0
            self.on.fitted, self.off.fitted = [], []
        if frame.light is None or "light" in moment.probes.faulty:
            return self._finding(moment, schedule, None, light)
        if self.since_ms < 0:
            self.since_ms = frame.start_ms
        sign, edge_ms, lit = moment.lamp.edge, moment.lamp.edge_ms, moment.lamp.on
        surely = moment.lamp.clear
        if moment.lamp.level_lx is None and schedule is not None:
            edge, surely = self._blind(moment, frame.light)
            lit = self.blind.lit if self.blind is not None else None
            if edge is not None:
                sign, edge_ms = edge.sign, edge.time_ms
        else:
            self.blind = None
        if sign:
            day, minute = tank.clock.local(edge_ms)
            one = self.on if sign > 0 else self.off
            surely = surely or one.seen(day - 1, minute)
            one.add(day, minute)
            own_weekend = light is not None and light.weekend is not None
            if schedule is not None and light is not None and not (own_weekend and is_weekend(day)):
                for due in _edges(schedule[0], sign):
                    near = abs(minutes_apart(minute, due)) <= light.tolerance_min + LAMP_HOURS.slack_min
                    if near and surely and due not in one.fitted:
                        one.fitted.append(due)
                if surely or not self.told:  # a cloud's edge is no sign that it is over
                    self._judge(moment, schedule[0], light, sign, minute)
        return self._finding(moment, schedule, lit, light)

    def _blind(self, moment: Moment, lux: float) -> tuple[Edge | None, bool]:
        """The edge that a tracker without a schedule sees, and whether it is surely the lamp's."""
        tracker = self.blind
        if tracker is None:
            tracker = self.blind = LampTracker()
        if moment.fifth:
            tracker.learn_blind(moment.day, lux)
        edge = tracker.add(moment.frame.start_ms, lux, None)  # the sun's don't come to the minute daily
        if edge is None:
            return None, False
        if edge.sign < 0 and tracker.values[-1] > TRACKER.lit_share * (tracker.level() or 0.0):
            tracker.lit = True  # the sun went, the lamp is still there
            return None, False
        surely = tracker.clear(edge)
        if surely:
            tracker.learn_edge(edge)
        return edge, surely

    def _judge(self, moment: Moment, hours: Hours, light: LightSettings, sign: int, minute: float) -> None:
        seen = [len(self.on.fitted), len(self.off.fitted)]
        if self.told:
            told = self.told[0 if sign > 0 else 1 :: 2]
            apart = min(abs(minutes_apart(minute, one)) for one in told)
            elsewhere = apart > TIMER.same_time_min + LAMP_HOURS.slack_min
            self.strays = self.strays + 1 if elsewhere else 0
            if self.strays >= LAMP_HOURS.strays or (elsewhere and seen != self.fitted):
                self.told = []  # no longer as reported: the timer's doing, or the lamp has been set right
                self.on.fitted, self.off.fitted = (_edges(hours, one) for one in (1, -1))
            return
        if moment.frame.start_ms - self.since_ms < DOUBT.least_days * DAY_MS:
            return
        usual = self.usual(light.weekend is None, len(hours), light.ramp_min or 0.0)
        if not usual:
            return
        wrong = [_astray(hours, usual, one) for one in (1, -1)]
        if not any(wrong):
            return
        if any(due in self.on.fitted for due in wrong[0]) or any(due in self.off.fitted for due in wrong[1]):
            return  # it was right once: that is a timer that slips
        self.told, self.strays = [minute for period in usual for minute in period], 0
        self.fitted = seen
        keys = [key for key, odd in zip(("light.on", "light.off"), wrong, strict=True) if odd]
        self.setting = ", ".join(keys) if light.periods is None else "light.periods"
        self.fresh = True

    def _finding(
        self, moment: Moment, schedule: Schedule | None, lit: bool | None, light: LightSettings | None
    ) -> list[Finding]:
        if not self.told or schedule is None:
            return []
        own = pairs(self.told)
        period, _ = period_at(schedule_of(own, light), moment.day, moment.minute)
        should = period.inside(moment.minute, -1)
        self.astray = self.astray + 1 if lit is not None and lit != should else 0
        explains = ["light-schedule-drift"]
        if self.astray <= LAMP_HOURS.astray_min:
            explains += ["light-missing", "light-stuck-on"]  # else it is out, or on, against its own habit
        off_by = max((_off_by(schedule[0], own, sign) for sign in (1, -1)), key=abs)
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
                f"the lamp is on from {hours_text(own)}, the same on {DOUBT.least_days} days and more",
                f"the settings have {hours_text(schedule[0])}",
            ],
            rule_out="compare the timer's clock with yours and look when the lamp goes on: where the "
            "timer is wrong, set it right and leave the settings",
        )
        self.fresh = False
        return [finding]


def _edges(hours: Hours, sign: int) -> list[float]:
    """When it comes on (+1) or goes out (−1), minutes of the day."""
    return [period[0 if sign > 0 else 1] for period in hours]


def _gap(due: float, usual: Hours, sign: int) -> float:
    """From a switching of the settings to the nearest that is seen daily, minutes."""
    return min((minutes_apart(one, due) for one in _edges(usual, sign)), key=abs)


def _astray(hours: Hours, usual: Hours, sign: int) -> list[float]:
    """The switchings of the settings that the lamp makes nowhere near."""
    return [due for due in _edges(hours, sign) if abs(_gap(due, usual, sign)) > LAMP_HOURS.doubt_min]


def _off_by(hours: Hours, usual: Hours, sign: int) -> float:
    """How far the settings are off at the worst of their switchings, minutes."""
    return max((_gap(due, usual, sign) for due in _edges(hours, sign)), key=abs)
