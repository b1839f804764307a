"""One tank under watch: a restart at any moment changes nothing, and nothing reads a clock."""

from __future__ import annotations

import ast
import zlib
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace as replace_struct

from rushlight import analysis
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event
from rushlight.collector.intake.flagging import Intake
from rushlight.collector.readings import Reading
from rushlight.collector.settings import Settings, parse_settings
from rushlight.simulator.scene import SCENE

ANALYSIS = Path(analysis.__file__).parent
MINUTE = 60_000
HOUR = 60 * MINUTE
SURGE = SCENE.chapters[2]
HEATER = SCENE.chapters[4]


@pytest.fixture(scope="module")
def config() -> Settings:
    return parse_settings(SCENE.settings_for("/dev/ttyUSB0"), "rushlight.toml")


@pytest.fixture(scope="module")
def stream(config: Settings) -> list[Reading]:
    """The demo's first week, flagged: a CO2 surge, a dead heater; and five hours without reports."""
    scene = replace(SCENE, chapters=SCENE.chapters[:5], step_s=60)
    intake = Intake(config)
    found: list[Reading] = []
    for time_ms, values in scene.reports():
        if SCENE.start_ms + 30 * HOUR < time_ms < SCENE.start_ms + 35 * HOUR:
            continue
        for quantity, value in values:
            found += intake.take(Reading(scene.tank, quantity, time_ms, value))
    return found


@pytest.fixture(scope="module")
def uninterrupted(config: Settings, stream: list[Reading]) -> list[Event]:
    return feed(fresh(config), stream)


def fresh(config: Settings) -> TankWatch:
    return TankWatch(SCENE.tank, config.tanks[SCENE.tank])


def feed(watch: TankWatch, readings: Sequence[Reading]) -> list[Event]:
    return [event for one in readings for event in watch.feed(one)]


def restarted(config: Settings, watch: TankWatch) -> TankWatch:
    again = fresh(config)
    again.restore(watch.snapshot())
    return again


def test_the_week_has_something_to_tell(uninterrupted: list[Event]) -> None:
    """Otherwise the comparisons below would prove nothing."""
    raised = {event.alarm for event in uninterrupted if event.event == "raised"}
    assert {"co2-overdose", "heater-not-heating", "device-silent"} <= raised
    assert "cleared" in {event.event for event in uninterrupted}


@settings(
    max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=40))
def test_restarts_at_any_moment_change_nothing(
    config: Settings, stream: list[Reading], uninterrupted: list[Event], shares: list[float]
) -> None:
    cuts = [0, *sorted(int(share * len(stream)) for share in shares), len(stream)]
    watch = fresh(config)
    events: list[Event] = []
    for begin, end in pairwise(cuts):
        events += feed(watch, stream[begin:end])
        watch = restarted(config, watch)
    assert events == uninterrupted


@pytest.mark.parametrize("chapter", [SURGE, HEATER], ids=lambda chapter: chapter.expected_alarm)
def test_a_restart_after_each_reading_while_an_alarm_is_raised(
    config: Settings, stream: list[Reading], uninterrupted: list[Event], chapter: object
) -> None:
    name = chapter.expected_alarm  # type: ignore[attr-defined]
    times = [e.time for e in uninterrupted if e.alarm == name and e.event == "raised"]
    at = next(n for n, one in enumerate(stream) if _text(one.time_ms) == times[0])
    watch = fresh(config)
    events = feed(watch, stream[: at - 60])
    for one in stream[at - 60 : at + 60]:
        events += watch.feed(one)
        watch = restarted(config, watch)
    events += feed(watch, stream[at + 60 :])
    assert events == uninterrupted


def _text(time_ms: int) -> str:
    from rushlight.analysis.alarms.wording import utc_text

    return utc_text(time_ms)


def test_a_raised_alarm_has_the_time_of_a_reading_or_of_a_deadline(
    stream: list[Reading], uninterrupted: list[Event]
) -> None:
    """Contract, section 5: when the system could first have known."""
    known = {_text(one.time_ms) for one in stream}
    last = max(one.time_ms for one in stream if one.time_ms <= SCENE.start_ms + 30 * HOUR)
    for event in uninterrupted:
        if event.alarm == "device-silent" and event.event == "raised":
            assert event.time == _text(last + 20 * MINUTE)
        elif event.event == "raised":
            assert event.time in known


def test_silence_is_told_the_same_by_the_clock_and_by_the_next_reading(
    config: Settings, stream: list[Reading]
) -> None:
    before = [one for one in stream if one.time_ms <= SCENE.start_ms + 30 * HOUR]
    after = next(one for one in stream if one.time_ms > SCENE.start_ms + 30 * HOUR)
    by_reading, by_clock = fresh(config), fresh(config)
    feed(by_reading, before)
    feed(by_clock, before)
    told = by_reading.feed(after)
    ticked: list[Event] = []
    for minute in range(1, 120):
        ticked += by_clock.tick(before[-1].time_ms + minute * MINUTE)
    assert [event.alarm for event in ticked] == ["device-silent"]
    assert told[0] == ticked[0]


