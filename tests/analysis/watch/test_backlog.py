"""What a board or a broker had kept comes in at once: delays take as long in it as they took in the tank."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.findings import Finding
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import parse_settings

MINUTE = 60_000
HOUR = 60 * MINUTE
T0 = 1_772_330_400_000
CONFIG = parse_settings(
    '[[links]]\nkind = "mqtt"\nhost = "localhost"\n'
    '[tanks.cellar]\nvolume_litres = 60\ntimezone = "UTC"\nreport_every_s = 60\n'
    "[tanks.cellar.livestock]\ntemperature_low_c = 18.0\ntemperature_high_c = 26.0\n"
)
BEFORE_H, AWAY_H = 2, 3


def new_watch() -> TankWatch:
    watch = TankWatch("cellar", CONFIG.tanks["cellar"])
    watch.clocked = watch.state.frames.clocked = True
    return watch


def reading(minute: int, warm: range) -> Reading:
    at = T0 + minute * MINUTE
    value = 23.0 + 0.01 * (minute % 3) + (5.0 if minute in warm else 0.0)
    return Reading("cellar", "temperature", at, value, flag=Flag.PASS)


def said(events: list[Event]) -> list[tuple[str, str, str]]:
    return [(e.alarm, e.event, e.time) for e in events if e.alarm == "temperature-high"]


def undisturbed(warm: range) -> list[Event]:
    watch, events = new_watch(), []
    for minute in range((BEFORE_H + AWAY_H) * 60 + 60):
        one = reading(minute, warm)
        events += watch.feed(one, one.time_ms)
    return events


def disturbed(
    warm: range, *, each: int, tick_s: int, again: Callable[[TankWatch], TankWatch] = lambda watch: watch
) -> list[Event]:
    """The line is down for three hours; then `each` kept reports a second come in, with ticks between."""
    watch, events = new_watch(), []
    for minute in range(BEFORE_H * 60):
        one = reading(minute, warm)
        events += watch.feed(one, one.time_ms)
    away = range(BEFORE_H * 60, (BEFORE_H + AWAY_H) * 60)
    for second in range(0, AWAY_H * 3600, 5):
        events += watch.tick(T0 + BEFORE_H * HOUR + second * 1000)
    now = T0 + (BEFORE_H + AWAY_H) * HOUR
    for count, minute in enumerate(away):
        events += watch.feed(reading(minute, warm), now)
        if count % each == each - 1:
            now += 1000
            if (now // 1000) % tick_s == 0:
                events += watch.tick(now)
            watch = again(watch)
    for minute in range(away.stop, away.stop + 60):
        one = reading(minute, warm)
        events += watch.feed(one, max(now, one.time_ms))
        events += watch.tick(max(now, one.time_ms) + 5000)
    return events


def restarted(watch: TankWatch) -> TankWatch:
    other = new_watch()
    other.restore(watch.snapshot())
    return other


@pytest.mark.parametrize("each", [1, 7, 10_000])
@pytest.mark.parametrize("again", [lambda watch: watch, restarted])
def test_an_alarm_that_began_and_ended_in_a_backlog_is_raised_and_cleared_as_of_its_time(
    each: int, again: Callable[[TankWatch], TankWatch]
) -> None:
    warm = range(BEFORE_H * 60 + 30, BEFORE_H * 60 + 90)
    expected = said(undisturbed(warm))
    assert [event for _, event, _ in expected] == ["raised", "cleared"]
    events = disturbed(warm, each=each, tick_s=1, again=again)
    assert said(events) == expected
    silent = [e.event for e in events if e.alarm == "device-silent"]
    assert silent == ["raised", "cleared"]


def test_a_short_excess_in_a_backlog_is_as_short_as_it_was() -> None:
    """Twin of the above: what is too short for an alarm in the tank is no alarm because the clock ran on."""
    warm = range(BEFORE_H * 60 + 30, BEFORE_H * 60 + 31)
    assert not said(undisturbed(warm))
    assert not said(disturbed(warm, each=1, tick_s=1))
    longer = range(BEFORE_H * 60 + 30, BEFORE_H * 60 + 150)
    assert said(disturbed(longer, each=1, tick_s=1))


@settings(max_examples=40, deadline=None)
@given(
    begin=st.integers(0, (BEFORE_H + AWAY_H) * 60),
    length=st.integers(1, 200),
    each=st.integers(1, 60),
    tick_s=st.integers(1, 20),
)
def test_a_line_that_was_down_changes_no_alarm(begin: int, length: int, each: int, tick_s: int) -> None:
    """An alarm that is active while the line is down may be raised by the clock, never at another time."""
    warm = range(begin, begin + length)
    expected, found = said(undisturbed(warm)), said(disturbed(warm, each=each, tick_s=tick_s))
    assert [event for _, event, _ in found] == [event for _, event, _ in expected]
    for (_, _, was), (_, _, now) in zip(expected, found, strict=True):
        assert abs(milliseconds(now) - milliseconds(was)) <= 2 * MINUTE


def milliseconds(text: str) -> int:
    from rushlight.analysis.notices.wording import milliseconds as parse

    return parse(text)


# -- the book alone


def warm_water(holding: bool = False) -> Finding:
    return Finding(alarm="temperature-high", priority="high", quantity="temperature", holding=holding)


def test_a_tick_moves_no_delay_past_the_readings() -> None:
    book = AlarmBook("cellar")
    assert book.update([warm_water()], T0) == []
    assert book.tick(T0 + 3 * HOUR, T0 + 1000) == []
    assert [e.event for e in book.tick(T0 + 3 * HOUR, T0 + 2 * MINUTE)] == ["raised"]
    assert book.update([], T0 + 3 * MINUTE, arrived_ms=T0 + 3 * HOUR) == []
    assert book.update([], T0 + 5 * MINUTE, arrived_ms=T0 + 4 * HOUR) == []
    cleared = book.update([], T0 + HOUR, arrived_ms=T0 + 4 * HOUR)
    assert [(e.event, e.time) for e in cleared] == [("cleared", "2026-03-01T03:00:00Z")]


def test_a_shelf_ends_by_the_clock_whatever_is_coming_in() -> None:
    book = AlarmBook("cellar")
    key = ("cellar", "temperature-high", "temperature")
    book.update([warm_water()], T0)
    book.update([warm_water()], T0 + 2 * MINUTE)
    book.shelve(key, T0 + 2 * HOUR, T0 + HOUR, "keeper")
    early = book.update([warm_water()], T0 + 3 * MINUTE, arrived_ms=T0 + 2 * HOUR - 1)
    over = book.update([warm_water()], T0 + 4 * MINUTE, arrived_ms=T0 + 2 * HOUR)
    assert early == [] and [e.event for e in over] == ["unshelved", "raised"]


def test_a_clock_put_back_moves_delays_by_their_own_time() -> None:
    """The clock was two hours ahead of the readings; it is put back by one, and the delay is not cut."""
    book = AlarmBook("cellar")
    book.update([warm_water()], T0)
    book.update([warm_water()], T0 + 2 * MINUTE)
    book.update([], T0 + 3 * MINUTE, arrived_ms=T0 + 2 * HOUR)
    book.put_back(T0 + HOUR)
    assert book.update([], T0 + 4 * MINUTE, arrived_ms=T0 + HOUR) == []
    assert [e.event for e in book.update([], T0 + HOUR, arrived_ms=T0 + HOUR)] == ["cleared"]
