"""The short way into a watch gives the same as the long one, whatever comes."""

from __future__ import annotations

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from rushlight.analysis.watch.lane import lane
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import LIGHT, PH, TEMPERATURE
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
