"""Whether the keys of [co2] and [water] make sense together."""

from __future__ import annotations

from collections.abc import Iterator

from rushlight.collector.settings.lines import Path
from rushlight.collector.settings.tables import TankSettings

__all__ = ["gas_faults"]

GasFault = tuple[Path, str, tuple[str, ...]]
"""Where, what is wrong, and the keys beneath it that were looked at."""


def gas_faults(where: Path, tank: TankSettings) -> Iterator[GasFault]:
    """What is wrong with how CO2 is given; `where` is the path of the tank's table."""
    co2, water = tank.co2, tank.water
    if co2 is None:
        return
    place = (*where, "co2")
    if co2.control == "always" and (co2.on is not None or co2.off is not None):
        text = 'on and off contradict control = "always"; remove them, or write control = "hours"'
        yield place, text, ("control", "on", "off")
    setpoint = co2.ph_setpoint
    if setpoint is None:
        return
    if co2.control != "ph-controller":
        yield (
            place,
            'ph_setpoint belongs to a pH controller; write control = "ph-controller", or remove ph_setpoint',
            ("control", "ph_setpoint"),
        )
        return
    low, high = water.ph_low, water.ph_high
    if (low is not None and setpoint < low) or (high is not None and setpoint > high):
        limits = " and ".join(
            f"{key} {value:g}" for key, value in (("ph_low", low), ("ph_high", high)) if value is not None
        )
        yield (*place, "ph_setpoint"), f"pH {setpoint:g} is outside water.{limits}; mend one of them", ()
