"""The pH of resting water against the KH or the degassed pH of the settings.

At the end of a night, when no gas is given and no plant takes any up, water holds little more CO2 than air
and breathing leave in it. A setting that makes much more or less of its pH is in doubt.
"""

from __future__ import annotations

import functools
import math

import msgspec

from rushlight.analysis.detectors.doubts.numbers import DOUBT
from rushlight.analysis.detectors.doubts.water_numbers import RESTING
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.detectors.valve_hours import valve_hours
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.findings import Finding
from rushlight.analysis.physics.carbon_dioxide import log_error
from rushlight.analysis.physics.numbers import WATER
from rushlight.analysis.physics.water import air_equilibrium_mg_l, carbon_dioxide_mg_l

__all__ = ["RestWater"]


@functools.lru_cache(typed=True)  # asked every five minutes
def _mark(kh: float | None, degassed_ph: float | None) -> str:
    return f"{kh} {degassed_ph}"


class RestWater(msgspec.Struct):
    """The pH of the nights, when no gas is given and no plant takes any up, against the air's CO2.

    `rests` are (local day, pH, °C) of flat ends of nights; `lowest` is the lowest pH since the last one.
    """

    mark: str = ""
    rests: list[tuple[int, float, float]] = msgspec.field(default_factory=list)
    candidate: tuple[int, float, float] | None = None
    lowest: float | None = None
    sides: list[int] = msgspec.field(default_factory=list)
    fitted: bool = False
    found: Finding | None = None

    @property
    def resting_ph(self) -> float | None:
        """Median of the last nights; None before three of them."""
        return (
            median([ph for _, ph, _ in self.rests[-RESTING.median_days :]])
            if len(self.rests) >= DOUBT.least_days
            else None
        )

    def update(self, tank: Tank, moment: Moment) -> None:
        """One frame; works on those that end five minutes. `found` is what holds after it."""
        water = tank.settings.water
        mark = _mark(water.carbonate_hardness_dkh, water.degassed_ph)
        if mark != self.mark:
            self.mark, self.sides, self.fitted, self.found = mark, [], False, None
        if moment.fifth and moment.frame.ph is not None:
            self._slow(tank, moment)

    def _slow(self, tank: Tank, moment: Moment) -> None:
        ph = moment.gas.ph
        if self._resting(tank, moment):
            slope = moment.gas.slope_2h
            celsius = moment.frame.temperature
            if slope is not None and abs(slope) < RESTING.flat_ph_per_h:
                self.candidate = moment.day, ph, WATER.usual_c if celsius is None else celsius
            return
        self.lowest = ph if self.lowest is None else min(self.lowest, ph)
        if self.candidate is not None:
            rest, self.candidate = self.candidate, None
            if not self.rests or rest[0] != self.rests[-1][0]:
                self.rests.append(rest)
                del self.rests[: -RESTING.kept_days]
                self._judge(tank, rest, moment.gas.ph_error)
            self.lowest = ph

    def _resting(self, tank: Tank, moment: Moment) -> bool:
        if (
            moment.lamp.on
            or moment.heat.disturbed
            or "ph" in moment.probes.faulty
            or abs(moment.current.ph_stepped) > RESTING.stepped_ph
        ):
            return False
        if moment.active & {"stray-current-suspected", "power-interrupted"}:
            return False
        gas = tank.settings.co2
        if gas is None:
            # given all the same, and nobody wrote it down?
            quiet = moment.gas.swing <= RESTING.quiet_swing_ph and "co2-overdose" not in moment.active
            return quiet and RESTING.from_min <= moment.minute < RESTING.to_min
        valve = valve_hours(gas, moment.minute)
        if valve is None or gas.source != "cylinder":
            return False  # a reactor runs all night
        return RESTING.after_gas_min <= valve.since_shut < valve.shut_for

    def _judge(self, tank: Tank, rest: tuple[int, float, float], ph_error: float) -> None:
        water = tank.settings.water
        _, ph, celsius = rest
        celsius = min(max(celsius, WATER.coldest_c), WATER.warmest_c)
        air = air_equilibrium_mg_l(celsius)
        most = air_equilibrium_mg_l(celsius, RESTING.room_ppm) + RESTING.breathing_mg_l
        kh = water.carbonate_hardness_dkh
        if kh is not None and water.active_soil:
            return  # there a test is true of its day only; the estimate follows the rests
        if kh is not None:
            setting, printed = "water.carbonate_hardness_dkh", f"KH {kh:g} dKH"
            low = high = carbon_dioxide_mg_l(
                ph,
                kh,
                celsius,
                general_hardness_dgh=water.general_hardness_dgh,
                conductivity_us_cm=water.conductivity_us_cm,
            )
            error = log_error(ph_error, kh)
        elif water.degassed_ph is not None:
            setting, printed = "water.degassed_ph", f"degassed pH {water.degassed_ph:g}"
            # whichever of its two meanings fits better
            share = 10 ** (water.degassed_ph - ph)
            low, high = air * share, WATER.before_gas_mg_l * share
            error = math.log(10) * math.hypot(ph_error, ph_error)
        else:
            return
        margin = math.exp(RESTING.sure_errors * error)
        side = 1 if low > most * margin else -1 if high < air / margin else 0
        if (
            side > 0
            and tank.settings.co2 is not None
            and (self.lowest is None or ph - self.lowest < RESTING.switched_ph)
        ):
            return  # no gas seen to go and come: it may run all night, and the setting be right
        if side == 0:
            self.fitted, self.found, self.sides = True, None, []
            return
        self.sides.append(side)
        del self.sides[: -DOUBT.least_days]
        days = [d for d, _, _ in self.rests[-DOUBT.least_days :]]
        in_a_row = len(days) == DOUBT.least_days and days[-1] - days[0] == DOUBT.least_days - 1
        if self.fitted or self.found is not None or not in_a_row or abs(sum(self.sides)) < DOUBT.least_days:
            return
        estimated = low if side > 0 else high
        what = "KH" if kh is not None else "the degassed pH"
        self.found = Finding(
            alarm="setting-doubtful",
            quantity="ph",
            setting=setting,
            priority="low",
            value=float(f"{estimated:.2g}"),
            unit="mg/L",
            cause=f"{what} in the settings is too {'high' if side > 0 else 'low'}, or the electrode is off",
            observations=[
                f"pH {ph:.2f} at the end of the last {DOUBT.least_days} nights, flat and without CO2 given",
                f"with {printed} that would be {estimated:.2g} mg/L of CO2",
                f"at rest water holds {air:.1f} (open air) to {most:.0f} mg/L (stale room, full tank)",
            ],
            rule_out="test KH and pH of the tank's water with drop tests: where both agree with the "
            "settings and with the probe, something other than carbonate buffers this water",
        )
