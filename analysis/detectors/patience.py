"""How long a limit must be passed before it is an alarm: the further past and the deadlier, the shorter.

A splash, a hand or a water change is over in its own time and needs patience. What is several times too much
may kill within that time, and is hardly an error of the probe: it gets minutes.
"""

from __future__ import annotations

import math
from typing import Annotated

from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.numbers import Numbers, Of

__all__ = ["PATIENCE", "PatienceNumbers", "patience_ms"]


class PatienceNumbers(Numbers, frozen=True, kw_only=True):
    """How sure one must be, and how long a limit must be passed."""

    from_errors: Annotated[
        float,
        Of("", "standard errors past a limit from which patience falls: about 88 % sure (one-sided, normal)"),
    ] = 1.2
    sudden_errors: Annotated[
        float,
        Of("", "standard errors past it from which a step that no gas makes is an alarm too: 98 % sure"),
    ] = 2.0
    disturbed_ms: Annotated[
        int,
        Of("ms", "while someone is at the tank: a probe bared for a water change reads the air that long"),
    ] = 45 * MINUTE_MS
    gas_first_day_ms: Annotated[
        int,
        Of("ms", "CO2 in a tank that is not known yet: what is stirred or poured in has mixed by then"),
    ] = 20 * MINUTE_MS
    gas_least_ms: Annotated[
        int,
        Of(
            "ms",
            "CO2 is judged every five minutes: two values in a row, each a median of five; harms in hours",
        ),
    ] = 5 * MINUTE_MS
    gas_sudden_least_ms: Annotated[
        int, Of("ms", "after a step within a minute: an electrode in a buffer is back in the water by then")
    ] = 10 * MINUTE_MS
    heat_least_ms: Annotated[
        int,
        Of("ms", "water too warm: its oxygen is gone within the hour; three minutes' means are no splash"),
    ] = 2 * MINUTE_MS
    cold_least_ms: Annotated[
        int,
        Of("ms", "water too cold weakens over hours to days, and cold water poured in is warmed meanwhile"),
    ] = 45 * MINUTE_MS
    with_lamp_ms: Annotated[
        int,
        Of("ms", "after a pH step as the lamp switched, a current and no gas: it switches back by then"),
    ] = 16 * 60 * MINUTE_MS


PATIENCE = PatienceNumbers()


def patience_ms(errors: float, longest_ms: int, least_ms: int) -> int:
    """How long (ms) a limit must have been passed before that is an alarm.

    The mean of n independent readings has an error smaller by the root of n, so an excess that is k times as
    large needs k² times fewer readings to be as sure of it (GUM, JCGM 100:2008, 4.2.3).

    Parameters
    ----------
    errors : float
        How far past the limit, in standard errors of the estimate; all the same up to `from_errors`.
    longest_ms : int
        The patience with what is just past the limit.
    least_ms : int
        By how fast it harms: no excess makes it shorter, so that no splash or single reading is an alarm.
    """
    if math.isnan(errors):
        raise ValueError("errors: must be a number")
    share = PATIENCE.from_errors / max(errors, PATIENCE.from_errors)
    return max(min(least_ms, longest_ms), round(longest_ms * share * share))
