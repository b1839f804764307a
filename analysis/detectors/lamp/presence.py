"""Whether the lamp is there when it should be, and out when it should be out, minute by minute."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.lamp.room_light import Daylight
from rushlight.analysis.detectors.lamp.tracker import DARK_LX, LampTracker
from rushlight.analysis.detectors.moment import Moment
from rushlight.analysis.estimators.units import MINUTE_MS

__all__ = ["OUT_MIN", "Due", "LampPresence"]

OUT_MIN = 40.0  # a lamp switched off by hand for work at the tank comes back sooner
GLOW_MIN = 45
GLOW_SHARE = 0.1
DEEP_DARK = 0.03
STILL_MIN = 20
BACK_MIN = 60
STILL_SHARE = 0.1
LEVEL_SHARE = 0.02
FARTHEST_EARLY_MIN = 240.0
BRIGHT_LX = 4 * DARK_LX  # an hour of it is the lamp, though its level is not known yet
SHORTEST_RAMP = 10.0
BROKEN_SHARE = 0.25  # of the lamp's level, gone within three minutes
DIM_DARK = 0.35  # of the lamp's level: an hour at which daylight doesn't pass for the lamp


class Due(msgspec.Struct):
    """What the schedule says of this minute; all in minutes.

    Attributes
    ----------
    since_on, past_off, to_on : float
        Since it should have come on, since it should have gone out, until it should come on; modulo a day.
    length, ramp, tolerance : float
        Of the photoperiod, of the lamp's ramp, and how far off its timer may be.
    late : float
        How late the timer is known to run (negative: early).
    patience : float
        How long past its time it is waited for; longer where the clocks have just changed.
    """

    since_on: float
    past_off: float
    to_on: float
    length: float
    ramp: float
    tolerance: float
    late: float
    patience: float
    hour_off: bool

    @property
    def margin(self) -> float:
        """From the ends of the photoperiod: further in, the lamp is at its full level."""
        return max(self.ramp, self.tolerance) + 10 + abs(self.late)


def _broken_off(values: list[float], level: float, due: Due) -> bool:
    """Whether a lamp went out while it was still brightening: a ramp only rises."""
    if not values or due.ramp < SHORTEST_RAMP or due.since_on >= due.ramp + due.tolerance + abs(due.late):
        return False
    return values[-1] < DIM_DARK * level and max(values[-4:]) - values[-1] > BROKEN_SHARE * level


class LampPresence(msgspec.Struct):
    """State. `out_since` is when it went out within its photoperiod (ms UTC), −1 otherwise.

    `left_ms` is when it last went out as early as it had come: a timer that is off, no lamp that failed.
    """

    out_since: int = -1
    left_ms: int = -1
    out_total_ms: int = 0
    lit_since: int = -1
    lit_sharply: bool = False
    missing: bool = False
    stuck: bool = False
    bright_minutes: int = 0
    dark_minutes: int = 0
    dark_ms: int = -1
    back_minutes: int = 0
    daylight: Daylight = msgspec.field(default_factory=Daylight)

    def gap(self) -> None:
        """No reading in this frame."""
        self.bright_minutes = self.dark_minutes = 0

    def watch(self, moment: Moment, lux: float, tracker: LampTracker, due: Due) -> None:
        """One frame. O(1), but for the few minutes in which light at a dark hour is looked at."""
        level = tracker.level()
        inside = due.since_on < due.length
        if level is None:
            # never seen it lit: by two hours and more into the photoperiod it is missing all the same
            self.bright_minutes = self.bright_minutes + (lux > BRIGHT_LX) if inside else 0
            well_in = due.patience + 60 < due.since_on < due.length - due.margin
            if well_in:
                self.missing = lux < DARK_LX and self.bright_minutes < 60
            return
        now = moment.frame.start_ms
        self.bright_minutes = self.bright_minutes + 1 if lux > 0.8 * level else 0
        self.dark_minutes = self.dark_minutes + 1 if lux < 0.3 * level else 0
        if inside and not tracker.lit and self.bright_minutes >= STILL_MIN:
            tracker.lit = True  # its edge was lost in a gap or in sunlight
        if tracker.lit and self.dark_minutes >= 10:
            tracker.lit = False
            if self.out_since < 0 and due.margin < due.since_on < due.length - 30:
                self.out_since = now - 10 * MINUTE_MS
        if self.out_since < 0 and inside and _broken_off(tracker.values, level, due):
            tracker.lit = False
            self.out_since = now - MINUTE_MS
        if lux < GLOW_SHARE * level:
            self.dark_ms = now
        late = max(0.0, due.late)
        moment.lamp.absent = (
            not tracker.lit
            and lux < 0.3 * level
            and late + due.tolerance + 0.5 * due.ramp + 5 < due.since_on < due.length - due.margin
        )
        if tracker.lit:
            self.missing = self.missing and not self._is_back(now, lux, level, tracker)
        elif inside:
            self.back_minutes = 0
            self._missing(now, lux, level, due, late)
        elif self.out_since >= 0:
            self.out_since = -1
        dark_hour = not inside and due.since_on >= due.length + due.margin
        was = self.stuck
        if tracker.lit:
            self._stuck(moment, lux, level, tracker, due)
        elif self.stuck:
            self.stuck = lux > GLOW_SHARE * level  # until darkness has been seen
        else:
            self.stuck = dark_hour and self._glows(moment, level, tracker, due)
        if self.stuck and not was:
            self.daylight.forget()
        calm = dark_hour and not self.stuck and not tracker.lit and tracker.values
        self.daylight.add(moment.minute, tracker.values[-1] if calm else None)  # a spike is no daylight

    def _is_back(self, now: int, lux: float, level: float, tracker: LampTracker) -> bool:
        """Whether the missed lamp is lit, and not the sun in its place: it stands still, or stays."""
        self.back_minutes = self.back_minutes + 1 if lux > 0.5 * level else 0
        still = tracker.steady(now - STILL_MIN * MINUTE_MS, now, STILL_SHARE)
        back = self.back_minutes >= BACK_MIN or (self.back_minutes >= STILL_MIN and still)
        if back:
            self.back_minutes = 0
        return back

    def _missing(self, now: int, lux: float, level: float, due: Due, late: float) -> None:
        dark = lux < 0.45 * level  # where the sun does the lamp's work nothing can be said
        if self.out_since >= 0:
            # dark since before it fades by its schedule: what is dark from then on may be the fade
            began = due.since_on - self.dark_minutes
            early = began < due.length - due.ramp - due.tolerance - 10
            gone = now - self.out_since > OUT_MIN * MINUTE_MS and dark and early
            self.missing = self.missing or gone
        elif due.since_on - late > due.patience and due.since_on < due.length - due.margin and dark:
            left = self.left_ms >= 0 and now - self.left_ms < FARTHEST_EARLY_MIN * MINUTE_MS
            self.missing = self.missing or not left

    def _stuck(self, moment: Moment, lux: float, level: float, tracker: LampTracker, due: Due) -> None:
        if due.since_on < due.length or due.past_off >= 1440 - due.length:
            self.out_total_ms = 0 if due.since_on < 5 else self.out_total_ms
            return
        now = moment.frame.start_ms
        lit_ms = now - self.lit_since if self.lit_since >= 0 else 0
        held = self.out_total_ms / MINUTE_MS
        least = 75.0 if due.hour_off else 45.0
        wait = max(least, due.ramp + due.tolerance + 20) + max(due.late, held, 0.0)
        # just before its time it may be early by drift
        early = due.to_on < FARTHEST_EARLY_MIN and 0 <= lit_ms < FARTHEST_EARLY_MIN * MINUTE_MS
        if self.stuck or due.past_off <= wait or lux <= 0.5 * level or early or lit_ms < 20 * MINUTE_MS:
            return
        highest = self.daylight.at(moment.minute)
        sure = self.daylight.at(moment.minute, 2) is not None
        still = tracker.steady(now - STILL_MIN * MINUTE_MS, now, STILL_SHARE)
        dark_hour = sure and highest is not None and highest < DIM_DARK * level
        if lit_ms > due.past_off * MINUTE_MS:  # on since before its time to go out
            beyond = highest is not None and lux > highest + DIM_DARK * level
            self.stuck = dark_hour or beyond or (highest is None and still)
        else:  # switched on since: a lamp comes at once and stands still, where no sun has been seen
            self.stuck = self.lit_sharply and still and dark_hour

    def _glows(self, moment: Moment, level: float, tracker: LampTracker, due: Due) -> bool:
        """A lamp that stays on dimmed: it fell at its time, but not to darkness, and stands still since."""
        lux = tracker.values[-1] if tracker.values else 0.0
        now = moment.frame.start_ms
        since_min = due.past_off - due.tolerance - 10
        if lux < GLOW_SHARE * level or lux < DARK_LX or now - self.dark_ms < since_min * MINUTE_MS:
            return False
        usual = self.daylight.at(moment.minute)
        if usual is None or lux < 1.3 * usual + 0.05 * level:
            return False
        if usual > DEEP_DARK * level and self.daylight.at(moment.minute, 2) is None:
            return False  # one day says little of the sun, unless that hour was quite dark
        if lux > 0.8 * level or not tracker.steady(
            now - GLOW_MIN * MINUTE_MS, now, STILL_SHARE * lux / level
        ):
            return False
        third = GLOW_MIN // 3
        seen = [sum(tracker.values[-n - third : -n or None]) / third for n in (0, third, 2 * third)]
        return max(seen) - min(seen) < LEVEL_SHARE * lux  # even a clear sky's light rises and sinks
