"""The short way into a watch gives the same as the long one, whatever comes."""

from __future__ import annotations

from typing import Any

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from rushlight.analysis.replay.files import TICK_MS, Replay
from rushlight.analysis.watch.lane import fill
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import LIGHT, PH, PH_PROBE, TEMPERATURE, Reading
from rushlight.collector.settings import LivestockSettings, TankSettings, parse_settings

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


TWO_TANKS = """
[tanks.hallway]
volume_litres = 54
timezone = "Europe/Lisbon"
[tanks.hallway.livestock]
temperature_low_c = 18
temperature_high_c = 27
[tanks.hallway.ph_calibration]
points = [{ ph = 4.0, mv = 177.5 }, { ph = 7.0, mv = 0.0 }]
[tanks.shed]
volume_litres = 54
timezone = "Europe/Lisbon"
report_every_s = 1
[tanks.shed.livestock]
temperature_low_c = 18
temperature_high_c = 27
"""

# tank, seconds since the row before, quantity, value, whether its time was replaced by that of the row before
recorded_rows = st.lists(
    st.tuples(
        st.sampled_from(("hallway", "hallway", "hallway", "shed")),
        st.sampled_from((0, 0, 0, 10, 10, 10, 10, 61, -10, -400, 400, 4000)),
        st.sampled_from((TEMPERATURE, PH, LIGHT, LIGHT, PH_PROBE)),
        st.one_of(st.none(), st.sampled_from((6.9, 6.91, 6.92, 7.9, 24.0, 24.06, 200.0, 3000.0))),
        st.sampled_from((False, False, False, False, True)),
    ),
    max_size=120,
)


@settings(max_examples=150, deadline=None)
@given(recorded_rows)
def test_a_replay_leaves_the_state_and_events_of_reading_by_reading(
    rows: list[tuple[str, int, str, float | None, bool]],
) -> None:
    """A replay lets the readings of a frame wait; here each is flagged and taken as it comes."""
    made = parse_settings(TWO_TANKS)
    time_ms, timed = BEGAN, []
    for tank, seconds, quantity, value, arrival in rows:
        time_ms += 0 if arrival else 1000 * seconds
        timed.append((time_ms, tank, quantity, value, arrival))
    replay = Replay(made, lambda _: None)
    events = [msgspec.json.encode(event) for event in replay.events(iter(timed))]
    slow = Replay(made, lambda _: None)
    expected: list[bytes] = []
    tick_at = -1
    for at, tank, quantity, value, arrival in timed:
        one = slow.watches[tank]
        if at > tick_at:
            ticked = slow._others(at, one) if tick_at > 0 else ()
            expected += [msgspec.json.encode(event) for event in ticked]
            tick_at = at + TICK_MS
        for reading in slow._intake.take(Reading(tank, quantity, at, value, stamp=int(arrival))):
            expected += [msgspec.json.encode(event) for event in one.feed(reading)]
    assert events == expected
    for name, watched in replay.watches.items():
        assert watched.snapshot() == slow.watches[name].snapshot()
    quality, other = replay._intake.quality.states(), slow._intake.quality.states()
    assert {tank: repr(states) for tank, states in quality.items() if states} == {
        tank: repr(states) for tank, states in other.items() if states
    }
    assert replay._intake.warmth() == slow._intake.warmth()


def test_the_readings_of_a_frame_are_taken_together() -> None:
    """Six a minute, at ten seconds: one goes the long way, the others wait for it to end."""
    replay = Replay(parse_settings(TWO_TANKS), lambda _: None)
    taken: list[int] = []
    one = replay.watches["hallway"]
    take = one.take

    def counted(quantity: str, time_ms: int, *rest: Any) -> list[Event]:
        taken.append(time_ms - BEGAN)
        return take(quantity, time_ms, *rest)

    one.take = counted  # type: ignore[method-assign]
    rows = [(BEGAN + 10_000 * n, "hallway", TEMPERATURE, 24.0 + n % 2 / 100, False) for n in range(18)]
    assert list(replay.events(iter(rows))) == []
    assert taken == [0, 60_000, 120_000]
    assert one.state.frames.series[TEMPERATURE].good == 6


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
