"""One switching of a lamp, as the light shows it."""

from __future__ import annotations

import msgspec

__all__ = ["Edge"]


class Edge(msgspec.Struct):
    """One switching: +1 on, −1 off; `time_ms` as the timer gave it (begin of the rise, end of the fall).

    `quarter_min` is how long the second quarter of the swing took (a quarter of the ramp); `size` is in lux.
    """

    sign: int
    time_ms: int
    quarter_min: float
    size: float
