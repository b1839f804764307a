"""Whether the lamp's periods make sense: pairs of times, of which none runs into the next in any week."""

from __future__ import annotations

from collections.abc import Iterator

from rushlight.collector.settings.lines import Path
from rushlight.collector.settings.tables import LightSettings
from rushlight.collector.settings.time_of_day import parse_time_of_day

__all__ = ["light_faults"]

_DAY_MIN = 24 * 60
_WEEK_MIN = 7 * _DAY_MIN
_WEEKEND = (5, 6)

LightFault = tuple[Path, str, tuple[str, ...]]
"""Where, what is wrong, and the keys beneath it that were looked at."""


def light_faults(where: Path, light: LightSettings) -> Iterator[LightFault]:
    """What is wrong with `periods` and `weekend`; `where` is the path of their table."""
    if light.periods is not None and (light.on is not None or light.off is not None):
        yield where, "periods are in place of on and off; remove one of them", ("periods", "on", "off")
    if light.weekend is not None and light.periods is None and light.on is None:
        text = "weekend needs the other days' hours, too; give periods, or on and off"
        yield where, text, ("weekend", "periods", "on", "off")
    sound = True
    for key in ("periods", "weekend"):
        for fault in _pairs((*where, key), getattr(light, key)):
            sound = False
            yield fault
    if sound:
        yield from _overlaps(where, light)


def _pairs(where: Path, periods: list[list[str]] | None) -> Iterator[LightFault]:
    if periods is None:
        return
    if not periods:
        yield where, 'is empty; write pairs of on and off, as in [["10:00", "14:00"]], or leave it out', ()
    for number, pair in enumerate(periods, 1):
        place = (*where, number)
        if len(pair) != 2:
            times = "time" if len(pair) == 1 else "times"
            text = f'must be an on and an off, as in ["10:00", "14:00"], not {len(pair)} {times}'
            yield place, text, ()
            continue
        try:
            minutes = [parse_time_of_day(text) for text in pair]
        except ValueError as error:
            yield place, str(error), ()
            continue
        if minutes[0] == minutes[1]:
            yield place, "on and off are the same; give two different times", ()


def _overlaps(where: Path, light: LightSettings) -> Iterator[LightFault]:
    """Each period must have ended before the next begins, past midnight and into the weekend, too."""
    plain = light.periods
    if plain is None:
        try:
            on, off = parse_time_of_day(light.on or ""), parse_time_of_day(light.off or "")
        except ValueError:
            return  # found fault with elsewhere
        plain = [] if on == off else [[light.on or "", light.off or ""]]
    week: list[tuple[int, int, str, list[str]]] = []
    for day in range(7):
        weekend = day in _WEEKEND and light.weekend is not None
        for pair in (light.weekend or []) if weekend else plain:
            on, off = map(parse_time_of_day, pair)
            key = "weekend" if weekend else "periods" if light.periods is not None else "on"
            begin = day * _DAY_MIN + on
            week.append((begin, begin + (off - on) % _DAY_MIN, key, pair))
    week.sort(key=lambda one: one[:2])
    said: set[str] = set()
    for one, other in zip(week, [*week[1:], *week[:1]], strict=True):
        key = "weekend" if "weekend" in (one[2], other[2]) else "periods"
        begins = other[0] + (_WEEK_MIN if other is week[0] else 0)
        if one is not other and begins <= one[1] and key not in said:
            said.add(key)
            text = (
                f"{_text(one[3])} is not over before {_text(other[3])} begins; "
                "leave a pause between them, or make one of them"
            )
            yield (*where, key), text, ()


def _text(pair: list[str]) -> str:
    return f"{pair[0]} to {pair[1]}"
