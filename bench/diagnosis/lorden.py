"""The floor under the delay of any detector: Lorden's bound.

Lorden, G. (1971), Procedures for reacting to a change in distribution, *Annals of Mathematical Statistics*
42(6), 1897-1908: among all rules with a mean time to a false alarm of `arl` reports, the worst-case mean
delay is, asymptotically, no less than log(arl) / I reports, I the Kullback-Leibler divergence of the reports
after the change from those before (cited from memory). For a ramp I grows report by report and is summed
until it reaches log(arl): an extension of the same argument, not Lorden's theorem.
"""

from __future__ import annotations

import math

__all__ = ["gaussian_kl", "ramp_floor", "step_floor"]


def gaussian_kl(shift: float, sigma: float) -> float:
    """Divergence of N(m + shift, sigma²) from N(m, sigma²), nats a report."""
    return shift * shift / (2 * sigma * sigma)


def step_floor(shift: float, sigma: float, arl: float) -> float:
    """Reports until a step of the mean can be told; ValueError where nothing changes or `arl` is below 1."""
    if not shift or sigma <= 0 or arl < 1:
        raise ValueError(
            "needs a shift, a noise above 0 and a mean time to a false alarm of 1 report or more"
        )
    return math.log(arl) / gaussian_kl(shift, sigma)


def ramp_floor(slope: float, sigma: float, arl: float) -> int:
    """Reports until a ramp of `slope` a report, in independent noise, has gathered log(arl) nats."""
    if not slope or sigma <= 0 or arl < 1:
        raise ValueError(
            "needs a slope, a noise above 0 and a mean time to a false alarm of 1 report or more"
        )
    need, gathered, n = math.log(arl), 0.0, 0
    while gathered < need:
        n += 1
        gathered += gaussian_kl(n * slope, sigma)
    return n
