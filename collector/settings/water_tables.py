"""The tables [water] and [co2]: what is known of the water, and how CO2 is given.

Bounds refuse what can't be meant, most often a wrong unit. Common practice, no source.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from rushlight.collector.settings.bounds import says

__all__ = ["CarbonDioxideSettings", "WaterSettings"]

_Hardness = Annotated[
    float,
    msgspec.Meta(gt=0, le=40, extra=says("dKH", 'is it in mg/L as CaCO3? Write "71 ppm"')),
]
_TapHardness = Annotated[  # 0 is rain or reverse osmosis
    float,
    msgspec.Meta(ge=0, le=40, extra=says("dKH", 'is it in mg/L as CaCO3? Write "71 ppm"')),
]
_GeneralHardness = Annotated[
    float,
    msgspec.Meta(ge=0, le=60, extra=says("dGH", 'is it in mg/L as CaCO3? Write "71 ppm"')),
]
_Conductivity = Annotated[  # sea water is some 50 000
    float,
    msgspec.Meta(gt=0, le=10_000, extra=says("µS/cm", "is it in mS/cm? Multiply by 1000")),
]
_Celsius = Annotated[float, msgspec.Meta(ge=-2, le=45, extra=says("°C", 'is it in °F? Write "64 F"'))]
_Ph = Annotated[float, msgspec.Meta(ge=3, le=11, extra=says("", "that is no pH of a tank"))]


class WaterSettings(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    """What is known of the water; KH and GH in German degrees (1 degree = 17.85 mg/L as CaCO3).

    `tap_hardness_dkh`: KH of what is poured in at a water change, where it differs from the tank's.
    `tap_temperature_c`: how warm that water is poured in, °C.
    `general_hardness_dgh` or `conductivity_us_cm` (µS/cm at 25 °C) give the ionic strength.
    `active_soil`: the soil takes up hardness, so KH falls between water changes.
    """

    carbonate_hardness_dkh: _Hardness | None = None
    tap_hardness_dkh: _TapHardness | None = None
    tap_temperature_c: _Celsius | None = None
    general_hardness_dgh: _GeneralHardness | None = None
    conductivity_us_cm: _Conductivity | None = None
    active_soil: bool = False
    degassed_ph: _Ph | None = None
    ph_low: _Ph | None = None
    ph_high: _Ph | None = None


class CarbonDioxideSettings(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    """How CO2 is given; `on` and `off` local time.

    `control`: "hours" a valve by the clock; "always" never switched; "ph-controller" a valve that opens above
    `ph_setpoint`, within `on` and `off` where they are given.
    """

    source: Literal["cylinder", "yeast", "citric-acid"] = "cylinder"
    on: str | None = None
    off: str | None = None
    control: Literal["hours", "always", "ph-controller"] = "hours"
    ph_setpoint: _Ph | None = None
