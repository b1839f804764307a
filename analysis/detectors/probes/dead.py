"""Disconnected, or giving what can't be in a tank."""

from __future__ import annotations

from rushlight.analysis.detectors.frames import Frame, SeriesFrame
from rushlight.analysis.detectors.probes.health import DEAD_FAULTS, SeriesHealth
from rushlight.analysis.detectors.probes.light_end import LightEnd
from rushlight.analysis.detectors.probes.numbers import DEAD, LIGHT_END
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.collector.intake.limits import LIMITS
from rushlight.collector.readings import HEATER_POWER, LIGHT

__all__ = ["Sight", "look", "note"]


class Sight:
    """What a frame has of one probe.

    Attributes
    ----------
    seen : bool
        There are readings, good or not.
    edge, walked : bool
        Past the sensible range, from so near that water may have walked there; with nothing good beside it.
    still : bool
        Nothing good, and the same value again: it is stuck there.
    full : bool
        A light meter at its end.
    blinded : bool
        At the end of its lux scale, or where this meter has shown its own end: the sun may bring it there.
    """

    __slots__ = ("blinded", "edge", "full", "seen", "still", "walked")

    def __init__(self, name: str, series: SeriesFrame, level: float, end: LightEnd | None) -> None:
        self.seen = series.good + series.suspect + series.bad > 0
        aside = self.seen and not series.good
        self.edge = series.suspect > 0 and _near_edge(name, level)
        self.walked = aside and self.edge
        self.still = aside and series.last == (series.last_suspect if series.suspect else series.last_bad)
        light = name == LIGHT and bool(series.good)
        # whole lux or with decimals, as the device sends it
        self.blinded = light and abs(series.last - DEAD.end_lx) < LIGHT_END.same_lx
        self.blinded = self.blinded or (light and end is not None and end.at(series.last))
        self.full = self.blinded or (light and series.last == DEAD.full_scale)


_GOOD = Sight("", SeriesFrame(good=1), 0.0, None)  # of a frame that has only good values, most frames


def look(name: str, series: SeriesFrame, health: SeriesHealth, now_ms: int) -> Sight:
    """Follow for how long there has been no good value, and for how long one again."""
    plain = series.good and not (series.bad or series.suspect)
    if plain and name == LIGHT:
        plain = _lit(series, health, now_ms)
    sight = _GOOD if plain else Sight(name, series, health.level, health.end)
    if not sight.still:
        useless = series.suspect and not series.good and not sight.walked
        if sight.full or series.bad > series.good + series.suspect or useless:
            if not 0 <= health.dead_from_ms <= now_ms:
                health.dead_from_ms = now_ms
                if sight.blinded and health.end is not None:
                    health.end.before = health.level
            health.dead_last_ms = now_ms
            health.alive_from_ms = -1
        elif series.good:
            if not 0 <= health.alive_from_ms <= now_ms:
                health.alive_from_ms = now_ms
            if now_ms - health.alive_from_ms >= DEAD.believed_ms or health.fault not in DEAD_FAULTS:
                if health.end is not None and health.dead_from_ms >= 0:
                    health.end.stayed(health.dead_ms(), now_ms)
                health.dead_from_ms = -1
    elif health.fault not in DEAD_FAULTS:
        health.dead_from_ms = -1  # it stands where it was: stuck, if anything
    if series.good and not sight.full:
        health.last_good_ms = now_ms
        health.level = series.total / series.good
    return sight


def note(
    name: str, frame: Frame, series: SeriesFrame, health: SeriesHealth, sight: Sight, interval_ms: int
) -> bool:
    """Set or take back the fault; True where nothing more is to be judged of this probe.

    `interval_ms`: from one of its readings to the next; 0 where that is not known.
    """
    absent = not sight.seen and _absent(name, frame, health, interval_ms)
    if absent or health.dead_ms() >= _patience_ms(sight, health):
        if health.fault not in DEAD_FAULTS:
            health.since_ms = frame.start_ms
        shown = series.suspect or (series.bad and series.last_bad is not None)
        full = sight.full or (health.fault == "full" and series.good > 0)
        health.fault = "full" if full else "impossible" if shown else "dead"
        health.good_from_ms = -1
        return True
    if health.fault in DEAD_FAULTS:
        if series.good and not sight.full and health.good_from_ms < 0:
            health.good_from_ms = frame.start_ms
        if health.good_from_ms < 0 or frame.start_ms - health.good_from_ms < DEAD.believed_ms:
            return True
        health.fault = ""
        health.jump_ms = health.settled_ms = -1
        health.jitter.forget()
    return False


def _lit(series: SeriesFrame, health: SeriesHealth, now_ms: int) -> bool:
    """Follow where a light meter ends; whether it is below that now."""
    end = health.end
    if end is None:
        end = health.end = LightEnd()
    if now_ms - series.flat_since >= LIGHT_END.rest_min * MINUTE_MS and series.flat_since >= 0:
        end.rested(series.last, series.flat_since)
    return series.last < DEAD.end_lx - LIGHT_END.same_lx and not end.at(series.last)


def _patience_ms(sight: Sight, health: SeriesHealth) -> int:
    """How long nothing good may come."""
    if not sight.blinded or health.end is None:
        return DEAD.dead_ms
    return health.end.limit_ms(health.end.lux or DEAD.end_lx)


def _absent(name: str, frame: Frame, health: SeriesHealth, interval_ms: int) -> bool:
    """Nothing at all of it for long, while other probes report."""
    limit_ms = DEAD.absent_plug_ms if name == HEATER_POWER else DEAD.absent_ms
    limit_ms = max(limit_ms, round(DEAD.absent_intervals * interval_ms))
    return (
        health.last_good_ms >= 0
        and frame.start_ms - health.last_good_ms > limit_ms
        and any(one.good for one in frame.series.values())
    )


def _near_edge(name: str, level: float) -> bool:
    """It was so near the end of the sensible range that it may have walked out of it, as water does."""
    limits, near = LIMITS[name], DEAD.near_edge(name)
    return near is not None and (level > limits.suspect_high - near or level < limits.suspect_low + near)
