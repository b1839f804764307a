"""Whole minutes of plain readings give the same as one reading after the other, whatever lies between."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from rushlight.analysis.replay import csv_rows
from rushlight.analysis.replay.columns import Columns
from rushlight.analysis.replay.csv_rows import HEADER, read_parts, read_rows
from rushlight.analysis.replay.files import TICK_MS, Replay
from rushlight.analysis.watch import minutes
from rushlight.collector.events import Event
from rushlight.collector.readings import (
    LIGHT,
    PH,
    PH_PROBE,
    QUANTITIES,
    ROOM_TEMPERATURE,
    TEMPERATURE,
    Reading,
)
from rushlight.collector.settings import parse_settings

BEGAN = 1_772_330_400_000  # 2026-03-01T02:00Z

TANK = """
[tanks.{name}]
volume_litres = 54
timezone = "Europe/Lisbon"
[tanks.{name}.livestock]
temperature_low_c = 18
temperature_high_c = 27
[tanks.{name}.ph_calibration]
points = [{{ ph = 4.0, mv = 177.5 }}, {{ ph = 7.0, mv = 0.0 }}]
"""
ONE = TANK.format(name="attic")
TWO = ONE + TANK.format(name="porch")

# a stretch of reports: how many, seconds from one to the next, what each has, and how its values go on
stretch = st.tuples(
    st.integers(1, 40),
    st.sampled_from((10, 10, 20, 60, 60, 300)),
    st.sampled_from(
        ((TEMPERATURE,), (TEMPERATURE, PH), (LIGHT, TEMPERATURE, PH), (TEMPERATURE, ROOM_TEMPERATURE), (PH,))
    ),
    st.sampled_from((0.0, 0.01, 0.02)),
)
# what lies between two stretches: seconds until then, quantity, value as it is written
odd_row = st.tuples(
    st.sampled_from((0, 5, 10, 70, -20, -400, 1500, 9000, 30_000)),
    st.sampled_from((TEMPERATURE, PH, LIGHT, PH_PROBE, "colour")),
    st.sampled_from(("", "24", "6.9", "29.5", "85", "-127", "99999999", "six", "nan", "1,5")),
    st.sampled_from(("attic", "attic", "attic", "porch")),
)
FIRST = {TEMPERATURE: 24.0, PH: 6.9, LIGHT: 300.0, ROOM_TEMPERATURE: 20.0}


def written(
    parts: list[tuple[tuple[int, int, tuple[str, ...], float], list[tuple[int, str, str, str]]]],
) -> str:
    """The file: stretches of plain reports with odd rows behind each."""
    lines = [",".join(HEADER)]
    time_ms = BEGAN
    for (count, every_s, names, step), rows in parts:
        for number in range(count):
            time_ms += every_s * 1000
            for name in names:
                value = FIRST[name] + step * (number % 5)
                lines.append(f"{text(time_ms)},attic,{name},{value:.2f}")
        for seconds, name, value_text, tank in rows:
            time_ms += seconds * 1000
            lines.append(f"{text(time_ms)},{tank},{name},{value_text}")
    return "\n".join([*lines, ""])


def text(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def one_by_one(replay: Replay, path: Path) -> list[bytes]:
    """The long way: each reading is flagged and given to its watch as it comes."""
    found: list[Event] = []
    tick_at = -1
    for at, tank, quantity, value, arrival in read_rows([path], lambda _: None):
        if tank not in replay.watches or quantity not in QUANTITIES:
            continue
        one = replay.watches[tank]
        if at > tick_at:
            if tick_at > 0 and len(replay.watches) > 1:
                found += replay._others(at, one)
            tick_at = at + TICK_MS
        for reading in replay._intake.take(Reading(tank, quantity, at, value, stamp=int(arrival))):
            found += one.feed(reading)
    return [msgspec.json.encode(event) for event in found]


def digest(replay: Replay) -> list[str]:
    """All that is remembered; short, so that a difference is told quickly."""
    states = {tank: repr(of) for tank, of in replay._intake.quality.states().items() if of}
    made = [f"{name}: {watch.snapshot().hex()}" for name, watch in replay.watches.items()]
    made += [repr(states), repr(replay._intake.warmth())]
    return [hashlib.sha256(one.encode()).hexdigest() for one in made]


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Small blocks, so that a short file has several, with a run of one minute taken together, too."""
    monkeypatch.setattr(csv_rows, "_BLOCK", 2000)
    monkeypatch.setattr(minutes, "_FEW", 1)


