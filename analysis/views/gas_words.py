"""What `check` says of CO2 and of the water it is judged by."""

from __future__ import annotations

from rushlight.collector.settings import CarbonDioxideSettings, TankSettings

__all__ = ["gas_lines"]


def gas_lines(tank: TankSettings) -> tuple[list[str], list[str], list[str]]:
    """What is watched of CO2, what is learnt first, and what is left out."""
    watched: list[str] = []
    learnt: list[str] = []
    missing: list[str] = []
    water, co2 = tank.water, tank.co2
    kh = water.carbonate_hardness_dkh
    if co2 is None and kh is None and water.degassed_ph is None:
        missing.append("CO2, too much or none: no [co2]; add it if gas is given")
        return watched, learnt, missing
    limit = f"{tank.livestock.co2_limit_mg_l:g} mg/L"
    if kh is not None:
        watched.append(f"CO2 up to {limit}, from pH and KH {kh:g} dKH{_moving(tank)}")
    elif water.degassed_ph is not None:
        watched.append(
            f"CO2 up to {limit}, from pH and the degassed pH {water.degassed_ph:g}: rougher than from KH"
        )
    else:
        learnt.append(
            "CO2 from this tank's usual lowest pH (neither KH nor degassed pH set): rough, after some days"
        )
    if co2 is None:
        learnt.append("whether gas is given (no [co2]): from the daily swing of the pH, two days")
        missing.append(
            "CO2 that does not come, until the pH shows that gas is given: no [co2]; add it if gas is given"
        )
        return watched, learnt, missing
    _supply(co2, watched, learnt)
    return watched, learnt, missing


def _moving(tank: TankSettings) -> str:
    water = tank.water
    out = ""
    if water.tap_hardness_dkh is not None:
        out += f"; new water has {water.tap_hardness_dkh:g} dKH"
    if water.active_soil:
        out += "; the soil takes up hardness, so a KH test counts for days only"
    if tank.started is not None:
        out += f"; in the first month from {tank.started} on KH is held for less sure"
    return out


def _supply(co2: CarbonDioxideSettings, watched: list[str], learnt: list[str]) -> None:
    hours = "" if co2.on is None else f" from {co2.on} to {co2.off}"
    if co2.control == "ph-controller":
        held = "the pH that it is set to" if co2.ph_setpoint is None else f"pH {co2.ph_setpoint:g}"
        watched.append(
            f"CO2 by a pH controller that should hold {held}{hours}: whether it comes. A steady pH is no "
            "proof of the gas: where KH rises or the probe reads too high, it gives too much"
        )
        if co2.ph_setpoint is None:
            learnt.append("what the pH controller holds (no co2.ph_setpoint): some days")
    elif co2.control == "always":
        watched.append("CO2 that should run night and day: whether it comes")
    elif hours:
        watched.append(f"CO2 that should run{hours}: whether it comes")
    else:
        learnt.append("when CO2 should run (no co2.on and off): from the daily swing of the pH, some days")
