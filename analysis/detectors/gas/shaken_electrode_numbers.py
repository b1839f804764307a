"""The numbers of an electrode that leapt and shakes since."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = ["SHAKEN"]


class ShakenNumbers(Numbers, frozen=True, kw_only=True):
    """An electrode that leapt and shakes since."""

    within_min: Annotated[int, Of("min", "it leapt in: one that is missed, as its reading is settling")] = 2
    values: Annotated[int, Of("values", "by the minute, since then")] = 8
    share: Annotated[float, Of("", "of the whole fall, in one leap")] = 0.5
    times: Annotated[float, Of("", "its usual noise, or a step of it: so much it shakes at least")] = 3.0
    sd_per_bend: Annotated[
        float,
        Of(
            "",
            "a standard deviation by the median second difference",
            "normal distribution: 1 / (0.6745 · √6), the quartile of its standard form",
        ),
    ] = 0.6053


SHAKEN = ShakenNumbers()
