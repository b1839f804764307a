"""A lamp that is lit when it should be out: it never went out, was switched on, or stayed on dimmed."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.lamp.drift_numbers import DRIFT
from rushlight.analysis.detectors.lamp.edge import Edge
from rushlight.analysis.detectors.lamp.glows import glows
from rushlight.analysis.detectors.lamp.numbers import PRESENCE, STUCK, TRACKER
from rushlight.analysis.detectors.lamp.room_light import Daylight
from rushlight.analysis.detectors.lamp.schedule import Due
from rushlight.analysis.detectors.lamp.tracker import LampTracker
from rushlight.analysis.estimators.units import MINUTE_MS

__all__ = ["StuckLamp"]


class StuckLamp(msgspec.Struct):
    """State.

    Attributes
    ----------
    found : bool
        It is stuck on.
    lit_since, lit_sharply : int, bool
        When it last came on (ms UTC; −1 before), and whether it did so as a lamp without a ramp does.
    out_total_ms : int
        How long it was out in this photoperiod: a timer that was stopped runs so much later.
    dark_ms : int
        When it was last dark (ms UTC; −1 before).
    unseen_ms : int
        When it was last dark before a gap in which it came on, unseen (ms UTC; −1 before).
    daylight : Daylight
        How bright each hour is while the lamp is out.
    """

    found: bool = False
    lit_since: int = -1
    lit_sharply: bool = False
    out_total_ms: int = 0
    dark_ms: int = -1
    unseen_ms: int = -1
    daylight: Daylight = msgspec.field(default_factory=Daylight)

    def came_on(self, edge: Edge, level: float | None) -> None:
        """It has just been switched on; `level` in lx, None where it is not known."""
        share = edge.size / (level or edge.size)
        self.lit_since = edge.time_ms
        self.lit_sharply = (
            edge.quarter_min < TRACKER.at_once_min and STUCK.sharp_low_share < share < STUCK.sharp_high_share
        )

    def watch(
        self, now: int, minute: float, lux: float, level: float, tracker: LampTracker, due: Due
    ) -> None:
        """One frame at `minute` of the day. O(1), but for the minutes with light at a dark hour."""
        if lux < due.dark_share * level:
            self.dark_ms = now
        if tracker.begun_ms > self.dark_ms > self.lit_since:
            self.unseen_ms = self.dark_ms  # where it is lit now, it came on in a gap
        was, over = self.found, not tracker.lit and due.over
        if tracker.lit:
            self._judge(now, minute, lux, level, tracker, due)
        elif self.found:
            self.found = lux > due.dark_share * level  # until darkness has been seen
        else:
            self.found = over and glows(tracker, level, now, minute, self.dark_ms, self.daylight, due)
        if self.found and not was:
            self.daylight.forget()
        calm = over and not self.found and tracker.values
        self.daylight.add(
            minute, tracker.values[-1] if calm else None, tracker.lapsed
        )  # a spike is no daylight

    def _judge(
        self, now: int, minute: float, lux: float, level: float, tracker: LampTracker, due: Due
    ) -> None:
        """The lamp is lit."""
        if due.lit:
            self.out_total_ms = 0 if due.since_on < STUCK.begin_min else self.out_total_ms
            return
        since_ms = max(self.lit_since, self.unseen_ms)
        lit_ms = now - since_ms if since_ms >= 0 else 0
        if self.found or lux <= PRESENCE.there_share * level or self._may_be_right(lit_ms, due):
            return
        highest = self.daylight.at(minute)
        sure = self.daylight.at(minute, STUCK.sure_days) is not None
        dark_hour = sure and highest is not None and highest < PRESENCE.dim_share * level
        beyond = highest is not None and lux > highest + PRESENCE.dim_share * level
        if lit_ms > due.past_off * MINUTE_MS:  # on since before its time to go out
            self.found = dark_hour or beyond or (highest is None and tracker.still(now))
        elif self.unseen_ms > self.lit_since:  # switched on in a gap
            self.found = (dark_hour or beyond or highest is None) and tracker.still(now)
        else:  # switched on since: a lamp comes at once and stays as it is, where no sun has been seen
            self.found = self.lit_sharply and dark_hour and tracker.still(now)

    def _may_be_right(self, lit_ms: int, due: Due) -> bool:
        """Whether its timer may only be late, or early by drift; or it is lit too shortly to say."""
        held = self.out_total_ms / MINUTE_MS
        wait = max(due.patience_after, due.ramp + due.tolerance + STUCK.extra_min) + max(due.late, held, 0.0)
        # on since the last period ended, it may be the next one's, early
        early = (
            due.to_on < DRIFT.farthest_min and 0 <= lit_ms < min(due.past_off, DRIFT.farthest_min) * MINUTE_MS
        )
        return due.past_off <= wait or early or lit_ms < PRESENCE.still_min * MINUTE_MS
