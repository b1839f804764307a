"""How long a limit must be passed before it is an alarm: the further past and the deadlier, the shorter.

A splash, a hand or a water change is over in its own time and needs patience. What is several times too much
may kill within that time, and is hardly an error of the probe: it gets minutes.
"""

from __future__ import annotations

import math

from rushlight.analysis.estimators.units import MINUTE_MS

__all__ = [
    "COLD_LEAST_MS",
    "DISTURBED_MS",
    "FROM_ERRORS",
    "GAS_FIRST_DAY_MS",
    "GAS_LEAST_MS",
    "GAS_SUDDEN_LEAST_MS",
    "HEAT_LEAST_MS",
    "SUDDEN_ERRORS",
    "WITH_LAMP_MS",
    "patience_ms",
]

FROM_ERRORS = 1.2
"""Standard errors past a limit from which patience begins to fall: about 88 % sure (one-sided, normal)."""
SUDDEN_ERRORS = 2.0
"""Standard errors past it from which a step that no gas makes is told all the same: about 98 % sure."""

# All in ms; common practice, no source.
DISTURBED_MS = 45 * MINUTE_MS
"""While someone is at the tank: a probe bared for a water change reads the air as long as that."""
GAS_FIRST_DAY_MS = 20 * MINUTE_MS
"""CO2 in a tank that is not known yet: what is stirred or poured in has mixed by then."""
GAS_LEAST_MS = 5 * MINUTE_MS
"""CO2 is judged every five minutes: two values in a row, each a median of five. Harms within hours."""
GAS_SUDDEN_LEAST_MS = 10 * MINUTE_MS
"""After a step within a minute: an electrode in a buffer is back in the water by then."""
HEAT_LEAST_MS = 2 * MINUTE_MS
"""Water too warm: its oxygen is gone within the hour. Three minutes' means, so that no splash is one."""
COLD_LEAST_MS = DISTURBED_MS
"""Water too cold weakens over hours to days, and cold water that was poured in is warmed again meanwhile."""
WITH_LAMP_MS = 16 * 60 * MINUTE_MS
"""After a pH step as the lamp switched, which is a current and no gas: the lamp switches back within it."""


def patience_ms(errors: float, longest_ms: int, least_ms: int) -> int:
    """How long (ms) a limit must have been passed before that is an alarm.

    The mean of n independent readings has an error smaller by the root of n, so an excess that is k times as
    large needs k² times fewer readings to be as sure of it (GUM, JCGM 100:2008, 4.2.3).

    Parameters
    ----------
    errors : float
        How far past the limit, in standard errors of the estimate; up to `FROM_ERRORS` it is all the same.
    longest_ms : int
        The patience with what is just past the limit.
    least_ms : int
        By how fast it harms: no excess makes it shorter, so that no splash or single reading is an alarm.
    """
    if math.isnan(errors):
        raise ValueError("errors: must be a number")
    share = FROM_ERRORS / max(errors, FROM_ERRORS)
    return max(min(least_ms, longest_ms), round(longest_ms * share * share))
