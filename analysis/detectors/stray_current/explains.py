"""Whether an electrode's jitter may come with a mains device."""

from __future__ import annotations

from rushlight.analysis.detectors.moment import CurrentFacts
from rushlight.analysis.detectors.stray_current.numbers import CURRENT
from rushlight.analysis.estimators.jitter import Jitter

__all__ = ["explains"]


def explains(facts: CurrentFacts, jitter: Jitter, now: int) -> bool:
    """Whether the electrode's jitter may come with a device: it waits for the device to switch back.

    So where a step beyond the jitter came before it, or where it began with the lamp.
    """
    if not facts.step_ms and not jitter.restless:
        return False  # hardly ever is there anything to explain
    if any(
        abs(size) > CURRENT.jitter_times * jitter.level and now < _back_by(facts, t)
        for t, size in zip(facts.step_ms, facts.step_size, strict=True)
    ):
        return True
    since = jitter.since_ms
    return jitter.restless > 0 and any(
        abs(since - edge) <= CURRENT.with_lamp_ms and now < _back_by(facts, edge) for edge in facts.lamp_ms
    )


def _back_by(facts: CurrentFacts, time_ms: int) -> int:
    """When a device that switched at that time will have switched back, and the jitter have shown it."""
    by = time_ms + CURRENT.cycle_ms
    if not facts.lamp_ms:
        return by
    back = next((edge for edge in facts.lamp_ms if edge > time_ms + CURRENT.beside_ms), None)
    return max(by, time_ms + CURRENT.photoperiod_ms if back is None else back + CURRENT.calm_ms)
