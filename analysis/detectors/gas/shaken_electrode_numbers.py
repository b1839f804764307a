"""The numbers of an electrode that leapt and shakes since."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.estimators.units import HOUR_MS
from rushlight.analysis.numbers import Numbers, Of

__all__ = ["SHAKEN"]


class ShakenNumbers(Numbers, frozen=True, kw_only=True):
    """An electrode that leapt and shakes since."""

    within_min: Annotated[int, Of("min", "it leapt in: one that is missed, as its reading is settling")] = 2
    values: Annotated[int, Of("values", "by the minute, since then")] = 8
    share: Annotated[float, Of("", "of the whole fall, in one leap")] = 0.5
    times: Annotated[
        float,
        Of(
            "",
            "its noise at rest, or a step of it: so much it shakes at least",
            "an electrode at rest does by six second differences once in 140 leaps, by ten once in 700",
        ),
    ] = 2.0
    calm_values: Annotated[int, Of("values", "by the minute, that show whether it shakes on")] = 20
    calm_times: Annotated[float, Of("", "its noise at rest: so much less it shakes no more")] = 1.5
    sd_per_bend: Annotated[
        float,
        Of(
            "",
            "a standard deviation by the median second difference",
            "normal distribution: 1 / (0.6745 · √6), the quartile of its standard form",
        ),
    ] = 0.6053
    bend_variances: Annotated[float, Of("", "variances in a second difference: 1 + 4 + 1", "arithmetic")] = (
        6.0
    )
    looked_min: Annotated[
        int, Of("min", "after a step has settled it is looked for: half an hour of minutes is kept")
    ] = 10
    back_values: Annotated[int, Of("values", "by the minute, whose median says that it is back")] = 5
    kept_ms: Annotated[
        int, Of("ms", "its noise from before the first leap counts for so long: a day of a lamp and some")
    ] = 36 * HOUR_MS
    falls_ph: Annotated[
        float, Of("pH", "below where it leapt to, it is judged again: twice the gas", "log10 2")
    ] = 0.3


SHAKEN = ShakenNumbers()
