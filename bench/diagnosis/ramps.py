"""What a fault's first hours look like in the readings: a ramp in noise, for the floor in `lorden.py`."""

from __future__ import annotations

import csv
import itertools
import math
import statistics
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from bench.diagnosis.judgement import seconds

__all__ = ["FLOORED", "Ramp", "held_h", "ramp_of"]

DARK = "co2-overdose in the dark"
FLOORED = {
    "heater-not-heating": "heater-not-heating",
    "heater-stuck-on": "heater-stuck-on",
    DARK: "co2-overdose",
}
"""What has a floor, and the alarm by whose false alarms it is drawn."""
BEFORE_S = 21_600
LEAST = 50  # reports before and after, for a slope and a noise
HELD_S, BLOCK_S, GONE = 3 * 86_400, 300, 12
EDGE = 20  # one in so many of the five-minute medians before lies beyond what the heater is taken to hold


class Ramp(NamedTuple):
    """Slope a report and noise in the quantity's unit; seconds between reports.

    `held_h`: for so long (h) after the onset the water still was where the heater had held it, so that nobody
    could see by the thermometer that something was wrong: a heater may die, or weld, long before its
    thermostat would have switched it again. 0 for a surge.
    """

    kind: str
    slope: float
    sigma: float
    every_s: float
    held_h: float = 0.0


def ramp_of(folder: Path, truth: dict[str, Any]) -> Ramp | None:
    """The ramp of a heater's fault in the temperature, or of a surge of CO2 in the pH while the lamp is off.

    In the dark nothing else moves the pH fast. A surge goes as a ramp for half an hour, a heater's fault for
    three hours. The noise is never taken as less than that of the probe's own step (JCGM 100:2008, 4.3.7).
    """
    alarm = truth.get("alarm")
    if alarm in ("heater-not-heating", "heater-stuck-on"):
        return _ramp(folder, truth, alarm, ("temperature", 0.0625, 10_800, lambda v: 5 < v < 40))
    if alarm == "co2-overdose" and _dark(folder, seconds(truth["onset"])):
        return _ramp(folder, truth, DARK, ("ph", 0.01, 1800, lambda v: 4.5 < v < 9.5))
    return None


def _values(folder: Path, quantity: str, onset: float) -> list[tuple[float, float]]:
    with (folder / "readings.csv").open(encoding="utf-8") as rows:
        return [
            (seconds(row["time"]) - onset, float(row["value"]))
            for row in csv.DictReader(rows)
            if row["quantity"] == quantity and row["value"]
        ]


def _dark(folder: Path, onset: float) -> bool:
    """Whether the light at the onset, and half an hour on, is below a tenth of the most it usually is."""
    light = _values(folder, "light", onset)
    lit = sorted(value for _, value in light)
    return (
        bool(lit)
        and max([v for at, v in light if 0 <= at < 1800], default=math.inf) < 0.1 * lit[-len(lit) // 20]
    )


def _ramp(
    folder: Path,
    truth: dict[str, Any],
    kind: str,
    what: tuple[str, float, float, Callable[[float], bool]],
) -> Ramp | None:
    quantity, step, after_s, sound = what
    rows = [(at, v) for at, v in _values(folder, quantity, seconds(truth["onset"])) if sound(v)]
    before = [v for at, v in rows if -BEFORE_S < at < 0]
    after = [(at, v) for at, v in rows if 0 <= at < after_s]
    least = min(LEAST, after_s / truth["report_every_s"] / 2)
    if len(before) < LEAST or len(after) < max(least, 5):
        return None
    sigma = statistics.pstdev(b - a for a, b in itertools.pairwise(before)) / math.sqrt(2)
    slope = statistics.linear_regression([a for a, _ in after], [v for _, v in after]).slope
    every = after_s / len(after)
    if not slope or (kind == DARK and slope > 0):  # gas lowers the pH; what raises it is something else
        return None
    sign = {"heater-not-heating": -1, "heater-stuck-on": 1}.get(kind, 0)
    return Ramp(kind, abs(slope) * every, max(sigma, step / math.sqrt(12)), every, held_h(rows, sign))


def held_h(rows: list[tuple[float, float]], sign: int) -> float:
    """Hours from the onset until the water is, for an hour, beyond what held it over three days before.

    `rows` are (seconds from the onset, °C); `sign` 1 looks for water that is too warm, -1 for too cold, 0
    gives 0. A day where it never comes so far. What held it is the range of the five-minute medians without
    the outermost twentieth.
    """
    blocks: dict[int, list[float]] = {}
    for at, value in rows:
        if sign and -HELD_S <= at < 86_400:
            blocks.setdefault(math.floor(at / BLOCK_S), []).append(sign * value)
    before = sorted(statistics.median(values) for block, values in blocks.items() if block < 0)
    if not before:
        return 0.0
    level, beyond = before[-1 - len(before) // EDGE], 0
    for block in sorted(block for block in blocks if block >= 0):
        beyond = beyond + 1 if statistics.median(blocks[block]) > level else 0
        if beyond == GONE:
            return (block - GONE + 1) * BLOCK_S / 3600
    return 24.0
