"""The numbers of water that was poured in."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = ["NEW_WATER", "NewWaterNumbers"]


class NewWaterNumbers(Numbers, frozen=True, kw_only=True):
    """When a step of the water's temperature is water that was poured in, and how much of it."""

    look_min: Annotated[int, Of("min", "a step is looked for over so long")] = 12
    least_c: Annotated[
        float, Of("°C", "a smaller step, beyond what heater and room can do, is currents and draughts")
    ] = 0.3
    paces: Annotated[float, Of("", "so many times the usual pace of heater or room don't explain a step")] = (
        1.5
    )
    errors: Annotated[
        float,
        Of("standard errors", "of a reading are no step", "two-sided normal distribution: one in 16 000"),
    ] = 4.0
    stays_min: Annotated[int, Of("min", "without going further: it is over, and has mixed")] = 15
    most_min: Annotated[int, Of("min", "what goes on for longer is no pour")] = 120
    back_share: Annotated[
        float, Of("", "of the step: what comes back further, and faster than by itself, was no water")
    ] = 0.3
    cools_c_per_h: Annotated[float, Of("°C/h", "a tank's own cooling, until it has shown its own")] = 0.6
    uniform: Annotated[
        float, Of("", "a width squared over its variance", "rectangular distribution; JCGM 100:2008, 4.3.7")
    ] = 12.0
    least_noise_c: Annotated[float, Of("°C", "error of a reading: currents, whatever the thermometer")] = 0.03
    kept: Annotated[int, Of("", "pours, notes and what they taught that are kept")] = 4
    note_min: Annotated[int, Of("min", "a note is of a pour that began within, either way")] = 180
    least_share: Annotated[float, Of("", "a smaller noted share teaches nothing")] = 0.05
    taught_error_c: Annotated[
        float, Of("°C", "standard error of new water's temperature by changes that were noted")
    ] = 1.5
    typed_error_c: Annotated[float, Of("°C", "the same by the settings: a tap varies over the year")] = 2.0
    gap_errors: Annotated[
        float, Of("standard errors", "between tank and new water, or no share can be said")
    ] = 1.5
    sure_errors: Annotated[float, Of("standard errors", "95 % of a normal distribution, either way")] = 1.96


NEW_WATER = NewWaterNumbers()
