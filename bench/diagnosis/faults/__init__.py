"""The faults: each changes a world from an onset on and says what should be found, and by when.

`severity` runs from 0 (mild) to 1 (brutal). A fault's `deadline_h` stands in for harm where nothing acute
happens; `harm` names the truth to watch for the livestock's limit (see `truth.py`).
"""

from __future__ import annotations

from bench.diagnosis.faults import devices, gas, heat, lamp, owner
from bench.diagnosis.faults.label import Fault, Label

__all__ = ["FAULTS", "Fault", "Label"]

FAULTS: dict[str, list[Fault]] = {
    "setting-doubtful": [
        Fault({"source": "cylinder"}, (6, 7), owner.wrong_hardness),
        Fault({"source": "yeast"}, (6, 7), owner.wrong_hardness),
        Fault({}, (6, 7), owner.wrong_hours),
        Fault({"heater": True, "room": "cold"}, (6, 7), owner.wrong_setpoint),
    ],
    "co2-overdose": [
        Fault({"source": "cylinder"}, (2, 3), gas.regulator_dump),
        Fault({"source": "cylinder"}, (2, 3), gas.valve_stuck_open),
        Fault({"source": "yeast"}, (2, 3), gas.reactor_surge),
        Fault({"source": "citric-acid"}, (2, 3), gas.reactor_surge),
    ],
    "co2-absent": [
        Fault({"source": "cylinder"}, (4, 6), gas.co2_runs_out),
        Fault({"source": "cylinder"}, (3, 4), gas.valve_stuck_shut),
        Fault({"source": "yeast"}, (5, 7), gas.co2_runs_out),
    ],
    "ph-out-of-range": [Fault({}, (7, 9), gas.hardness_runs_out), Fault({}, (3, 5), gas.something_alkaline)],
    "heater-stuck-on": [Fault({"heater": True, "room": "cold"}, (3, 4), heat.heater_welded)],
    "heater-not-heating": [Fault({"heater": True, "room": "cold"}, (3, 4), heat.heater_dead)],
    "cooling-not-cooling": [
        Fault({"cooler": "fan", "room": "warm"}, (3, 4), heat.cooler_dead),
        Fault({"cooler": "chiller", "room": "warm"}, (3, 4), heat.cooler_dead),
    ],
    "temperature-high": [Fault({"no_cooler": True}, (5, 7), heat.heat_wave)],
    "temperature-low": [
        Fault({"heater": True, "room": "cold"}, (5, 7), heat.cold_snap),
        Fault({"heater": False}, (5, 7), heat.cold_snap),
    ],
    "light-schedule-drift": [
        Fault({}, (5, 10), lamp.timer_drifts),
        Fault({}, (3, 4), lamp.timer_jumps),
        Fault({"dst": True}, (4, 5), lamp.timer_without_dst),
    ],
    "light-missing": [Fault({}, (2, 3), lamp.lamp_dead)],
    "light-stuck-on": [Fault({}, (2, 3), lamp.lamp_stays_on)],
    "light-dimming": [Fault({}, (16, 20), lamp.lamp_dims)],
    "probe-fault": [Fault({}, (2, 3), devices.probe_trouble)],
    "device-silent": [Fault({}, (3, 4), devices.device_stops)],
    "power-interrupted": [Fault({"heater": True}, (2, 3), devices.mains_fails)],
    "stray-current-suspected": [Fault({"heater": True}, (3, 4), devices.stray_current)],
}
