"""What is due by the schedule, and how patiently it is waited for."""

from __future__ import annotations

from rushlight.analysis.detectors.lamp.drift import LampDrift
from rushlight.analysis.detectors.lamp.numbers import MISSING, STUCK, TIMER, TRACKER
from rushlight.analysis.detectors.lamp.schedule import Due, Period
from rushlight.analysis.detectors.lamp.timer_clock import TimerClock
from rushlight.analysis.detectors.lamp.tracker import LampTracker
from rushlight.analysis.detectors.moment import Moment, Tank

__all__ = ["due_now", "ramp_set", "tolerance_min"]


def ramp_set(tank: Tank) -> float | None:
    """The lamp's ramp in minutes, where the settings have it."""
    light = tank.settings.light
    return light.ramp_min if light is not None else None


def tolerance_min(tank: Tank, tracker: LampTracker) -> float:
    """How far off the timer may be, minutes: a ramp blurs its own beginning."""
    return _tolerance_at(tank, tracker, tracker.ramp_min(ramp_set(tank)))


def _tolerance_at(tank: Tank, tracker: LampTracker, ramp: float) -> float:
    """The same where the ramp's length is at hand, minutes."""
    light = tank.settings.light
    tolerance = TIMER.tolerance_min if light is None else light.tolerance_min
    tolerance += TIMER.spacing_share * (tracker.every_min - 1)
    if light is not None and light.ramp_min is not None:
        return tolerance + TIMER.set_ramp_share * ramp
    if not tracker.knows_ramp:
        return tolerance
    return tolerance + TIMER.seen_ramp_share * min(ramp, TRACKER.longest_ramp_min)


def due_now(
    tank: Tank,
    moment: Moment,
    periods: tuple[Period, float],
    tracker: LampTracker,
    clock: TimerClock,
    drift: LampDrift,
) -> Due:
    """What the schedule says of this minute; `periods` as `period_at` has them."""
    period, next_on = periods
    ramp = tracker.ramp_min(ramp_set(tank))
    tolerance = _tolerance_at(tank, tracker, ramp)
    hour_off = clock.hour_off(moment.frame.start_ms, drift)
    patience = TIMER.patience_hour_off_min if hour_off else TIMER.patience_min
    least = tolerance + ramp + MISSING.extra_min
    light = tank.settings.light
    night = light is not None and light.night_light
    return Due(
        since_on=moment.minute - period.on,
        past_off=moment.minute - period.off,
        to_on=next_on - moment.minute,
        length=period.length,
        ramp=ramp,
        tolerance=tolerance,
        pause=period.pause,
        late=drift.shift,
        patience=max(min(patience, MISSING.patience_share * period.length), least),
        patience_after=patience,
        dark_share=STUCK.night_share if night else STUCK.glow_share,
    )
