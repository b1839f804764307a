"""Disconnected, or giving what can't be in a tank."""

from __future__ import annotations

from rushlight.analysis.detectors.frames import Frame, SeriesFrame
from rushlight.analysis.detectors.probes.health import DEAD_FAULTS, SeriesHealth
from rushlight.analysis.detectors.probes.numbers import DEAD
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
        At the end of its lux scale, to which the sun may bring it for hours.
    """

    __slots__ = ("blinded", "edge", "full", "seen", "still", "walked")

    def __init__(self, name: str, series: SeriesFrame, level: float) -> None:
        self.seen = series.good + series.suspect + series.bad > 0
        aside = self.seen and not series.good
        self.edge = series.suspect > 0 and _near_edge(name, level)
        self.walked = aside and self.edge
        self.still = aside and series.last == (series.last_suspect if series.suspect else series.last_bad)
        light = name == LIGHT and bool(series.good)
        # whole lux or with decimals, as the device sends it
        self.blinded = light and abs(series.last - DEAD.full_scale / DEAD.counts_per_lx) < 1.0
        self.full = self.blinded or (light and series.last == DEAD.full_scale)


_GOOD = Sight("", SeriesFrame(good=1), 0.0)  # of a frame that has only good values, most frames


def look(name: str, series: SeriesFrame, health: SeriesHealth, now_ms: int) -> Sight:
    """Follow for how long there has been no good value, and for how long one again."""
    plain = series.good and not (series.bad or series.suspect)
    if plain and name == LIGHT:
        plain = series.last < DEAD.full_scale / DEAD.counts_per_lx - 1.0
    sight = _GOOD if plain else Sight(name, series, health.level)
    if not sight.still:
        useless = series.suspect and not series.good and not sight.walked
        if sight.full or series.bad > series.good + series.suspect or useless:
            if not 0 <= health.dead_from_ms <= now_ms:
                health.dead_from_ms = now_ms
            health.dead_last_ms = now_ms
            health.alive_from_ms = -1
        elif series.good:
            if not 0 <= health.alive_from_ms <= now_ms:
                health.alive_from_ms = now_ms
            if now_ms - health.alive_from_ms >= DEAD.believed_ms or health.fault not in DEAD_FAULTS:
                health.dead_from_ms = -1
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
    if absent or health.dead_ms() >= (DEAD.sunny_ms if sight.blinded else DEAD.dead_ms):
        if health.fault not in DEAD_FAULTS:
            health.since_ms = frame.start_ms
        shown = series.suspect or (series.bad and series.last_bad is not None)
        health.fault = "full" if sight.full else "impossible" if shown else "dead"
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
