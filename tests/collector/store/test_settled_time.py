"""collector/store/settled_time.py: a leap of the clock deletes nothing; time that has passed does."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.collector.errors import StoreError
from rushlight.collector.readings import Reading
from rushlight.collector.service.loop import CollectorService
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.settled_time import settled_ms

DAY = 86_400_000
TEN_MINUTES = 600_000
NOW = 1_772_330_400_000  # 2026-03-01T02:00Z
SETTINGS = """
[tanks.hallway]
volume_litres = 54
timezone = "UTC"
[tanks.hallway.livestock]
temperature_low_c = 18
temperature_high_c = 26
[store.keep_days]
temperature = 7
"""


class Memory:
    """The values kept under names, and no readings."""

    def __init__(self) -> None:
        self.values: dict[str, str] = {}

    def get_meta(self, key: str) -> str | None:
        return self.values.get(key)

    def set_meta(self, key: str, value: str) -> None:
        self.values[key] = value

    def tanks(self) -> list[str]:
        return []

    def latest(self, tank: str, until_ms: int | None = None) -> dict[str, Reading]:
        raise StoreError("there is none")


@given(
    st.lists(
        st.tuples(st.integers(-500 * DAY, 500 * DAY) | st.just(0), st.integers(1, 50)),
        min_size=1,
        max_size=10,
    )
)
def test_it_is_never_ahead_and_runs_at_most_twice_as_fast_as_the_service(
    steps: list[tuple[int, int]],
) -> None:
    store = Memory()
    true, off = NOW, 0
    last = settled_ms(store, true)
    assert last == NOW
    for step, calls in steps:
        off += step
        for call in range(calls):
            true += TEN_MINUTES
            found = settled_ms(store, true + off)
            # the first call behind a leap may take it for an hour
            most = 2 * (TEN_MINUTES if call else 6 * TEN_MINUTES)
            assert found <= true + off and found <= last + most
            last = found
    for _ in range(3):  # a clock that is as it was is followed, back at once
        true += TEN_MINUTES
        assert settled_ms(store, min(true + off, last - DAY)) == min(true + off, last - DAY)


def test_after_a_month_off_it_catches_up_in_a_month_of_running() -> None:
    store = Memory()
    settled_ms(store, NOW)
    now = NOW + 30 * DAY
    days = 0
    while settled_ms(store, now) < now:
        now += TEN_MINUTES
        days = (now - NOW - 30 * DAY) / DAY
        assert days < 31
    assert days > 29


@pytest.mark.parametrize("ahead_days", [1, 30, 500, 4000])
def test_a_clock_that_was_ahead_for_a_moment_deletes_nothing(tmp_path: Path, ahead_days: int) -> None:
    settings = parse_settings(SETTINGS)
    began = NOW - 6 * DAY
    readings = [Reading("hallway", "temperature", began + n * 60_000, 24.0, 1, n) for n in range(6 * 24 * 60)]
    with EmbeddedStore(tmp_path / "a.db", synchronous="OFF") as store:
        service = CollectorService(settings, store, [], None, lambda: NOW)  # type: ignore[arg-type]
        store.add_readings(readings)
        service._packing.go_on(NOW, busy=False)
        ahead = NOW + ahead_days * DAY
        store.add_readings([Reading("hallway", "temperature", ahead, 24.0, 1, len(readings))])
        for seconds in range(0, 7, 2):
            service._packing.go_on(ahead + seconds * 1000, busy=False)
        service._packing.go_on(NOW + 60_000, busy=False)
        assert sum(1 for _ in store.readings("hallway", "temperature", None, NOW)) == len(readings)
        # the twin: the same days later, with the service running, they go
        for n in range(10 * 144):
            service._packing.go_on(NOW + n * TEN_MINUTES, busy=False)
        assert sum(1 for _ in store.readings("hallway", "temperature", None, NOW)) < len(readings)


def test_the_newest_reading_is_of_now_where_there_is_one(tmp_path: Path) -> None:
    with EmbeddedStore(tmp_path / "a.db", synchronous="OFF") as store:
        for off, value in ((-DAY, 23.0), (-60_000, 24.0), (30 * DAY, 25.0)):
            store.add_readings([Reading("hallway", "temperature", NOW + off, value, 1)])
        store.add_readings([Reading("hallway", "ph", NOW + 30 * DAY, 6.8, 1)])
        for _ in range(2):
            found = store.latest("hallway", NOW)
            assert (found["temperature"].value, found["ph"].value) == (24.0, 6.8)
            assert store.latest("hallway")["temperature"].value == 25.0
            assert store.latest("hallway", NOW + 40 * DAY)["temperature"].value == 25.0
            store.compact(NOW + 60 * DAY)  # and the same once it is packed


def test_many_helpings_of_packing_are_one_write_and_the_next_minute_another() -> None:
    store, written = Memory(), []
    keep = store.set_meta

    def noted(key: str, value: str) -> None:
        written.append(key)
        keep(key, value)

    store.set_meta = noted  # type: ignore[method-assign]
    settled_ms(store, NOW)
    began = NOW + 100 * DAY  # it lags behind and follows
    first = settled_ms(store, began)
    assert first == NOW + 2 * 3_600_000  # twice the hour that the service may have run for
    for later in (0, 1, 59_999):
        assert settled_ms(store, began + later) == first
    assert len(written) == 2
    assert settled_ms(store, began + 60_000) == first + 120_000
    assert len(written) == 3
    # a clock that was put back has passed no time, and is followed only where it is behind
    assert settled_ms(store, began - DAY) == first + 120_000
    assert settled_ms(store, NOW) == NOW
    assert settled_ms(store, NOW + 1000) == NOW


def test_at_first_it_is_two_days_behind_the_newest_reading_that_is_not_of_the_future(tmp_path: Path) -> None:
    newest = {"hallway": (NOW - 30 * DAY, NOW - 10 * DAY, NOW + 5 * DAY), "shed": (NOW - 20 * DAY,)}
    with EmbeddedStore(tmp_path / "a.db", synchronous="OFF") as store:
        for tank, times in newest.items():
            for time_ms in times:
                store.add_readings([Reading(tank, "temperature", time_ms, 24.0, 1)])
        assert settled_ms(store, NOW) == NOW - 8 * DAY
    for last_ms, found in ((NOW, NOW), (NOW - DAY, NOW), (NOW - 2 * DAY - 1, NOW - 1)):
        with EmbeddedStore(tmp_path / f"{last_ms}.db", synchronous="OFF") as store:
            store.add_readings([Reading("hallway", "ph", NOW - 40 * DAY, 6.8, 1)])
            store.add_readings([Reading("hallway", "temperature", last_ms, 24.0, 1)])
            assert settled_ms(store, NOW) == found
