"""The numbers of an electrode that shakes just now."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = ["BARED"]


class BaredNumbers(Numbers, frozen=True, kw_only=True):
    """An electrode in air, or touched."""

    values: Annotated[int, Of("values", "by the minute, that show whether it shakes")] = 12
    times: Annotated[
        float,
        Of(
            "",
            "its noise at rest, or a step of it: so much it shakes at least",
            "an electrode at rest does by the median of ten second differences once in two weeks, for a look",
        ),
    ] = 3.0
    apart: Annotated[
        float, Of("", "its noise at rest: twelve values no further apart don't shake by three", "normal")
    ] = 6.0
    wanders_times: Annotated[
        float, Of("", "its noise: it shakes by more within a fall, so it wanders, too, as one in air does")
    ] = 2.0
    walk_bends: Annotated[
        float, Of("", "variances of a minute's walk in a second difference of a random walk", "arithmetic")
    ] = 2.0
    walk_slope: Annotated[
        float,
        Of(
            "",
            "variance of a straight line's slope through a random walk, times its length, of a minute's",
            "arithmetic: 6/5 of many minutes",
        ),
    ] = 1.2


BARED = BaredNumbers()
