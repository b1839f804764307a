"""What a tank has, as far as the steps of an alarm depend on it."""

from __future__ import annotations

from typing import Literal

import msgspec

from rushlight.collector.settings import TankSettings

__all__ = ["ANY", "Equipment", "When", "equipment_of"]

Gas = Literal["", "cylinder", "reactor", "either"]


class Equipment(msgspec.Struct, frozen=True):
    """What the settings say of a tank; by default everything, for texts that are of no one tank.

    Attributes
    ----------
    gas : str
        Where the CO2 comes from: "cylinder" or "reactor", "" for none, "either" where nobody says.
    heater, light : bool
        Whether there is one.
    """

    gas: Gas = "either"
    heater: bool = True
    light: bool = True


ANY = Equipment()


class When(msgspec.Struct, frozen=True):
    """A step for some tanks or probes only: None, or no probes, is for all of them.

    `alone`: not where nobody says what the gas is. `probes`: quantities of the probes that it is about.
    """

    text: str
    gas: Gas | None = None
    heater: bool | None = None
    light: bool | None = None
    alone: bool = False
    probes: tuple[str, ...] = ()

    def said(self, has: Equipment) -> str | When:
        """The step for a tank with this equipment, "" where it is not for it."""
        if self.probes:
            return self
        if self.heater not in (None, has.heater) or self.light not in (None, has.light):
            return ""
        if self.gas in (None, has.gas):
            return self.text
        if has.gas == "either" and not self.alone and self.gas in ("cylinder", "reactor"):
            return f"{self.gas.capitalize()}: {self.text[:1].lower()}{self.text[1:]}"
        return ""


def equipment_of(tank: TankSettings) -> Equipment:
    """What the settings of a tank say that it has."""
    gas: Gas = ""
    if tank.co2 is not None:
        gas = "cylinder" if tank.co2.source == "cylinder" else "reactor"
    return Equipment(gas, tank.heater is not None, tank.light is not None)
