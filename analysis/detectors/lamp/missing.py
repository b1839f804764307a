"""A lamp that is out when it should be lit: it went out, or it never came."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.lamp.drift_numbers import DRIFT
from rushlight.analysis.detectors.lamp.numbers import MISSING, PRESENCE, TRACKER
from rushlight.analysis.detectors.lamp.schedule import Due
from rushlight.analysis.detectors.lamp.tracker import LampTracker
from rushlight.analysis.estimators.units import MINUTE_MS

__all__ = ["MissingLamp"]


class MissingLamp(msgspec.Struct):
    """State.

    Attributes
    ----------
    found : bool
        It is missing.
    out_since : int
        When it went out within its photoperiod (ms UTC), −1 otherwise.
    left_ms : int
        When it last went out as early as it had come (ms UTC): a timer that is off, no lamp that failed.
    bright_minutes, dark_minutes, back_minutes : int
        In a row so far: as bright as the lamp, dark, and of light again after it was missed.
    """

    found: bool = False
    out_since: int = -1
    left_ms: int = -1
    bright_minutes: int = 0
    dark_minutes: int = 0
    back_minutes: int = 0

    def gap(self) -> None:
        """No reading in this frame."""
        self.bright_minutes = self.dark_minutes = 0

    def anew(self) -> None:
        """Other hours to judge by."""
        self.found, self.out_since = False, -1
        self.gap()

    def watch_unknown(self, lux: float, lapsed: int, due: Due) -> None:
        """One frame of a lamp never seen lit: well into the photoperiod it is missing all the same."""
        self.bright_minutes = self.bright_minutes + lapsed * (lux > MISSING.bright_lx) if due.lit else 0
        if due.patience + MISSING.first_min < due.since_on < due.length - due.margin:
            self.found = lux < TRACKER.dark_lx and self.bright_minutes < MISSING.bright_min

    def watch(self, now: int, lux: float, level: float, tracker: LampTracker, due: Due) -> None:
        """One frame; `level` is the lamp's (lx). Sets `tracker.lit` where the edge was not seen."""
        lapsed = tracker.lapsed
        self.bright_minutes = self.bright_minutes + lapsed if lux > PRESENCE.full_share * level else 0
        self.dark_minutes = self.dark_minutes + lapsed if lux < TRACKER.dark_share * level else 0
        self._see(now, level, tracker, due)
        if tracker.lit:
            self.found = self.found and not self._is_back(now, lux, level, tracker)
        elif due.lit:
            self.back_minutes = 0
            self._judge(now, lux, level, tracker, due)
        else:
            self.out_since = -1

    @staticmethod
    def absent(lux: float, level: float, tracker: LampTracker, due: Due) -> bool:
        """Whether it has not come on although it is well past its time."""
        if tracker.lit or not due.lit or lux >= TRACKER.dark_share * level:
            return False
        late = max(0.0, due.late) + due.tolerance + due.ramp / 2 + MISSING.absent_min
        return late < due.since_on < due.length - due.margin

    def _see(self, now: int, level: float, tracker: LampTracker, due: Due) -> None:
        """Edges that the tracker lost: in a gap, in sunlight, in the lamp's own ramp."""
        if due.lit and not tracker.lit and self.bright_minutes >= PRESENCE.still_min:
            tracker.lit = True
        if tracker.lit and self.dark_minutes >= MISSING.dark_min:
            tracker.lit = False
            if self.out_since < 0 and due.margin < due.since_on < due.length - MISSING.end_min:
                self.out_since = now - MISSING.dark_min * MINUTE_MS
        if self.out_since < 0 and due.lit and _broken_off(tracker, level, due):
            tracker.lit = False
            self.out_since = now - MINUTE_MS

    def _is_back(self, now: int, lux: float, level: float, tracker: LampTracker) -> bool:
        """Whether the missed lamp is lit, and not the sun in its place: it stays as it is, or just stays."""
        self.back_minutes = self.back_minutes + tracker.lapsed if lux > PRESENCE.there_share * level else 0
        back = self.back_minutes >= MISSING.back_min or (
            self.back_minutes >= PRESENCE.still_min and tracker.still(now)
        )
        if back:
            self.back_minutes = 0
        return back

    def _judge(self, now: int, lux: float, level: float, tracker: LampTracker, due: Due) -> None:
        if lux >= MISSING.gone_share * level:
            return  # where the sun does the lamp's work nothing can be said
        waited = (now - self.out_since) / MINUTE_MS if self.out_since >= 0 else due.since_on
        if lux >= TRACKER.dark_share * level and waited < MISSING.part_min and tracker.still(now):
            return  # a part of it, and steady: a lid is open, or the meter was moved
        if self.out_since >= 0:
            # dark since before it fades by its schedule: what is dark from then on may be the fade
            began = due.since_on - self.dark_minutes
            early = began < due.length - due.ramp - due.tolerance - MISSING.fade_min
            gone = early and waited > MISSING.out_min
            self.found = self.found or gone
        elif due.since_on - max(0.0, due.late) > due.patience and due.since_on < due.length - due.margin:
            # of this period, or early before it, and not the one before gone early
            longest = min(DRIFT.farthest_min, due.since_on + due.pause / 2)
            left = self.left_ms >= 0 and now - self.left_ms < longest * MINUTE_MS
            self.found = self.found or not left


def _broken_off(tracker: LampTracker, level: float, due: Due) -> bool:
    """Whether a lamp went out while it was still brightening: a ramp only rises."""
    brightening = due.since_on < due.ramp + due.tolerance + abs(due.late)
    if not tracker.values or due.ramp < MISSING.shortest_ramp_min or not brightening:
        return False
    last = tracker.values[-1]
    fall = tracker.newest_highest(MISSING.fall_min) - last
    return last < PRESENCE.dim_share * level and fall > MISSING.fall_share * level
