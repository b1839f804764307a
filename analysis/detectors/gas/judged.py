"""What CO2 was judged by, as it is saved and shown."""

from __future__ import annotations

import msgspec

from rushlight.analysis.physics.carbon_dioxide import Gas

__all__ = ["Judged"]


class Judged(msgspec.Struct, frozen=True):
    """The estimate behind the last judgement: what people are shown, too.

    Attributes
    ----------
    time_ms : int
        Of the frame (ms UTC).
    ph, slope : float
        The pH that it is an estimate for, less what stepped, and pH an hour (None: not known).
    gas : Gas
    over_now, over_soon : float
        Probability of being over the limit now, and within the hour if the pH falls on as it does.
    """

    time_ms: int
    ph: float
    slope: float | None
    gas: Gas
    over_now: float = 0.0
    over_soon: float = 0.0
