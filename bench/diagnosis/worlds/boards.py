"""Shoestring kit: an electrode that wanders, and a board at the edge of the Wi-Fi.

Some boards keep what they could not send, up to some hundred reports, and send it when the link is back, the
oldest or the newest first, between the new ones. Others lose it. Ranges are common practice, no source.
"""

from __future__ import annotations

from typing import Any

from bench.diagnosis.tank import Course
from bench.diagnosis.world import HOUR, World, _noise
from bench.diagnosis.worlds.kind import Kind

__all__ = ["SHOESTRING"]

SILENT = HOUR // 4  # so long without a report is a silent device in truth


def _kit(world: World) -> None:
    rng = world.rng
    world.setup = {
        "ph_probe": True,
        "ph_noise": rng.uniform(0.02, 0.06),
        "ph_offset": rng.uniform(-0.15, 0.15),
        "ph_creep": rng.choice([-1, 1]) * rng.uniform(0.1, 0.4),  # pH a month
        "ph_lag": rng.uniform(60, 240),
        "t_offset": rng.uniform(-0.8, 0.8),
        "t_noise": rng.uniform(0.03, 0.08),
        "lux_noise": rng.uniform(0.01, 0.05),
    }


def _wander(world: World) -> None:
    """Half an hour to some hours up and down: a membrane that dries, a cable by the lamp's supply."""
    rng = world.rng
    walk = _noise(rng, world.n, rng.uniform(0.5, 6) * HOUR, rng.uniform(0.015, 0.05))
    world.probes.append({"kind": "wander", "quantity": "ph", "walk": walk})
    keeps = rng.random() < 0.7
    world.held_most = int(rng.choice([60, 120, 300]))
    newest_first = bool(rng.random() < 0.4)
    gaps: list[tuple[int, int]] = []
    for _ in range(rng.poisson(world.days / 2.5)):  # a bad evening: several gaps within two hours
        begin = int(rng.integers(0, world.n - 2 * HOUR))
        for _ in range(int(rng.integers(2, 7))):
            gaps.append(_gap(world, begin + int(rng.uniform(0, 2) * HOUR), rng.uniform(3, 14)))
    for _ in range(rng.poisson(world.days / 2.5)):  # the router restarts, a channel that is taken
        gaps.append(_gap(world, int(rng.integers(0, world.n - HOUR)), rng.uniform(30, 95)))
    for begin, end in _joined(world.silences + gaps):
        if end - begin >= SILENT:
            world.true_spans.append(("device-silent", begin, end + HOUR // 6))
    if keeps:
        world.held += [(begin, end, newest_first) for begin, end in gaps]
    else:
        world.silences += gaps


def _gap(world: World, begin: int, minutes: float) -> tuple[int, int]:
    return begin, min(begin + int(minutes * 2), world.n - 1)


def _joined(gaps: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """The times without a report: gaps that overlap or touch are one silence."""
    silences: list[tuple[int, int]] = []
    for begin, end in sorted(gaps):
        if silences and begin <= silences[-1][1]:
            silences[-1] = silences[-1][0], max(silences[-1][1], end)
        else:
            silences.append((begin, end))
    return silences


def _sampled(world: World, plain: Course, setup: dict[str, Any]) -> None:
    setup["report_every_s"] = max(setup["report_every_s"], 30)


SHOESTRING = Kind(
    "shoestring",
    "an electrode that is noisy, wanders and creeps; Wi-Fi with long gaps, then a backlog",
    tank=_kit,
    care=_wander,
    setup=_sampled,
)
