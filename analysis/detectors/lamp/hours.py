"""The hours by which the lamp is judged: of the settings, its own, or those that it keeps by habit."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.lamp.numbers import TIMER
from rushlight.analysis.detectors.lamp.schedule import (
    DAY_MIN,
    Schedule,
    flat,
    is_weekend,
    minutes_apart,
    pairs,
    schedule_of,
    schedule_set,
)
from rushlight.analysis.detectors.moment import Tank
from rushlight.analysis.estimators.robust import median

__all__ = ["LampHours", "paired"]


class LampHours(msgspec.Struct):
    """State; on, off, on, off … are minutes of the day, by period.

    Attributes
    ----------
    own : list of float
        The lamp's own on and off where those of the settings are in doubt; else empty.
    judged : list of float
        On and off that the state of the family is about, of working days and weekends; empty before.
    habit : list of float
        On and off as seen on working days, where the settings have none; empty before they are known.
    habit_day : int
        The local day on which that was known.
    weekend : list of float
        The same for Saturdays and Sundays; empty before one of them was seen to be as the habit, or two to
        have hours of their own. What was learnt on working days says nothing of the first weekend.
    learnt_on, learnt_off : list of float
        When it came on and went out with no schedule known, minutes since 1970 by the local clock.
    """

    own: list[float] = msgspec.field(default_factory=list)
    judged: list[float] = msgspec.field(default_factory=list)
    habit: list[float] = msgspec.field(default_factory=list)
    habit_day: int = -1
    weekend: list[float] = msgspec.field(default_factory=list)
    learnt_on: list[float] = msgspec.field(default_factory=list)
    learnt_off: list[float] = msgspec.field(default_factory=list)

    def schedule(self, tank: Tank) -> Schedule | None:
        """The hours by which the lamp is judged; None where they are not known."""
        light = tank.settings.light
        if self.own:
            return schedule_of(pairs(self.own), light)
        settings = schedule_set(light)
        if settings is not None:
            return settings
        if not self.habit:
            return None
        return pairs(self.habit), pairs(self.weekend or self.habit)

    def judges(self, tank: Tank, day: int) -> bool:
        """Whether those hours say anything of that local day; of the first weekend they don't yet."""
        first = is_weekend(day) and not self.weekend and day - self.habit_day <= TIMER.weekend_d
        return not (first and self.by_habit(tank))

    def changed(self, schedule: Schedule | None) -> bool:
        """Whether those hours are others than before, where there were some."""
        hours = [] if schedule is None else list(flat(schedule))
        before, self.judged = self.judged, hours
        return bool(before) and hours != before

    def learn(self, sign: int, day: int, minute: float) -> None:
        """A switching (+1 on, −1 off) with no schedule known, on that local day."""
        kept = self.learnt_on if sign > 0 else self.learnt_off
        at = day * DAY_MIN + minute
        if kept and abs(at - kept[-1]) < TIMER.same_time_min:
            return  # the same one, seen again
        kept.append(at)
        while len(kept) > TIMER.kept_habit or kept[-1] - kept[0] > TIMER.kept_habit_d * DAY_MIN:
            del kept[0]
        ons, offs = self._habits(weekend=False)
        seen = paired(ons, offs) or ([*ons[:1], *offs[:1]] if ons and offs else [])
        # once known it only gains periods: a timer that slips must not take it along
        lit = sum((off - on) % DAY_MIN for on, off in pairs(seen))
        if len(seen) > len(self.habit) and lit <= TIMER.longest_habit_min:
            self.habit, self.habit_day, self.weekend = seen, day, []
        elif self.habit and not self.weekend and is_weekend(day):
            self.weekend = self._weekend(day)

    def _weekend(self, day: int) -> list[float]:
        """The hours of weekends as far as seen, up to that one's `day`; empty where that says nothing."""
        of_day = [
            [at % DAY_MIN for at in seen if at // DAY_MIN == day]
            for seen in (self.learnt_on, self.learnt_off)
        ]
        today = paired(*of_day)
        if len(today) == len(self.habit) and all(
            abs(minutes_apart(at, usual)) <= TIMER.same_time_min
            for at, usual in zip(today, self.habit, strict=True)
        ):
            return list(self.habit)
        return paired(*self._habits(weekend=True))

    def _habits(self, weekend: bool) -> tuple[list[float], list[float]]:
        """When it comes on, and goes out, on most working days or weekends."""
        ons, offs = (
            _habits([at for at in seen if is_weekend(int(at // DAY_MIN)) is weekend])
            for seen in (self.learnt_on, self.learnt_off)
        )
        return ons, offs

    def by_habit(self, tank: Tank) -> bool:
        """Whether there are no hours but those that were seen."""
        return not self.own and schedule_set(tank.settings.light) is None


def paired(ons: list[float], offs: list[float]) -> list[float]:
    """On, off, on, off … of those minutes of the day; empty where they don't take turns."""
    edges = sorted([(minute, 1) for minute in ons] + [(minute, -1) for minute in offs])
    if edges and edges[0][1] < 0:
        edges = [*edges[1:], edges[0]]  # its evening goes past midnight
    signs = [sign for _, sign in edges]
    return [minute for minute, _ in edges] if signs == [1, -1] * (len(edges) // 2) else []


def _habits(seen: list[float]) -> list[float]:
    """The times of the day at which edges came on most days, the most usual first."""
    days = len({at // DAY_MIN for at in seen})
    left, found = list(seen), list[float]()
    while left:
        best: list[float] = []
        for one in left:
            near = [other for other in left if abs(minutes_apart(other, one)) <= TIMER.same_time_min]
            best = near if len(near) > len(best) else best
        on_days = len({at // DAY_MIN for at in best})
        least = TIMER.further_days if found else TIMER.habit_days
        if on_days < max(least, TIMER.habit_share * days):
            break
        around = best[0]
        found.append((around + median([minutes_apart(at, around) for at in best])) % DAY_MIN)
        left = [at for at in left if at not in best]
    return found
