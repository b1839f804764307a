"""What happens in any tank without being a fault: care, weather, dirt and poor links."""

from __future__ import annotations

import numpy as np

from bench.diagnosis.world import DAY, HOUR, World, _noise
from rushlight.simulator.conditions import Poured


def add_nuisances(world: World) -> None:
    """Care and wear into the world's drive (physics) and probe list (readings)."""
    rng, tank = world.rng, world.tank
    _water_changes(world)
    _surroundings(world)
    for _ in range(rng.poisson(world.days / 5)):  # topped up, or a hand in the tank with the lid off
        step = _daytime(world)
        if rng.random() < 0.5:
            tap = max(tank.setpoint - rng.uniform(0, 10), 6)
            world.drive.changes.setdefault(step, []).append(Poured(rng.uniform(0.005, 0.04), tap, 0.0, 0.6))
        else:
            world.drive.loss_gain[step : step + int(rng.uniform(0.1, 1.0) * HOUR)] *= rng.uniform(1.1, 1.8)
            dark = int(rng.uniform(2, 20)) * 2
            world.probes.append(
                {
                    "kind": "shade",
                    "quantity": "light",
                    "from": step,
                    "to": step + dark,
                    "factor": float(rng.uniform(0.2, 1.4)),
                }
            )
    if rng.random() < 0.3:  # algae on the meter or the glass, wiped off again
        begin = int(rng.integers(0, world.n // 2))
        loss = rng.uniform(0.001, 0.005) / DAY
        film = 1 - loss * np.clip(np.arange(world.n) - begin, 0, None)
        wiped = int(begin + rng.uniform(5, 12) * DAY)
        film[wiped:] = 1.0
        world.probes.append({"kind": "film", "quantity": "light", "factor": film})
    if rng.random() < 0.12:  # another lamp or another height
        step = int(rng.integers(DAY, world.n))
        world.lamp_output[step:] *= rng.uniform(0.75, 1.35)
        world.notes.append("lamp swapped")
    if rng.random() < 0.25:  # new plants, or a thicket cut
        world.notes.append("plants")
        world.drive.uptake_gain[_daytime(world) :] *= rng.uniform(0.6, 1.5)
    world.lamp_output *= 1 + _noise(rng, world.n, 12 * HOUR, rng.uniform(0.002, 0.015))
    if tank.source:  # bubbles a second wander
        world.source_output *= np.clip(1 + _noise(rng, world.n, 18 * HOUR, rng.uniform(0.01, 0.07)), 0.6, 1.4)
        if tank.source != "cylinder":  # a reactor wanes slowly and is refilled
            age = rng.uniform(0, 8) * DAY
            life = rng.uniform(25, 45) * DAY
            world.source_output *= np.clip(1.08 - 0.35 * ((np.arange(world.n) + age) / life) ** 2, 0.5, 1.1)
    if tank.source == "cylinder" and rng.random() < 0.15:  # the dose turned a little by hand
        step = _daytime(world)
        world.source_output[step:] *= rng.uniform(0.85, 1.1)
    if rng.random() < 0.5:
        step = _daytime(world)
        world.probes.append(
            {
                "kind": "recalibration",
                "quantity": "ph",
                "from": step,
                "to": step + int(rng.uniform(3, 15)) * 2,
            }
        )
    if rng.random() < 0.3:  # the electrode wiped and rinsed, and put back as it was
        step = _daytime(world)
        world.probes.append(
            {"kind": "bared", "quantity": "ph", "from": step, "to": step + int(rng.uniform(2, 8)) * 2}
        )
    for _ in range(rng.poisson(world.days / 4)):
        step = int(rng.integers(0, world.n - 1))
        world.silences.append((step, step + int(rng.uniform(2, 15) * 2)))


def _daytime(world: World) -> int:
    step = world.step_of_day(
        int(world.rng.integers(0, world.days - 1)), float(world.rng.integers(9 * 60, 21 * 60))
    )
    return min(step, world.n - 2)


def _surroundings(world: World) -> None:
    """Windows opened, the surface stirred more or less, an air pump at night, filters that clog."""
    rng, drive, n = world.rng, world.drive, world.n
    for _ in range(rng.poisson(world.days * 0.3)):  # a window open: the room dips and comes back in an hour
        step = int(rng.integers(0, n))
        x = np.arange(n) - step
        length = int(rng.uniform(5, 50) * 2)
        gone = np.where(
            x < 0, 0.0, np.minimum(x / length, np.exp(-np.clip(x - length, 0, None) / (0.5 * HOUR)))
        )
        drive.room -= rng.uniform(1, 6) * np.clip(gone, 0, 1)
    drive.exchange_gain *= np.clip(1 + _noise(rng, n, 30 * HOUR, rng.uniform(0.02, 0.12)), 0.5, 1.6)
    if rng.random() < 0.12:  # an air pump on a timer at night
        begin, gain = rng.uniform(1320, 1440), rng.uniform(1.5, 3.0)
        night = (world.local - begin) % 1440 < rng.uniform(300, 540)
        drive.exchange_gain *= np.where(night, gain, 1.0)
    if rng.random() < 0.25:  # outlet turned, filter cleaned: another exchange from then on
        drive.exchange_gain[int(rng.integers(0, n)) :] *= rng.uniform(0.8, 1.25)


def _water_changes(world: World) -> None:
    rng, tank = world.rng, world.tank
    every = int(rng.choice([3, 5, 7, 7, 7, 10, 14]))
    usual = rng.uniform(0.1, 0.5)
    tap_kh = tank.kh * rng.uniform(0.88, 1.12)
    every, tap_kh = world.change_every or every, world.tap_kh or tap_kh
    by_hand = rng.random() < 0.7  # warmed to match, or straight from the tap
    for day in range(int(rng.integers(0, every)), world.days, every):
        step = world.step_of_day(day, float(rng.integers(9 * 60, 21 * 60)))
        if step >= world.n - HOUR:
            continue
        fraction = float(np.clip(usual * rng.uniform(0.7, 1.3), 0.1, 0.5))
        near = tank.setpoint + (rng.normal(0, 1.2) if by_hand else -rng.uniform(1, 7))
        low_for = int(rng.uniform(8, 35) * 2)
        parts = 4  # poured back in a few buckets
        share = 1 - (1 - fraction) ** (1 / parts)
        for part in range(parts):
            at = min(step + low_for // 2 + part * max(low_for // 8, 1), world.n - 1)
            new = Poured(share, near, tap_kh, rng.uniform(0.6, 6.0))
            world.drive.changes.setdefault(at, []).append(new)
        world.drive.loss_gain[step : step + low_for] *= 1.3
        if rng.random() < 0.5:  # heater off at the wall, as it should be with hands in the water
            world.drive.heater_gain[step : step + low_for + int(rng.uniform(0, 10)) * 2] = 0
        if fraction > 0.3 and rng.random() < 0.5:
            for quantity in ("temperature", "ph"):
                if rng.random() < 0.6:
                    world.probes.append(
                        {
                            "kind": "bared",
                            "quantity": quantity,
                            "from": step + 6,
                            "to": step + 6 + low_for // 2,
                        }
                    )
