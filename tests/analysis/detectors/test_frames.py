"""One-minute frames: any readings in any order, late ones, a clock put back."""

from __future__ import annotations

import math
from collections import defaultdict

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.analysis.detectors.frames import FRAME_MS, Frame, FrameBuilder
from rushlight.collector.readings import QUANTITIES, Reading

BEGAN = 1_772_330_400_000  # 2026-03-01T02:00Z, a whole minute
HOUR = 60 * FRAME_MS

wild_readings = st.builds(
    Reading,
    tank=st.just("hallway"),
    quantity=st.sampled_from(sorted(QUANTITIES)),
    time_ms=st.integers(0, 2_200_000_000_000) | st.integers(BEGAN - HOUR, BEGAN + HOUR),
    value=st.none() | st.floats(allow_nan=True, allow_infinity=True) | st.floats(0, 40),
    flag=st.sampled_from([1, 2, 3, 4, 9]),
)


def reading(
    time_ms: int, value: float | None = 24.0, quantity: str = "temperature", flag: int = 1
) -> Reading:
    return Reading("hallway", quantity, time_ms, value, flag)


def feed(builder: FrameBuilder, readings: list[Reading]) -> list[Frame]:
    return [frame for one in readings if (frame := builder.feed(one)) is not None]


@given(st.lists(wild_readings, max_size=200))
def test_anything_in_any_order(readings: list[Reading]) -> None:
    builder = FrameBuilder()
    counted = late = 0
    for one in readings:
        before = builder.late
        start = builder.start_ms
        frame = builder.feed(one)
        late += builder.late - before
        assert (builder.late - before) == (start >= 0 and one.time_ms < start)
        assert builder.start_ms % FRAME_MS == 0 and builder.end_ms == builder.start_ms + FRAME_MS
        if frame is not None:
            assert frame.start_ms % FRAME_MS == 0
            assert frame.time_ms >= frame.start_ms + FRAME_MS  # closed by what lies behind its end
            counted += sum(s.good + s.suspect + s.bad for s in frame.series.values())
    counted += sum(s.good + s.suspect + s.bad for s in builder.series.values())
    assert counted + late >= len(readings)  # each is in a frame or counted as late
    assert counted + late - len(readings) <= len(readings) // 60  # the one that ends a late run is both


@given(st.lists(wild_readings, max_size=60), st.integers(0, 60))
def test_a_snapshot_goes_on_the_same(readings: list[Reading], cut: int) -> None:
    # NaN is never flagged good (rushlight.collector.intake.quality), and no NaN equals another one
    readings = [one for one in readings if one.value is None or math.isfinite(one.value)]
    whole, first = FrameBuilder(), FrameBuilder()
    frames = feed(whole, readings)
    before = feed(first, readings[:cut])
    second = msgspec.msgpack.decode(msgspec.msgpack.encode(first), type=FrameBuilder)
    assert before + feed(second, readings[cut:]) == frames


steady = st.lists(st.floats(0, 40).map(lambda v: round(v, 2)), min_size=1, max_size=100)


