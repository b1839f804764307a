"""What the panels of an alarm are drawn from."""

from __future__ import annotations

from bisect import bisect_right

import msgspec

from rushlight.analysis.explain.curves import Curve, Role
from rushlight.analysis.replay.beliefs import Sample
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import (
    Reading,
)

__all__ = ["GAP_MS", "Context", "curves_of", "parted"]

GAP_MS = 20 * 60_000


class Context(msgspec.Struct):
    """What the panels are drawn from: the judged frames, the moment of decision, the tank as it was then."""

    alarm: str
    quantity: str
    decided_ms: int
    samples: list[Sample]
    flagged: list[Reading]
    watch: TankWatch

    def seen(self, quantity: str) -> list[tuple[int, float]]:
        """Minute means of the good readings."""
        return [(s.start_ms, s.seen[quantity]) for s in self.samples if quantity in s.seen]

    def believed(self, name: str) -> list[tuple[int, float]]:
        return [(s.start_ms, s.beliefs[name]) for s in self.samples if name in s.beliefs]

    def at_decision(self) -> Sample | None:
        """The frame that decided: the last one judged by then."""
        index = bisect_right(self.samples, self.decided_ms, key=lambda sample: sample.time_ms)
        return self.samples[index - 1] if index else None


def parted(points: list[tuple[int, float]], gap_ms: float = GAP_MS) -> list[list[tuple[int, float]]]:
    """Points split where readings are missing, so that no line is drawn over a gap."""
    parts: list[list[tuple[int, float]]] = []
    for point in points:
        if not parts or point[0] - parts[-1][-1][0] > gap_ms:
            parts.append([])
        parts[-1].append(point)
    return parts


def curves_of(name: str, role: Role, points: list[tuple[int, float]], step: bool = False) -> list[Curve]:
    return [Curve(name, role, points, step)] if points else []
