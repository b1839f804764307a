"""Lamps with several periods a day, other hours at the weekend, and a night light that is meant."""

from __future__ import annotations

import numpy as np

from bench.diagnosis.faults import FAULTS, Fault, Label
from bench.diagnosis.faults.label import first, onset_of
from bench.diagnosis.tank import Course
from bench.diagnosis.world import DAY, HOUR, World
from bench.diagnosis.worlds.kind import Kind

__all__ = ["TWO_PERIODS"]


def _quarter(minutes: float) -> int:
    return int(round(minutes / 15) * 15)


def _periods(rng: np.random.Generator, parts: int) -> list[tuple[int, int]]:
    """Times on and off within one day, a pause of 75 minutes or more between them."""
    while True:
        at, out = rng.uniform(330, 720), []
        for _ in range(parts):
            length, pause = rng.uniform(110, 330), rng.uniform(75, 320)
            out.append((_quarter(at), _quarter(at + length)))
            at += length + pause
        if out[-1][1] <= 23.5 * 60:
            return out


def _tank(world: World) -> None:
    rng, tank = world.rng, world.tank
    world.periods = _periods(rng, 3 if rng.random() < 0.12 else 2)
    if rng.random() < 0.3:  # up later at the weekend, or all day
        shift = int(rng.integers(2, 9) * 15)
        late = [(on + shift, min(off + shift, 1425)) for on, off in world.periods]
        world.weekend = late if rng.random() < 0.6 else [(world.periods[0][0], world.periods[-1][1])]
    tank.lamp_on, tank.lamp_off = world.periods[0][0], world.periods[-1][1]
    tank.ramp = min(tank.ramp, 30.0)
    tank.co2_on = int((tank.lamp_on - rng.integers(2, 8) * 15) % 1440)
    tank.co2_off = int(tank.lamp_off - rng.integers(0, 5) * 15)
    if rng.random() < 0.35:
        world.night_level = min(rng.uniform(20, 150) / tank.lamp_lux, 0.015)
        world.lines["light"] = ["night_light = true"]


def _period_lost(w: World, course: Course, s: float) -> Label:
    """One of the day's periods does not come: a timer's pin, a rule of a smart plug that was lost."""
    lost = w.periods[int(w.rng.integers(0, len(w.periods)))]
    span = (w.local >= lost[0] - 20) & (w.local < lost[1] + 20)
    begin = first(~span, onset_of(w))
    span &= np.arange(w.n) >= begin
    onset = first(span & (w.drive.lamp > 0.5), begin)
    if s < 0.3:
        span &= np.arange(w.n) < onset + DAY
    w.lamp_output *= np.where(span, 0.0, 1.0)
    end = onset + (lost[1] - lost[0]) * 2
    return Label("light-missing", "period-lost", onset, onset + 2 * HOUR, end=end if s < 0.3 else None)


TWO_PERIODS = Kind(
    "two-periods",
    "two or three lamp periods a day, some with other hours at the weekend, some with a night light",
    tank=_tank,
    faults={"light-missing": [*FAULTS["light-missing"], Fault({}, (2, 3), _period_lost)]},
    keys=("periods", "weekend", "night_light"),
)
