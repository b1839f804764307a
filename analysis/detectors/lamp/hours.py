"""The hours by which the lamp is judged: of the settings, its own, or those that it keeps by habit."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.lamp.numbers import TIMER
from rushlight.analysis.detectors.lamp.schedule import Schedule, schedule_set
from rushlight.analysis.detectors.moment import Tank
from rushlight.analysis.estimators.robust import median

__all__ = ["LampHours"]


class LampHours(msgspec.Struct):
    """State.

    Attributes
    ----------
    own : list of float
        The lamp's own on and off (minutes of the day) where those of the settings are in doubt; else empty.
    judged : list of float
        On and off that the state of the family is about; empty before.
    habit : list of float
        On and off as seen, where the settings have neither; empty before they are known.
    learnt_on, learnt_off : list of float
        Minutes of the day at which it came on and went out, with no schedule known.
    """

    own: list[float] = msgspec.field(default_factory=list)
    judged: list[float] = msgspec.field(default_factory=list)
    habit: list[float] = msgspec.field(default_factory=list)
    learnt_on: list[float] = msgspec.field(default_factory=list)
    learnt_off: list[float] = msgspec.field(default_factory=list)

    def schedule(self, tank: Tank) -> Schedule | None:
        """On and off by which the lamp is judged; None where they are not known."""
        if self.own:
            return self.own[0], self.own[1]
        settings = schedule_set(tank.settings.light)
        if settings is not None:
            return settings
        return (self.habit[0], self.habit[1]) if self.habit else None

    def changed(self, schedule: Schedule | None) -> bool:
        """Whether those hours are others than before, where there were some."""
        hours = [] if schedule is None else list(schedule)
        before, self.judged = self.judged, hours
        return bool(before) and hours != before

    def learn(self, sign: int, minute: float) -> None:
        """A switching (+1 on, −1 off) with no schedule known."""
        kept = self.learnt_on if sign > 0 else self.learnt_off
        kept.append(minute)
        del kept[: -TIMER.kept_habit]
        on, off = _habit(self.learnt_on), _habit(self.learnt_off)
        self.habit = [] if on is None or off is None else [on, off]


def _habit(minutes: list[float]) -> float | None:
    """The time at which most of the edges came; None where there is none yet."""
    best: list[float] = []
    for one in minutes:
        near = [other for other in minutes if abs(other - one) <= TIMER.same_time_min]
        best = near if len(near) > len(best) else best
    enough = len(best) >= max(TIMER.habit_edges, TIMER.habit_share * len(minutes))
    return median(best) if enough else None
