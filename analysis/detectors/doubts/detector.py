"""Settings that the data contradict: a lamp's hours, a hardness, a setpoint. Low priority, reported once.

Nothing is reported before three days, and nothing that has ever fitted: what did fit and no longer does is a
fault in the tank, and other detectors' business.
"""

from __future__ import annotations

from typing import ClassVar

import msgspec
from msgspec.structs import replace

from rushlight.analysis.detectors.doubts.hardness import GasDays
from rushlight.analysis.detectors.doubts.lamp_hours import LampTimes
from rushlight.analysis.detectors.doubts.resting_water import RestWater
from rushlight.analysis.detectors.doubts.setpoint import ThermostatHold
from rushlight.analysis.detectors.moment import DoubtFacts, Moment, Tank
from rushlight.analysis.findings import Finding

__all__ = ["SettingsDoubt"]

_NOTHING: list[Finding] = []


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
        if moment.fifth:
            self.gas.update(tank, moment)
            self.heater.update(tank, moment, moment.heat.comes_on)
            self.water.update(tank, moment)
        lamp = self.lamp.update(tank, moment) if moment.fifth or self.lamp.matters(moment) else _NOTHING
        if not (self.water.found or self.gas.found or self.heater.found):
            self.doubted = False
            return lamp
        of_water, gas = _emit(self.water), _emit(self.gas)
        # a reference that is in doubt is no longer used, where the tank's usual can take its place
        self.doubted = bool(of_water or (gas and self.gas.settled))
        return lamp + (of_water or gas) + _emit(self.heater)

    def recall(self, moment: Moment) -> None:
        """The doubts as of the frame before: lamp and carbon dioxide judge without what is in doubt."""
        settled = self.gas.found is not None and self.gas.settled
        if not (settled or self.doubted or self.lamp.told):
            return  # as the moment has it
        moment.doubts_before = DoubtFacts(
            lamp_hours=self.lamp.told,
            reference=self.doubted,
            lived=[(low, high) for _, low, high in self.gas.days] if settled else (),
        )

    def beliefs(self, tank: Tank, moment: Moment) -> dict[str, float | None]:
        """It judges by what the others believe."""
        return {}