ALL = (LIGHT, TEMPERATURE, PH)
FIRST_ONE = (1, 10, (TEMPERATURE,), 0.0)
LATE_BLANK = [(FIRST_ONE, [(-20, PH, "", "attic")]), ((1, 10, ALL, 0.0), [])]
LATE_FIRST = [(FIRST_ONE, [(5, TEMPERATURE, "", "attic"), (-400, PH, "", "attic")]), ((32, 10, ALL, 0.0), [])]


@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.tuples(stretch, st.lists(odd_row, max_size=3)), max_size=6), st.sampled_from((ONE, ONE, TWO))
)
@example(LATE_BLANK, ONE)
@example(LATE_FIRST, ONE)
def test_a_file_leaves_the_state_and_events_of_reading_by_reading(
    small: None, tmp_path: Path, parts: list[Any], toml: str
) -> None:
    path = tmp_path / "readings.csv"
    path.write_text(written(parts), encoding="utf-8")
    fast, slow = (Replay(parse_settings(toml), lambda _: None) for _ in range(2))
    found = [msgspec.json.encode(event) for event in fast.events_of(read_parts([path], lambda _: None))]
    assert found == one_by_one(slow, path)
    assert digest(fast) == digest(slow)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(stretch, st.lists(odd_row, max_size=2)), max_size=4), st.sampled_from((50, 700)))
def test_blocks_give_the_rows_and_complaints_of_one_by_one(
    tmp_path: Path, parts: list[Any], size: int
) -> None:
    """A file with a quote in it is read one row after the other."""
    plain, quoted = tmp_path / "readings.csv", tmp_path / "quoted.csv"
    table = written(parts)
    plain.write_text(table, encoding="utf-8")
    quoted.write_text(table.replace("time,", '"time",', 1), encoding="utf-8")
    said: list[list[str]] = [[], []]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(csv_rows, "_BLOCK", size)
        rows = list(read_rows([plain], said[0].append))
    assert rows == list(read_rows([quoted], said[1].append))
    assert said[0] == [one.replace("quoted.csv", "readings.csv") for one in said[1]]


