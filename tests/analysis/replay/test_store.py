"""Kept readings are judged in blocks, and alike to one after the other."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rushlight.analysis.replay.beliefs import RecordingWatch
from rushlight.analysis.replay.store import DAY_MS, replay_store
from rushlight.collector.events import Event
from rushlight.collector.intake.flagging import Intake
from rushlight.collector.readings import LIGHT, PH, PH_PROBE, QUANTITIES, TEMPERATURE, Reading
from rushlight.collector.settings import parse_settings

BEGAN = 1_772_330_400_000  # 2026-03-01T02:00Z
MINUTE = 60_000

SETTINGS = parse_settings("""
[tanks.nook]
volume_litres = 30
timezone = "Europe/Lisbon"
[tanks.nook.livestock]
temperature_low_c = 18
temperature_high_c = 27
""")


class Kept:
    """A store of readings."""

    def __init__(self, readings: list[Reading]) -> None:
        self._readings = readings

    def readings(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> Iterator[Reading]:
        for one in self._readings:
            if one.quantity == quantity and (start_ms or 0) <= one.time_ms < (end_ms or 1 << 60):
                yield Reading(one.tank, one.quantity, one.time_ms, one.value, one.flag)


# how many reports, seconds between them, what each has, its value, its flag (2: imported, not flagged yet)
stretches = st.lists(
    st.tuples(
        st.integers(1, 30),
        st.sampled_from((0, 10, 60, 60, 300, 2000)),
        st.sampled_from(((TEMPERATURE,), (TEMPERATURE, PH_PROBE, PH), (LIGHT, TEMPERATURE))),
        st.sampled_from((None, 0.0, 0.05, 9.0)),
        st.sampled_from((1, 1, 1, 2, 3, 4)),
    ),
    max_size=5,
)
FIRST = {TEMPERATURE: 24.0, PH: 6.9, LIGHT: 300.0, PH_PROBE: 12.0}


@settings(max_examples=50, deadline=None)
@given(stretches, st.integers(0, 200))
def test_blocks_give_the_events_and_beliefs_of_one_by_one(
    parts: list[tuple[int, int, tuple[str, ...], float | None, int]], minutes: int
) -> None:
    readings = [Reading("nook", TEMPERATURE, BEGAN, 24.0, 1)]
    time_ms = BEGAN
    for count, every_s, names, step, flag in parts:
        for number in range(count):
            time_ms += every_s * 1000
            for name in names:
                value = None if step is None else FIRST[name] + step * (number % 3)
                readings.append(Reading("nook", name, time_ms, value, flag))
    from_ms, to_ms = BEGAN + minutes * MINUTE, max(time_ms, BEGAN + minutes * MINUTE) + MINUTE
    found = replay_store(SETTINGS, Kept(readings), "nook", from_ms, to_ms, warm_up_days=1)

    watch = RecordingWatch("nook", SETTINGS.tanks["nook"], from_ms)
    flagged = _flagged(readings)
    before = [event for one in flagged if one.time_ms < from_ms for event in watch.feed(one)]
    before += watch.tick(from_ms - 1)
    expected: list[Event] = [event for one in flagged if one.time_ms >= from_ms for event in watch.feed(one)]
    expected += watch.tick(to_ms)
    over = {event.occurrence for event in before if event.event == "cleared"}
    standing = [one for one in before if one.event == "raised" and one.occurrence not in over]
    # short, so that a difference is told quickly
    assert short(found.events) == short(expected)
    assert short(found.samples) == short(watch.samples)
    assert short(found.standing) == short(standing)
    assert short(found.watch.snapshot()) == short(watch.snapshot())
    assert (found.readings, found.learnt_from_ms) == (len(readings), BEGAN)


def short(made: object) -> str:
    return hashlib.sha256(repr(made).encode()).hexdigest()


def _flagged(readings: list[Reading]) -> list[Reading]:
    """In order of time, those of one moment as the quantities are listed; imported ones flagged."""
    intake = Intake(SETTINGS)
    order = list(QUANTITIES)
    made = sorted(readings, key=lambda one: (one.time_ms, order.index(one.quantity)))
    for one in made:
        if one.flag == 2:
            one.flag = intake.flagger("nook", one.quantity).flag(one.time_ms, one.value)
    return made


def test_most_readings_of_a_store_are_judged_by_whole_minutes(monkeypatch: pytest.MonkeyPatch) -> None:
    taken: list[int] = []
    take = RecordingWatch.take

    def counted(self: RecordingWatch, quantity: str, time_ms: int, *rest: object) -> list[Event]:
        taken.append(time_ms)
        return take(self, quantity, time_ms, *rest)  # type: ignore[arg-type]

    kept = Kept(
        [Reading("nook", TEMPERATURE, BEGAN + 10_000 * n, 24.0 + n % 2 / 100, 1) for n in range(8640)]
    )
    monkeypatch.setattr(RecordingWatch, "take", counted)
    replay_store(SETTINGS, kept, "nook", BEGAN + DAY_MS // 2, BEGAN + DAY_MS)
    assert 0 < len(taken) < 100