@given(steady, st.sampled_from([5, 10, 30, 60, 150]))
def test_means_and_counts_are_those_of_the_minute(values: list[float], step_s: int) -> None:
    builder = FrameBuilder()
    readings = [reading(BEGAN + n * step_s * 1000, value) for n, value in enumerate(values)]
    frames = feed(builder, [*readings, reading(BEGAN + 200 * HOUR)])
    minutes: dict[int, list[float]] = defaultdict(list)
    for one in readings:
        assert one.value is not None
        minutes[one.time_ms // FRAME_MS * FRAME_MS].append(one.value)
    assert [frame.start_ms for frame in frames] == sorted(minutes)
    for frame in frames:
        mine = minutes[frame.start_ms]
        assert frame.temperature == pytest.approx(math.fsum(mine) / len(mine))
        assert frame.series["temperature"].good == len(mine)


def test_flags_decide_what_counts() -> None:
    builder = FrameBuilder()
    readings = [
        reading(BEGAN, 24.0),
        reading(BEGAN + 10_000, 99.0, flag=3),
        reading(BEGAN + 20_000, 85.0, flag=4),
        reading(BEGAN + 30_000, None, flag=9),
        reading(BEGAN + 40_000, 26.0, flag=2),
        reading(BEGAN + 50_000, 7.0, "ph"),
    ]
    (frame,) = feed(builder, [*readings, reading(BEGAN + FRAME_MS)])
    series = frame.series["temperature"]
    assert (series.good, series.suspect, series.bad) == (2, 1, 2)
    assert frame.temperature == 25.0 and frame.ph == 7.0
    assert frame.light is frame.room is frame.heater is None
    assert series.last_bad is None and series.last == 26.0
    assert frame.time_ms == BEGAN + FRAME_MS


def test_stillness_is_carried_from_frame_to_frame() -> None:
    builder = FrameBuilder()
    readings = [reading(BEGAN + n * 10_000, 24.0 if n < 3 else 24.5) for n in range(60)]
    frames = feed(builder, readings)
    assert [frame.series["temperature"].flat_since for frame in frames[1:]] == [BEGAN + 30_000] * (
        len(frames) - 1
    )


def test_late_readings_are_counted_and_change_nothing() -> None:
    builder = FrameBuilder()
    feed(builder, [reading(BEGAN + n * FRAME_MS) for n in range(10)])
    start = builder.start_ms
    late = [reading(BEGAN + n * 1000, 49.0) for n in range(20)]
    assert feed(builder, late) == []
    assert builder.late == 20 and builder.start_ms == start
    assert builder.series["temperature"].total == 24.0
    (frame,) = feed(builder, [reading(BEGAN + 10 * FRAME_MS)])
    assert frame.temperature == 24.0


def test_a_few_late_ones_among_the_timely_never_turn_the_clock_back() -> None:
    """A device that sends what it kept beside what it measures now."""
    builder = FrameBuilder()
    frames = []
    for n in range(300):
        frames += feed(builder, [reading(BEGAN + (1000 + n) * FRAME_MS), reading(BEGAN + n * FRAME_MS, 49.0)])
    assert builder.late == 300
    assert len(frames) == 299 and {frame.temperature for frame in frames} == {24.0}
    late = [reading(BEGAN + n * FRAME_MS, 49.0) for n in range(300, 370)]
    assert feed(builder, late)[-1].temperature == 49.0  # nothing but late ones: it was put back


def test_a_clock_that_was_put_back_is_followed() -> None:
    """An hour back: the readings of the first minutes are late, then the frames go with the new time."""
    builder = FrameBuilder()
    feed(builder, [reading(BEGAN + n * 30_000) for n in range(20)])
    frames = feed(builder, [reading(BEGAN - HOUR + n * 30_000, 25.0) for n in range(120)])
    assert frames and all(frame.start_ms < BEGAN for frame in frames)
    assert frames[-1].temperature == 25.0
    assert 0 < builder.late < 90


def test_what_no_probe_can_mean_is_bad_whoever_called_it_good() -> None:
    for value, taken in ((1e300, None), (24.0, 24.0)):
        builder = FrameBuilder()
        builder.feed(reading(BEGAN, value))
        frame = builder.feed(reading(BEGAN + FRAME_MS))
        assert frame is not None and frame.temperature == taken
        assert frame.series["temperature"].bad == (taken is None)


@given(
    away_min=st.integers(20, 300),
    every_s=st.sampled_from([10, 30, 60, 300]),
    each=st.integers(1, 5),
    oldest_first=st.booleans(),
)
def test_what_a_device_had_kept_is_no_clock_where_it_comes_newest_first(
    away_min: int, every_s: int, each: int, oldest_first: bool
) -> None:
    """A clock that was put back goes on from there. Kept reports that go back in time are only late."""
    builder, back_at = FrameBuilder(), BEGAN + away_min * FRAME_MS
    feed(builder, [reading(BEGAN), reading(back_at)])
    times = range(BEGAN + FRAME_MS, back_at - FRAME_MS, every_s * 1000)
    names = ["temperature", "ph", "light", "room_temperature", "heater_power"][:each]
    followed = 0
    for time_ms in times if oldest_first else reversed(times):
        for name in names:
            builder.feed(reading(time_ms, quantity=name))
            followed += builder.back_ms > 0
            builder.back_ms = 0
    late = len(times) * each
    if oldest_first:
        assert followed == (late >= 60 or (late >= 6 and times[-1] - times[0] >= 30 * FRAME_MS))
    else:
        assert not followed and builder.start_ms == back_at and builder.late == late