def takes(path: Path, toml: str = ONE) -> list[int]:
    """Times, in s since `BEGAN`, of the readings that went one by one."""
    replay = Replay(parse_settings(toml), lambda _: None)
    one = replay.watches["attic"]
    taken: list[int] = []
    take = one.take

    def counted(quantity: str, time_ms: int, *rest: Any) -> list[Event]:
        taken.append((time_ms - BEGAN) // 1000)
        return take(quantity, time_ms, *rest)

    one.take = counted  # type: ignore[method-assign]
    list(replay.events_of(read_parts([path], lambda _: None)))
    return taken


def lines(*values: str) -> str:
    """A report every 20 s; `values` as they are written."""
    each = (f"{text(BEGAN + 20_000 * n)},attic,{TEMPERATURE},{value}" for n, value in enumerate(values))
    return "\n".join([",".join(HEADER), *each, ""])


def test_only_the_first_and_the_last_minute_go_one_by_one(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text(lines(*["24.0", "24.06"] * 30), encoding="utf-8")
    edges = [0, 20, 40, 1140, 1160, 1180]
    assert takes(path) == edges
    torn = ["24.0", "24.06"] * 30
    torn[31] = ""  # a probe that could not be read: its minute goes one by one
    path.write_text(lines(*torn), encoding="utf-8")
    assert takes(path) == [*edges[:3], 600, 620, 640, *edges[3:]]
    torn[31] = "wet"  # no number: the block goes one by one, frames by frames
    path.write_text(lines(*torn), encoding="utf-8")
    assert len(takes(path)) > len(edges) + 3


def test_exported_files_and_other_line_ends_go_by_columns(tmp_path: Path) -> None:
    table = lines(*["24.0"] * 9)
    exported = table.replace("value\n", "value,flag,seq,stamp\n").replace("24.0\n", "24.0,1,7,0\n")
    path = tmp_path / "readings.csv"
    for one in (table, exported, table.replace("\n", "\r\n"), table.rstrip("\n")):
        path.write_bytes(one.encode())
        (block, rest) = read_parts([path], pytest.fail)
        assert isinstance(block, Columns) and not isinstance(rest, Columns)
        assert block.times_ms.tolist() == [BEGAN + 20_000 * n for n in range(9)]
        assert block.values.tolist() == [24.0] * 9 and list(rest) == []


def columns(*reports: tuple[int, float]) -> Columns:
    """Seconds since `BEGAN`, and the water's temperature."""
    times = np.array([BEGAN + 1000 * seconds for seconds, _ in reports])
    values = np.array([value for _, value in reports])
    return Columns("attic", [TEMPERATURE], np.zeros(len(reports), np.int64), times, values)


def steady(begin: int, end: int) -> list[tuple[int, float]]:
    """A report each 20 s."""
    return [(second, 24.0) for second in range(begin, end, 20)]


@pytest.mark.parametrize(
    "blocks",
    [
        (steady(0, 600), steady(4000, 4600)),  # a silence between two blocks
        ([*steady(0, 600), *steady(960, 1500)],),  # a gap, which may be a leap of the clock
        (steady(0, 600), steady(600, 1200)),
        (steady(0, 1200), steady(600, 1500)),  # what comes late, and goes on into what is new
        ([*steady(0, 600), (659, 85.0)], steady(660, 1500)),  # as before, behind what is bad
        ([*steady(0, 600), (659, 85.0), *steady(660, 1500)],),
        ([*steady(0, 600), *((600 + n, 24.0 + n / 3) for n in range(4)), *steady(660, 1500)],),  # suspect
        ([(n, 24.1 + n % 7 / 100) for n in range(600)],),
        # twice in one moment
        ([(0, 24.0), (60, 24.0), (60, 24.1), *((n, 24.1) for n in range(80, 900, 20))],),
    ],
)
def test_blocks_give_the_same_as_their_rows(blocks: tuple[list[tuple[int, float]], ...]) -> None:
    fast, slow = (Replay(parse_settings(ONE), lambda _: None) for _ in range(2))
    made = [columns(*block) for block in blocks]
    found = list(fast.events_of(made))
    assert found == list(slow.events(row for block in made for row in block.rows()))
    assert digest(fast) == digest(slow)
    assert fast.summary == slow.summary


@pytest.mark.parametrize("field", ["standing", "awaited"])
def test_late_readings_end_no_silence_for_those_behind_them(field: str) -> None:
    """The first of a block are late; the silence ends with the first that is not."""
    snapshots = []
    for together in (True, False):
        replay = Replay(parse_settings(ONE), lambda _: None)
        list(replay.events_of([columns(*steady(0, 600))]))
        setattr(replay.watches["attic"].state.silence, field, True)
        block = columns((500, 24.0), *steady(600, 1500))
        list(replay.events_of([block]) if together else replay.events(block.rows()))
        assert not getattr(replay.watches["attic"].state.silence, field)
        snapshots.append(digest(replay))
    assert snapshots[0] == snapshots[1]


@pytest.mark.parametrize("back", [30, 400, 2000])
def test_rows_that_are_not_in_order_of_time_go_one_by_one(tmp_path: Path, back: int) -> None:
    path = tmp_path / "readings.csv"
    seconds = [*range(0, 1200, 20), *range(1200 - back, 2400, 20)]
    rows = (f"{text(BEGAN + 1000 * one)},attic,{TEMPERATURE},24.{one // 20 % 3}" for one in seconds)
    path.write_text("\n".join([",".join(HEADER), *rows, ""]), encoding="utf-8")
    fast, slow = (Replay(parse_settings(ONE), lambda _: None) for _ in range(2))
    list(fast.events_of(read_parts([path], lambda _: None)))
    one_by_one(slow, path)
    assert digest(fast) == digest(slow)
