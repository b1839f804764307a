"""A hardness in the settings by which the animals could not have lived, or no gas would ever have come.

Whoever sets a KH twice too high gets an alarm of an overdose from the first hour on, every day. As long as
that may be true it is reported as such. After three days of the same the setting is the likelier fault: no
tank lives so, or the gas comes and goes daily and the animals live with it. Where the water holds that much
night and day it may be true, and the overdose stays beside the doubt. A KH that has fitted once is never
doubted: gas that grows is gas.
"""

from __future__ import annotations

import functools

import msgspec

from rushlight.analysis.detectors.doubts.numbers import DOUBT
from rushlight.analysis.detectors.doubts.water_numbers import GAS_DAYS
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.findings import Finding
from rushlight.analysis.physics.numbers import WATER
from rushlight.analysis.physics.water import carbon_dioxide_mg_l

__all__ = ["GasDays"]


@functools.lru_cache(typed=True)  # asked every five minutes
def _mark(kh: float | None, limit_mg_l: float) -> str:
    return f"{kh} {limit_mg_l}"


class GasDays(msgspec.Struct):
    """Each day's lowest and highest pH, alarms or not, against what the KH makes of it.

    `days` are (local day, lowest pH, highest pH), each held for an hour. `settled`: the KH found can't be
    right, and is no longer used; where the water may indeed hold that much, its alarm stays active.
    """

    mark: str = ""
    day: int = -1
    values: list[float] = msgspec.field(default_factory=list)
    celsius: float = msgspec.field(default_factory=lambda: WATER.usual_c)
    days: list[tuple[int, float, float]] = msgspec.field(default_factory=list)
    sides: list[int] = msgspec.field(default_factory=list)
    fitted: bool = False
    found: Finding | None = None
    settled: bool = False

    def update(self, tank: Tank, moment: Moment) -> None:
        """One frame; works on those that end five minutes. `found` is what holds after it."""
        if not moment.fifth:
            return
        kh = tank.settings.water.carbonate_hardness_dkh
        mark = _mark(kh, tank.settings.livestock.co2_limit_mg_l)
        if mark != self.mark:
            self.mark, self.found, self.settled = mark, None, False
            # a figure by which the last days were sound has fitted, whatever comes now
            self.fitted = kh is not None and any(self._most(tank, kh, low)[1] == 0 for _, low, _ in self.days)
            self.days, self.sides = [], []
        if kh is None or tank.settings.water.active_soil:  # there a test is true of its day only
            return
        if moment.day != self.day:
            self._close(tank, kh)
            self.day = moment.day
            self.values.clear()
        doubtful = (
            "ph" in moment.probes.faulty
            or "stray-current-suspected" in moment.active
            or moment.heat.disturbed
        )
        if moment.frame.ph is not None and not doubtful:
            self.values.append(moment.gas.ph)
            if moment.frame.temperature is not None and "temperature" not in moment.probes.faulty:
                self.celsius = min(max(moment.frame.temperature, WATER.coldest_c), WATER.warmest_c)

    def _close(self, tank: Tank, kh: float) -> None:
        values = sorted(self.values)
        if len(values) < GAS_DAYS.day_values:
            return
        hour = len(values) // 24
        low, high = values[hour], values[-1 - hour]
        limit = tank.settings.livestock.co2_limit_mg_l
        most, side = self._most(tank, kh, low)
        if (
            side == 0
            and self.found is not None
            and not GAS_DAYS.settles_times * WATER.before_gas_mg_l < most < limit
        ):
            return  # one day a little nearer does not settle it
        self.days.append((self.day, low, high))
        self.sides.append(side)
        del self.days[: -DOUBT.least_days], self.sides[: -DOUBT.least_days]
        if side == 0:
            self.fitted, self.found, self.settled = True, None, False
            return
        lows = [day[1] for day in self.days]
        in_a_row = (
            len(self.days) == DOUBT.least_days and self.days[-1][0] - self.days[0][0] == DOUBT.least_days - 1
        )
        alike = max(lows) - min(lows) <= GAS_DAYS.alike_ph
        if self.fitted or self.found is not None or not in_a_row or not alike:
            return
        if abs(sum(self.sides)) == DOUBT.least_days:
            least = max(self._gas(tank, kh, day[2]) for day in self.days)
            self.settled = side < 0 or most > GAS_DAYS.deadly_share * limit or least < limit
            self.found = self._finding(kh, limit, most, min(lows), side)

    def _gas(self, tank: Tank, kh: float, ph: float) -> float:
        """CO2 by the settings alone, mg/L."""
        water = tank.settings.water
        return carbon_dioxide_mg_l(
            ph,
            kh,
            self.celsius,
            general_hardness_dgh=water.general_hardness_dgh,
            conductivity_us_cm=water.conductivity_us_cm,
        )

    def _most(self, tank: Tank, kh: float, ph: float) -> tuple[float, int]:
        """(mg/L of CO2, 1 where that is too much to live with, -1 where it is hardly any) at a pH."""
        most = self._gas(tank, kh, ph)
        if most > GAS_DAYS.too_much_share * tank.settings.livestock.co2_limit_mg_l:
            return most, 1
        return most, -1 if tank.settings.co2 is not None and most < WATER.before_gas_mg_l else 0

    def _finding(self, kh: float, limit: float, most: float, low: float, side: int) -> Finding:
        what = "no fish lives well with that" if side > 0 else "hardly more than without any gas"
        estimated = f"{most:.0f}" if most > GAS_DAYS.rough_mg_l else f"{most:.1f}"
        return Finding(
            alarm="setting-doubtful",
            quantity="ph",
            setting="water.carbonate_hardness_dkh",
            priority="low",
            value=float(f"{most:.2g}"),
            unit="mg/L",
            cause="KH in the settings is too high, or the electrode reads too low, or the gas is far too much"
            if side > 0
            else "KH in the settings is too low, or the electrode reads too high, or no gas arrives",
            observations=[
                f"pH went down to {low:.2f} on each of the last {DOUBT.least_days} days",
                f"with KH {kh:g} dKH that would be {estimated} mg/L of CO2: {what}; the limit is {limit:g}",
                *(
                    ["until that is settled CO2 is judged by this tank's usual pH alone"]
                    if self.settled
                    else []
                ),
            ],
            rule_out="test KH and pH of the tank's water with drop tests: where both agree with the settings "
            "and with the probe, "
            + (
                "the estimate is true: get air into the water and turn the gas down"
                if side > 0
                else "look whether bubbles come"
            ),
        )
