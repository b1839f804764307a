"""The short way into a watch gives the same as the long one, whatever comes."""

from __future__ import annotations

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from rushlight.analysis.watch.lane import fill, lane
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import LIGHT, PH, TEMPERATURE, Reading
from rushlight.collector.settings import LivestockSettings, TankSettings

BEGAN = 1_772_330_400_000  # 2026-03-01T02:00Z
FLAGS = (1, 3, 4, 9)

# seconds since the row before (a clock may step back), quantity, value, flag
Row = tuple[int, str, float | None, int]
rows_of_readings = st.lists(
    st.tuples(
        st.sampled_from((0, 0, 10, 10, 10, 61, -30, 400)),
        st.sampled_from((TEMPERATURE, PH, LIGHT)),
        st.one_of(st.none(), st.sampled_from((6.9, 24.0, 24.06))),
        st.sampled_from((1, 1, 1, *FLAGS)),
    ),
    max_size=80,
)


def watch() -> TankWatch:
    livestock = LivestockSettings(temperature_low_c=18, temperature_high_c=27)
    return TankWatch("hallway", TankSettings(volume_litres=54, timezone="Europe/Lisbon", livestock=livestock))


@settings(max_examples=60, deadline=None)
@given(rows_of_readings)
def test_the_short_way_leaves_the_same_state_and_events(rows: list[Row]) -> None:
    long, short = watch(), watch()
    flags: dict[str, int] = {}
    ways = {
        name: lane(short, name, lambda _time, _value, name=name: flags[name])  # type: ignore[misc]
        for name in (TEMPERATURE, PH, LIGHT)
    }
    time_ms = BEGAN
    for seconds, quantity, value, flag in rows:
        time_ms += 1000 * seconds
        flags[quantity] = flag
        expected = long.take(quantity, time_ms, value, flag, 0, time_ms)
        assert (ways[quantity](time_ms, value, 0) or []) == expected
        assert msgspec.to_builtins(short.state.frames) == msgspec.to_builtins(long.state.frames)
    assert short.snapshot() == long.snapshot()


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.sampled_from((0, 1, 1, 20, 90)), rows_of_readings), max_size=5))
def test_whole_reports_leave_the_same_state_and_events(arrivals: list[tuple[int, list[Row]]]) -> None:
    """By minutes since the arrival before, and what arrived."""
    long, short = watch(), watch()
    long.begin(BEGAN)
    short.begin(BEGAN)
    time_ms = heard_ms = BEGAN
    for minutes, rows in arrivals:
        heard_ms += 60_000 * minutes
        batch = []
        for seconds, quantity, value, flag in rows:
            time_ms += 1000 * seconds
            batch.append(Reading("hallway" if seconds != 61 else "shed", quantity, time_ms, value, flag))
        mine = [reading for reading in batch if reading.tank == "hallway"]
        expected = [event for reading in mine for event in long.feed(reading, heard_ms)]
        events: list[Event] = []
        at = 0
        while at < len(batch):
            behind = fill(short, batch, at, heard_ms)
            if behind == at:
                if batch[at].tank == "hallway":
                    events += short.feed(batch[at], heard_ms)
                behind += 1
            at = behind
        assert events == expected
        assert short.snapshot() == long.snapshot()


def test_a_report_of_the_open_frame_goes_the_short_way() -> None:
    one = watch()
    first = [Reading("hallway", name, BEGAN, 7.0, 1) for name in (PH, LIGHT)]
    assert fill(one, first, 0, BEGAN) == 0  # no frame is open
    for reading in first:
        one.feed(reading, BEGAN)
    again = [Reading("hallway", name, BEGAN + 10_000, 7.1, 1) for name in (PH, LIGHT)]
    assert fill(one, again, 0, BEGAN + 10_000) == 2
    assert one.state.frames.series[PH].good == 2
    assert one.state.silence.last_ms == BEGAN + 10_000
    again[1].flag = 4
    assert fill(one, again, 0, BEGAN + 20_000) == 1  # what is bad is left
