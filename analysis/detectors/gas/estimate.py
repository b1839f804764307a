"""Dissolved CO2 of one tank, with its error: by what the settings say of the water, and by its usual days.

pH alone does not give CO2: a hardness test that is one degree off moves the estimate by a third. So the
estimate carries its error, and is weighed against what the fish have lived with.
"""

from __future__ import annotations

import math

import msgspec

from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.hardness import HardnessState
from rushlight.analysis.detectors.gas.keepers_notes import HardnessLog
from rushlight.analysis.detectors.gas.numbers import ESTIMATE, HARDNESS
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.detectors.valve_hours import valve_hours
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.physics.carbon_dioxide import Gas
from rushlight.analysis.physics.numbers import ELECTRODE, WATER
from rushlight.analysis.physics.water import air_equilibrium_mg_l

__all__ = ["GasEstimate", "has_reference", "knows"]


class GasEstimate(msgspec.Struct):
    """How CO2 is estimated here; `doubtful`: what the settings say of the water is left out.

    A KH that was set right in the settings holds from the next estimate on; `rest_day` is the local day whose
    rest before the gas has been learnt from.
    """

    doubtful: bool = False
    hardness: HardnessState = msgspec.field(default_factory=HardnessState)
    noted: HardnessLog = msgspec.field(default_factory=HardnessLog)
    rest_day: int = -1

    def follow(self, tank: Tank, moment: Moment, curve: PhCurve, usable: bool) -> None:
        """Every five minutes: hardness moves on, and is learnt from at the end of a rest without gas."""
        age = tank.age_days(moment.day)
        first = age is not None and 0 <= age < HARDNESS.first_days
        began = self.hardness.follow(tank.settings.water, curve.ph_error, moment.frame.start_ms, first)
        self.noted.apply(self.hardness, began)
        if curve.moved:
            self.hardness.rebased(curve.moved)
        if usable and moment.day != self.rest_day and rested(tank, moment, curve):
            self.rest_day = moment.day
            self.hardness.rested(curve.ph, water_celsius(moment.frame.temperature))

    def at(self, tank: Tank, curve: PhCurve, ph: float, temperature: float | None) -> Gas | None:
        """CO2 at this pH; None where nothing ties pH to CO2.

        Once the tank is known, what the settings say is weighed against what its fish have lived with: a KH
        of the settings that is far off would have killed them, or never have shown gas at all. Both are
        logarithms with a standard error, weighted by the inverse of their variances (least squares).
        """
        by_settings = self._by_settings(tank, curve, ph, temperature)
        lived = self._lived(tank, curve, ph)
        if by_settings is None or lived is None:
            return by_settings or lived
        w_settings, w_lived = by_settings.error**-2, lived.error**-2
        weight = w_settings + w_lived
        mean = (w_settings * math.log(by_settings.mg_l) + w_lived * math.log(lived.mg_l)) / weight
        return Gas(math.exp(mean), 1.0 / math.sqrt(weight))

    def _lived(self, tank: Tank, curve: PhCurve, ph: float) -> Gas | None:
        """By the usual lowest pH, with which the fish live."""
        usual_low = curve.usual_low
        if usual_low is None or (has_reference(tank) and not curve.injected(tank)):
            return None
        limit = tank.settings.livestock.co2_limit_mg_l
        error = ESTIMATE.lived_log
        if len(curve.extremes.lows) <= 1:  # an offset is in both; that of one day is not known to stay
            error = math.hypot(error, math.log(10) * ELECTRODE.calibrated_ph)
        return Gas(ESTIMATE.lived_share * limit * 10 ** (usual_low - ph), error)

    def _by_settings(self, tank: Tank, curve: PhCurve, ph: float, temperature: float | None) -> Gas | None:
        """By KH, or by the degassed pH."""
        if self.doubtful:
            return None
        water = tank.settings.water
        celsius = water_celsius(temperature)
        if self.hardness.known:
            return self.hardness.gas(ph, celsius)
        if water.degassed_ph is not None:
            return self._by_degassed(curve, water.degassed_ph, ph, celsius)
        return None

    @staticmethod
    def _by_degassed(curve: PhCurve, degassed_ph: float, ph: float, celsius: float) -> Gas:
        """By how far the pH is below that of the same water without gas.

        "Left standing for a day" holds the air's CO2, "before CO2 comes on" several times that. If the tank's
        own highest pH comes near the figure it must be the latter.
        """
        highs = curve.extremes.highs
        aired = ESTIMATE.aired_share * air_equilibrium_mg_l(celsius)
        share = 10 ** (degassed_ph - ph)
        if len(highs) < 2:
            return Gas(math.sqrt(aired * WATER.before_gas_mg_l) * share, ESTIMATE.unsure_log)  # either
        near = degassed_ph - median(highs) <= ESTIMATE.near_degassed_ph
        return Gas((WATER.before_gas_mg_l if near else aired) * share, ESTIMATE.degassed_log)


def water_celsius(temperature: float | None) -> float:
    """What the formulas are asked for, °C."""
    celsius = WATER.usual_c if temperature is None else temperature
    return min(max(celsius, WATER.coldest_c), WATER.warmest_c)


def rested(tank: Tank, moment: Moment, curve: PhCurve) -> bool:
    """Whether the gas is just about to come on, after hours without any."""
    co2 = tank.settings.co2
    valve = valve_hours(co2, moment.minute)
    if co2 is None or co2.control != "hours" or co2.source != "cylinder" or valve is None:
        return False
    if valve.opens_in >= HARDNESS.before_gas_min:
        return False
    still = curve.slope is not None and abs(curve.slope) < HARDNESS.rest_ph_per_h
    return still and valve.shut_for >= HARDNESS.after_gas_min


def has_reference(tank: Tank) -> bool:
    """Whether the settings tie pH to CO2: by a hardness, or by the pH of the water without gas."""
    water = tank.settings.water
    return water.carbonate_hardness_dkh is not None or water.degassed_ph is not None


def knows(tank: Tank) -> bool:
    """Whether CO2 is a matter here: something ties pH to it, or it is given."""
    return has_reference(tank) or tank.settings.co2 is not None