@settings(max_examples=25, deadline=None)
@given(st.binary(max_size=200))
def test_a_broken_snapshot_is_refused_and_the_watch_goes_on(config: Settings, blob: bytes) -> None:
    watch = fresh(config)
    with pytest.raises(StoreError, match="landing"):
        watch.restore(blob)
    assert watch.feed(Reading(SCENE.tank, "temperature", SCENE.start_ms, 23.0, 1)) == []


def test_a_snapshot_of_another_version_is_refused(config: Settings) -> None:
    watch = fresh(config)
    state, book = msgspec.msgpack.decode(watch.snapshot(), type=tuple[bytes, bytes])
    other = msgspec.msgpack.decode(zlib.decompress(state))
    other["version"] += 1
    with pytest.raises(StoreError, match="version"):
        fresh(config).restore(msgspec.msgpack.encode([msgspec.msgpack.encode(other), book]))


def test_a_snapshot_is_packed_and_a_plain_one_is_read_too(config: Settings) -> None:
    watch = fresh(config)
    watch.feed(Reading(SCENE.tank, "temperature", SCENE.start_ms, 23.0, 1))
    blob = watch.snapshot()
    state, book = msgspec.msgpack.decode(blob, type=tuple[bytes, bytes])
    plain = msgspec.msgpack.encode([zlib.decompress(state), book])  # as it was saved before it was packed
    assert len(blob) < 0.6 * len(plain)
    for saved in (blob, plain):
        other = fresh(config)
        other.restore(saved)
        assert other.snapshot() == blob
    with pytest.raises(StoreError, match="can't be read"):
        fresh(config).restore(msgspec.msgpack.encode([state[:-20], book]))


CLOCKLESS = sorted(
    path
    for room in ("alarms", "detectors", "estimators", "physics", "watch")
    for path in (ANALYSIS / room).rglob("*.py")
) + [ANALYSIS / "replay" / name for name in ("columns.py", "csv_rows.py", "files.py", "sound_times.py")]
CLOCKS = {"now", "utcnow", "today", "time", "time_ns", "monotonic", "monotonic_ns", "perf_counter"}


def clock_reads(source: str) -> list[str]:
    """Clock reads in a module's source: `import time`, and `.now()`, `.today()` … on anything."""
    found: list[str] = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found += [f"import {a.name}" for a in node.names if a.name.split(".")[0] == "time"]
        elif isinstance(node, ast.ImportFrom) and node.module == "time":
            found.append("from time")
        elif isinstance(node, ast.Call):
            function = node.func
            name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
            if name in CLOCKS or (name in {"localtime", "gmtime"} and not node.args):
                found.append(f"{name}() in line {node.lineno}")
    return found


@pytest.mark.parametrize("path", CLOCKLESS, ids=lambda path: str(path.relative_to(ANALYSIS)))
def test_analysis_reads_no_clock(path: Path) -> None:
    assert clock_reads(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "source",
    [
        "import time",
        "from time import time_ns",
        "import datetime as d\nd.datetime.now()",
        "from datetime import date\ndate.today()",
    ],
)
def test_the_search_for_clock_reads_finds_them(source: str) -> None:
    assert clock_reads(source)


@settings(max_examples=12, deadline=None)
@given(
    gaps=st.lists(
        st.tuples(
            st.floats(0, 1),
            st.integers(1, 900),
            st.sampled_from(["", "temperature", "room_temperature", "ph", "light", "heater_power"]),
        ),
        max_size=12,
    ),
    every=st.sampled_from([1, 1, 5, 20, 30]),
    bare=st.booleans(),
)
def test_no_gap_breaks_the_analysis(
    config: Settings, stream: list[Reading], gaps: list[tuple[float, int, str]], every: int, bare: bool
) -> None:
    """Reports missing at any time, of one probe or all, rare reports, and settings that say little."""
    tank = config.tanks[SCENE.tank]
    if bare:
        tank = replace_struct(tank, heater=None, light=None, water=type(tank.water)())
    begin, end = stream[0].time_ms, stream[-1].time_ms
    holes = [(begin + share * (end - begin), length * MINUTE, name) for share, length, name in gaps]

    def there(one: Reading) -> bool:
        if (one.time_ms - begin) // MINUTE % every:
            return False
        return not any(
            at <= one.time_ms < at + length and name in ("", one.quantity) for at, length, name in holes
        )

    feed(TankWatch(SCENE.tank, tank), [one for one in stream if there(one)])
