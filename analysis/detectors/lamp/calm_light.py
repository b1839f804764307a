"""Light that goes on as it was, kept until the next look at it."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.lamp.numbers import TRACKER
from rushlight.analysis.detectors.lamp.tracker import LampTracker
from rushlight.analysis.detectors.moment import LampFacts, Moment
from rushlight.analysis.estimators.units import MINUTE_MS

__all__ = ["WaitingLight"]


class WaitingLight(msgspec.Struct):
    """State.

    Attributes
    ----------
    values : list of float
        The light of the minutes since the last look, lx.
    low_lx, high_lx : float
        Light between these is as it was then. None is, where the next minute matters.
    until_ms : int
        When the schedule's next switching is due (ms UTC).
    due_ms, should_be_on
        As in `LampFacts`, at the last look.
    """

    values: list[float] = msgspec.field(default_factory=list)
    low_lx: float = 0.0
    high_lx: float = -1.0
    until_ms: int = -1
    due_ms: int = -1
    should_be_on: bool | None = None

    def goes_on(self, moment: Moment, lux: float, tracker: LampTracker, hours: list[float]) -> bool:
        """Whether light is as it was at the last look, with no minute missing and no switching due.

        `hours` are the lamp's own by which it was looked at.
        """
        now = moment.frame.start_ms
        return (
            self.low_lx <= lux <= self.high_lx
            and now < self.until_ms
            and now - tracker.raw_ms[-1] == (len(self.values) + 1) * MINUTE_MS
            and list(moment.doubts_before.lamp_hours) == hours
        )

    def looked(self, facts: LampFacts, lux: float | None, tracker: LampTracker) -> None:
        """What the look has shown; `lux` None where the next minute matters, whatever it brings."""
        self.due_ms, self.should_be_on = facts.due_ms, facts.should_be_on
        self.low_lx, self.high_lx = 0.0, -1.0
        stirs = TRACKER.stirs_share * (facts.level_lx or 0.0)
        # three of a kind: an edge shows a minute late
        if lux is not None and max(tracker.raw) - min(tracker.raw) <= stirs:
            self.low_lx, self.high_lx = lux - stirs, lux + stirs
