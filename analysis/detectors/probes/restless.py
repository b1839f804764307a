"""Restless, or with a loose contact."""

from __future__ import annotations

from rushlight.analysis.detectors.probes.health import SeriesHealth
from rushlight.analysis.detectors.probes.numbers import RESTLESS

__all__ = ["note"]


def note(
    name: str,
    value: float | None,
    health: SeriesHealth,
    now_ms: int,
    failed: bool,
    electrical: bool,
    step: float = 0.0,
) -> None:
    """Set or take back the fault.

    Parameters
    ----------
    value : float or None
        The frame's mean, None where it has nothing good.
    failed : bool
        A reading was set aside that no water explains.
    electrical : bool
        The jitter may come with a device: then it waits for the device to switch back.
    step : float
        The probe's own.
    """
    jitter = health.jitter
    if not jitter.add(name, now_ms, value, failed, not health.fault, step):
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
