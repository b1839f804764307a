"""A lamp that stays on dimmed after its time."""

from __future__ import annotations

from rushlight.analysis.detectors.lamp.numbers import PRESENCE, STUCK, TRACKER
from rushlight.analysis.detectors.lamp.room_light import Daylight
from rushlight.analysis.detectors.lamp.schedule import Due
from rushlight.analysis.detectors.lamp.tracker import LampTracker
from rushlight.analysis.estimators.units import MINUTE_MS

__all__ = ["glows"]


def glows(
    tracker: LampTracker, level: float, now: int, minute: float, dark_ms: int, daylight: Daylight, due: Due
) -> bool:
    """Whether it fell at its time, but not to darkness, and has stayed as it is since.

    `level` is the lamp's in full (lx), `now` and `dark_ms` are ms UTC: this frame, and when it was last dark.
    """
    lux = tracker.values[-1] if tracker.values else 0.0
    since_min = due.past_off - due.tolerance - STUCK.fall_min
    if lux < due.dark_share * level or lux < TRACKER.dark_lx or now - dark_ms < since_min * MINUTE_MS:
        return False
    return (
        lux <= PRESENCE.full_share * level
        and _no_daylight(lux, level, minute, daylight)
        and tracker.steady(now - STUCK.glow_min * MINUTE_MS, now, PRESENCE.still_share * lux / level)
        and _same_throughout(tracker, lux, level)
    )


def _no_daylight(lux: float, level: float, minute: float, daylight: Daylight) -> bool:
    """Whether it is brighter than this hour has been without the lamp."""
    usual = daylight.at(minute)
    if usual is None or lux < STUCK.usual_factor * usual + STUCK.usual_share * level:
        return False
    # one day says little of the sun, unless that hour was quite dark
    return usual <= STUCK.deep_dark_share * level or daylight.at(minute, STUCK.sure_days) is not None


def _same_throughout(tracker: LampTracker, lux: float, level: float) -> bool:
    """Whether the means of the parts of the last minutes agree: even a clear sky's light rises and sinks."""
    size_ms, end = STUCK.glow_min * MINUTE_MS // STUCK.glow_parts, tracker.times[-1]
    seen = [
        tracker.mean(end - (part + 1) * size_ms + 1, end - part * size_ms) for part in range(STUCK.glow_parts)
    ]
    known = [mean for mean in seen if mean is not None]
    grain = tracker.grain(level) / STUCK.glow_parts  # of a mean
    return len(known) == len(seen) and max(known) - min(known) < max(STUCK.level_share * lux, grain)
