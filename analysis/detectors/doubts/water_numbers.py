"""The numbers of the doubts about KH and degassed pH."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = ["GAS_DAYS", "RESTING", "GasDayNumbers", "RestingNumbers"]


class RestingNumbers(Numbers, frozen=True, kw_only=True):
    """Resting water at the end of a night."""

    after_gas_min: Annotated[int, Of("min", "the gas has had that long to leave")] = 360
    from_min: Annotated[int, Of("min", "of the day: where no gas is given, water rests from")] = 120
    to_min: Annotated[int, Of("min", "of the day: and until")] = 420
    quiet_swing_ph: Annotated[float, Of("pH", "a larger daily swing: gas is given all the same")] = 0.5
    stepped_ph: Annotated[float, Of("pH", "with a larger sum of steps the level is not the water's")] = 0.06
    flat_ph_per_h: Annotated[float, Of("pH/h", "a smaller slope over two hours is flat")] = 0.02
    room_ppm: Annotated[float, Of("ppm", "CO2 in the air of a lived-in room at its worst")] = 1500.0
    breathing_mg_l: Annotated[float, Of("mg/L", "CO2 that a night's breathing adds in a full tank")] = 5.0
    switched_ph: Annotated[float, Of("pH", "above the day's lowest: gas was seen to go and come")] = 0.15
    sure_errors: Annotated[float, Of("standard errors", "beyond what resting water holds")] = 2.5
    median_days: Annotated[int, Of("nights", "the resting pH is the median of so many")] = 5
    kept_days: Annotated[int, Of("nights", "are kept")] = 7


class GasDayNumbers(Numbers, frozen=True, kw_only=True):
    """Each day's lowest and highest pH against what the KH makes of it."""

    day_values: Annotated[int, Of("values", "five-minute values that make a day, of 288")] = 200
    too_much_share: Annotated[
        float,
        Of("", "of the limit: below it no alarm comes in a tank that is not known, so its days are learnt"),
    ] = 1.3
    deadly_share: Annotated[
        float,
        Of("", "of the limit: after three days of it nobody is left to warn for", "judgement, no source"),
    ] = 2.5
    alike_ph: Annotated[float, Of("pH", "between the lowest pH of those days")] = 0.25
    settles_times: Annotated[
        float, Of("", "the CO2 before the gas comes on: a day's most, to settle the doubt")
    ] = 2
    rough_mg_l: Annotated[float, Of("mg/L", "figures above are said without a decimal")] = 10


RESTING = RestingNumbers()
GAS_DAYS = GasDayNumbers()
