"""Numbers of the slope that a noisy electrode makes by itself."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = ["SLOPE_NOISE"]


class SlopeNoiseNumbers(Numbers, frozen=True, kw_only=True):
    """Of a slope of noisy values."""

    steps: Annotated[float, Of("steps", "so much of its own step is no noise of the electrode")] = 0.5
    apart_min: Annotated[float, Of("min", "from one value to the next")] = 5.0
    errors: Annotated[
        float, Of("standard errors", "so many of a fall may be the electrode's: 2.3 % are more", "normal")
    ] = 2.0


SLOPE_NOISE = SlopeNoiseNumbers()
