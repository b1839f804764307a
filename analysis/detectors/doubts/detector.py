"""Settings that the data contradict: a lamp's hours, a hardness, a setpoint. Low priority, told once.

Nothing is told before three days, and nothing that has ever fitted: what fitted and does so no more is a
fault in the tank, and other detectors' business.
"""

from __future__ import annotations

import math
from typing import ClassVar

import msgspec
from msgspec.structs import replace

from rushlight.analysis.detectors.doubts.hardness import GasDays
from rushlight.analysis.detectors.doubts.lamp_hours import LampTimes
from rushlight.analysis.detectors.doubts.numbers import DOUBT
from rushlight.analysis.detectors.doubts.setpoint import ThermostatHold
from rushlight.analysis.detectors.gas.curve import PRE_CO2_MG_L
from rushlight.analysis.detectors.moment import DoubtFacts, Moment, Tank
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.findings import Finding
from rushlight.analysis.physics.water import air_equilibrium_mg_l, carbon_dioxide_mg_l
from rushlight.collector.settings import parse_time_of_day

__all__ = ["RestWater", "SettingsDoubt"]

HOUR = 60 * MINUTE_MS
REST_AFTER_GAS_MIN = 360  # the gas has had that long to leave; common practice, no source
FLAT_PH_PER_H = 0.02
KH_ERROR_DKH = 1.0
ROOM_PPM = 1500.0  # a lived-in room at its worst; common practice, no source
RESPIRATION_MG_L = 5.0  # a night's respiration in a full tank adds up to that; common practice, no source
SWITCHED_PH = 0.15  # common practice, no source
SURE = 2.5  # standard errors


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
        return median([ph for _, ph, _ in self.rests[-5:]]) if len(self.rests) >= DOUBT.least_days else None

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; works on those that end five minutes."""
        water = tank.settings.water
        mark = f"{water.carbonate_hardness_dkh} {water.degassed_ph}"
        if mark != self.mark:
            self.mark, self.sides, self.fitted, self.found = mark, [], False, None
        if moment.fifth and moment.frame.ph is not None:
            self._slow(tank, moment)
        return _emit(self)

    def _slow(self, tank: Tank, moment: Moment) -> None:
        ph = moment.gas.ph
        if self._resting(tank, moment):
            slope = moment.gas.slope_2h
            celsius = moment.frame.temperature
            if slope is not None and abs(slope) < FLAT_PH_PER_H:
                self.candidate = moment.day, ph, 24.0 if celsius is None else celsius
            return
        self.lowest = ph if self.lowest is None else min(self.lowest, ph)
        if self.candidate is not None:
            rest, self.candidate = self.candidate, None
            if not self.rests or rest[0] != self.rests[-1][0]:
                self.rests.append(rest)
                del self.rests[:-7]
                self._judge(tank, rest, moment.gas.ph_error)
            self.lowest = ph

    def _resting(self, tank: Tank, moment: Moment) -> bool:
        if (
            moment.lamp.on
            or moment.heat.disturbed
            or "ph" in moment.probes.faulty
            or abs(moment.current.ph_stepped) > 0.06
        ):
            return False
        if moment.active & {"stray-current-suspected", "power-interrupted"}:
            return False
        gas = tank.settings.co2
        if gas is None:
            # given all the same, and nobody wrote it down?
            quiet = moment.gas.swing <= 0.5 and "co2-overdose" not in moment.active
            return quiet and 120 <= moment.minute < 420
        if gas.on is None or gas.off is None or gas.source != "cylinder":
            return False  # a reactor runs all night
        on, off = parse_time_of_day(gas.on), parse_time_of_day(gas.off)
        since = (moment.minute - off) % 1440
        return REST_AFTER_GAS_MIN <= since < (on - off) % 1440

    def _judge(self, tank: Tank, rest: tuple[int, float, float], ph_error: float) -> None:
        water = tank.settings.water
        _, ph, celsius = rest
        celsius = min(max(celsius, 1.0), 40.0)
        air = air_equilibrium_mg_l(celsius)
        most = air_equilibrium_mg_l(celsius, ROOM_PPM) + RESPIRATION_MG_L
        kh = water.carbonate_hardness_dkh
        if kh is not None:
            setting, printed = "water.carbonate_hardness_dkh", f"KH {kh:g} dKH"
            low = high = carbon_dioxide_mg_l(ph, kh, celsius)
            error = math.hypot(math.log(10) * ph_error, KH_ERROR_DKH / max(kh, 1.0))
        elif water.degassed_ph is not None:
            setting, printed = "water.degassed_ph", f"degassed pH {water.degassed_ph:g}"
            # whichever of its two meanings fits better
            share = 10 ** (water.degassed_ph - ph)
            low, high = air * share, PRE_CO2_MG_L * share
            error = math.log(10) * math.hypot(ph_error, ph_error)
        else:
            return
        margin = math.exp(SURE * error)
        side = 1 if low > most * margin else -1 if high < air / margin else 0
        if (
            side > 0
            and tank.settings.co2 is not None
            and (self.lowest is None or ph - self.lowest < SWITCHED_PH)
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
        reckoned = low if side > 0 else high
        what = "KH" if kh is not None else "the degassed pH"
        self.found = Finding(
            alarm="setting-doubtful",
            quantity="ph",
            setting=setting,
            priority="low",
            value=float(f"{reckoned:.2g}"),
            unit="mg/L",
            cause=f"{what} in the settings is too {'high' if side > 0 else 'low'}, or the electrode is off",
            observations=[
                f"pH {ph:.2f} at the end of the last {DOUBT.least_days} nights, flat and without CO2 given",
                f"with {printed} that would be {reckoned:.2g} mg/L of CO2",
                f"at rest water holds {air:.1f} (open air) to {most:.0f} mg/L (stale room, full tank)",
            ],
            rule_out="test KH and pH of the tank's water with drop tests: where both agree with the "
            "settings and with the probe, something other than carbonate buffers this water",
        )


def _emit(doubt: RestWater | ThermostatHold | GasDays) -> list[Finding]:
    """New on its first frame, then only held on to: raised once, whatever people do with it."""
    if doubt.found is None:
        return []
    finding = doubt.found
    if not finding.holding:
        doubt.found = replace(finding, holding=True)
    return [replace(finding)]


class SettingsDoubt(msgspec.Struct):
    """State of the doubts of one tank; also what is learnt of lamp, resting water and thermostat."""

    name: ClassVar[str] = "settings"
    place: ClassVar[str] = "doubts"
    alarms: ClassVar[frozenset[str]] = frozenset({"setting-doubtful"})
    needs: ClassVar[frozenset[str]] = frozenset({"probes", "lamp", "current", "heat", "gas"})
    recalls: ClassVar[frozenset[str]] = frozenset()

    lamp: LampTimes = msgspec.field(default_factory=LampTimes)
    water: RestWater = msgspec.field(default_factory=RestWater)
    gas: GasDays = msgspec.field(default_factory=GasDays)
    heater: ThermostatHold = msgspec.field(default_factory=ThermostatHold)
    doubted: bool = False  # KH or degassed pH of the settings

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame, after the other detectors have judged it; the doubts that stand. O(1)."""
        self.gas.update(tank, moment)
        self.heater.update(tank, moment, moment.heat.comes_on)
        of_water = self.water.update(tank, moment)
        gas = _emit(self.gas)
        # a reference that is in doubt is reckoned with no more, where the tank's usual can take its place
        self.doubted = bool(of_water or (gas and self.gas.settled))
        return self.lamp.update(tank, moment) + (of_water or gas) + _emit(self.heater)

    def recall(self, moment: Moment) -> None:
        """The doubts as of the frame before: lamp and carbon dioxide judge without what is in doubt."""
        settled = self.gas.found is not None and self.gas.settled
        moment.doubts_before = DoubtFacts(
            lamp_hours=self.lamp.told,
            reference=self.doubted,
            lived=[(low, high) for _, low, high in self.gas.days] if settled else (),
        )

    def beliefs(self, tank: Tank, moment: Moment) -> dict[str, float | None]:
        """It judges by what the others believe."""
        return {}
