"""Labelled scenarios of the benchmark's generator through the whole analysis.

The truth is the generator's own world: a physical model that shares no code with `analysis/` and is checked
against PHREEQC and Newton's law of cooling in tests/bench/test_generate.py. Seeds are fixed; the full figures
over many seeds are the benchmark's business (bench/diagnosis), these few only show that each acute fault is
named before it harms. Readings behind the moment of harm are left out: what comes later is too late.
"""

from __future__ import annotations

import itertools
import json
from pathlib import Path
from typing import Any

import pytest

from bench.diagnosis.scenarios import build
from bench.diagnosis.score import seconds
from rushlight.analysis.replay.files import replay_files
from rushlight.collector.events import Event

SEED = 77
ACUTE = [
    ("co2-overdose", 2),
    ("heater-stuck-on", 2),
    ("heater-not-heating", 2),
    ("cooling-not-cooling", 4),
    ("temperature-high", 1),
    ("temperature-low", 3),
    ("power-interrupted", 2),
]


def made(folder: Path, kind: str, index: int) -> dict[str, Any]:
    """Scenario and its truth, cut at the moment of harm."""
    truth = build(folder, "train", SEED, index, kind)
    if "harm" in truth:
        path = folder / "readings.csv"
        header, *rows = path.read_text(encoding="utf-8").splitlines(keepends=True)
        # arrival may stray by minutes from the order of times
        harm = truth["harm"]
        kept = itertools.takewhile(lambda row: row[: len(harm)] <= harm, rows)
        path.write_text(header + "".join(kept), encoding="utf-8")
    return truth


def raised(folder: Path) -> list[Event]:
    events: list[Event] = []
    replay_files(
        folder / "rushlight.toml", [folder / "readings.csv"], folder / "events.jsonl", seen=events.append
    )
    written = (folder / "events.jsonl").read_text(encoding="utf-8").splitlines()
    assert [json.loads(line)["time"] for line in written] == [event.time for event in events]
    return [event for event in events if event.event == "raised"]


def explains_itself(event: Event) -> None:
    """Two or three observations, each with a figure but for what is seen of the heater's metering plug."""
    seen = event.observations
    assert 2 <= len(seen) <= 3, seen
    assert sum(any(c.isdigit() for c in text) for text in seen) >= min(2, len(seen)) - (
        event.alarm == "power-interrupted"
    ), seen
    assert all(text and not text.endswith(".") for text in seen)
    assert event.rule_out.startswith("rule out: ")


@pytest.mark.parametrize(("kind", "index"), ACUTE, ids=[kind for kind, _ in ACUTE])
def test_an_acute_fault_is_named_before_it_harms(tmp_path: Path, kind: str, index: int) -> None:
    truth = made(tmp_path, kind, index)
    assert truth["alarm"] == kind
    events = raised(tmp_path)
    early = [event.alarm for event in events if seconds(event.time) < seconds(truth["onset"]) - 600]
    assert early == [], "raised before there was a fault"
    right = {kind, *truth["accept"]}
    named = [event for event in events if event.alarm in right]
    assert named, f"not among {[event.alarm for event in events]}"
    assert seconds(named[0].time) < seconds(truth["harm"])
    for event in events:
        explains_itself(event)
    others = {event.alarm for event in events} - right - set(truth["excused"])
    assert others == set(), "a second cause was named that is none"


@pytest.mark.parametrize("index", [0, 2])
def test_a_quiet_tank_raises_nothing(tmp_path: Path, index: int) -> None:
    """Eight days and more with the nuisances of bench/diagnosis/nuisances.py, as each seed draws them."""
    truth = made(tmp_path, "nominal", index)
    assert truth["kind"] == "nominal"
    assert [(event.time, event.alarm) for event in raised(tmp_path)] == []
    # its twin: the same readings, but the water gets 14 °C warmer in the last six hours
    path = tmp_path / "readings.csv"
    header, *rows = path.read_text(encoding="utf-8").splitlines(keepends=True)
    end = seconds(rows[-1].split(",")[0])
    path.write_text(header + "".join(_warmed(row, end) for row in rows), encoding="utf-8")
    alarms = {event.alarm for event in raised(tmp_path)}
    assert alarms & {"temperature-high", "heater-stuck-on", "cooling-not-cooling"}, alarms


def _warmed(row: str, end_s: float) -> str:
    time, tank, quantity, value = row.rstrip("\n").split(",")[:4]
    hours = (seconds(time) - end_s) / 3600 + 6
    if quantity != "temperature" or not value or hours <= 0:
        return row
    return f"{time},{tank},{quantity},{float(value) + 14 * min(1.0, hours / 3):.4f}\n"


def test_a_broken_thermometer_is_no_cold_tank(tmp_path: Path) -> None:
    """The quiet tank's thermometer is unplugged, its rows go empty: that is told, and nothing it measured."""
    made(tmp_path, "nominal", 0)
    path = tmp_path / "readings.csv"
    header, *rows = path.read_text(encoding="utf-8").splitlines(keepends=True)
    half = len(rows) // 2
    broken = [row if ",temperature," not in row else row.rsplit(",", 1)[0] + ",\n" for row in rows[half:]]
    path.write_text(header + "".join(rows[:half] + broken), encoding="utf-8")
    (event,) = raised(tmp_path)
    assert (event.alarm, event.quantity, event.value) == ("probe-fault", "temperature", None)
    begin = seconds(rows[half].split(",")[0])
    assert begin < seconds(event.time) < begin + 3600
