"""Restless, or with a loose contact."""

from __future__ import annotations

from collections.abc import Sequence

from rushlight.analysis.detectors.probes.health import SeriesHealth
from rushlight.analysis.detectors.probes.numbers import RESTLESS

__all__ = ["note"]


def note(
    name: str,
    values: Sequence[float | None],
    health: SeriesHealth,
    now_ms: int,
    failed: bool,
    electrical: bool,
    step: float = 0.0,
) -> None:
    """Set or take back the fault.

    Parameters
    ----------
    values : sequence of float or None
        Frames' means, a minute apart, the newest at `now_ms`; None where there is nothing good.
    failed : bool
        A reading was set aside that no water explains, of the only frame.
    electrical : bool
        The jitter may come with a device: then it waits for the device to switch back.
    step : float
        The probe's own.
    """
    jitter = health.jitter
    if not jitter.add(name, now_ms, values, failed, not health.fault, step):
        return
    if not health.fault:
        if jitter.restless >= RESTLESS.noisy_blocks and not electrical:
            health.fault, health.since_ms = "noisy", now_ms
        elif jitter.loose():
            health.fault, health.since_ms = "loose", now_ms
    elif (health.fault == "noisy" and jitter.calm >= RESTLESS.calm_blocks) or (
        health.fault == "loose" and jitter.whole() and sum(jitter.gaps) <= RESTLESS.tight_frames
    ):
        health.fault = ""
