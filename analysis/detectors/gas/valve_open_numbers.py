"""The numbers of a valve that has stuck open."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = ["VALVE"]


class ValveNumbers(Numbers, frozen=True, kw_only=True):
    """Gas that runs out of the valve's hours."""

    shut_min: Annotated[int, Of("min", "since it should have shut: gas on its way comes in by then")] = 60
    block_min: Annotated[int, Of("min", "of five-minute values: one of them is when it shuts")] = 5
    below_ph: Annotated[
        float, Of("pH", "and a scatter below the usual lowest: more than the fish are used to")
    ] = 0.03
    stays_ph: Annotated[
        float, Of("pH", "and a scatter: by so much less than usual has pH risen since it should have shut")
    ] = 0.15
    held_ph: Annotated[float, Of("pH", "the same where it was found before")] = 0.08
    least_share: Annotated[
        float, Of("", "of the limit, one standard error above the estimate: else it harms nobody soon")
    ] = 0.7


VALVE = ValveNumbers()
