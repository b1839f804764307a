"""What each detector believes, as plain numbers: for replay and explanation; the live service never asks.

Read from the detectors' state after a frame has been judged, so it is what led to the judgement and no second
opinion. Names carry their unit; what can't be said is left out.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import msgspec

from analysis.detectors.base import Moment, Tank
from analysis.frames import Frame
from analysis.rationale import Family
from analysis.trend import median
from analysis.types import Event, Finding
from analysis.watch import TankWatch, WatchState
from collector.readings import QUANTITIES
from collector.settings import TankSettings

__all__ = ["BELIEFS", "Belief", "RecordingWatch", "Sample", "beliefs"]

_HALF_HOUR_MS = 1_800_000
_STEPPED = 0.06  # pH; less is left out of account by the detector


class Belief(NamedTuple):
    """What one name means: whose it is, its printed unit, decimals, and a short heading."""

    family: Family
    unit: str
    decimals: int
    heading: str


BELIEFS: dict[str, Belief] = {
    "co2_mg_l": Belief("carbon dioxide", "mg/L", 0, "CO2"),
    "co2_low_mg_l": Belief("carbon dioxide", "mg/L", 0, "at least"),
    "co2_high_mg_l": Belief("carbon dioxide", "mg/L", 0, "at most"),
    "co2_in_1_h_mg_l": Belief("carbon dioxide", "mg/L", 0, "in 1 h"),
    "ph_error": Belief("carbon dioxide", "", 2, "pH ±"),
    "ph_usual": Belief("carbon dioxide", "", 2, "usual pH"),
    "ph_usual_lowest": Belief("carbon dioxide", "", 2, "usual lowest"),
    "ph_slope_per_h": Belief("carbon dioxide", "/h", 2, "pH slope"),
    "temperature_usual_c": Belief("heat", "°C", 1, "usual"),
    "heater_holds_from_c": Belief("heat", "°C", 1, "holds from"),
    "heater_holds_to_c": Belief("heat", "°C", 1, "holds to"),
    "temperature_slope_c_per_h": Belief("heat", "°C/h", 2, "slope"),
    "unheated_slope_c_per_h": Belief("heat", "°C/h", 2, "slope unheated"),
    "time_constant_h": Belief("heat", "h", 1, "time constant"),
    "lamp_on": Belief("light", "", 0, "lamp on"),
    "lamp_should_be_on": Belief("light", "", 0, "should be"),
    "lamp_level_lx": Belief("light", "lx", 0, "lamp gives"),
    "lamp_late_min": Belief("light", "min", 0, "late by"),
    **{
        f"doubts_{name}": Belief("probes", "", 0, f"doubts {info.title}") for name, info in QUANTITIES.items()
    },
    "ph_stepped": Belief("power", "", 2, "pH by steps"),
    "lamp_out_min": Belief("power", "min", 0, "lamp out for"),
}


class Sample(msgspec.Struct, frozen=True):
    """One frame: its begin (ms UTC), when it was judged, the good means, the beliefs, and what was found.

    `found` has a name for each finding that stood ("probe-fault/ph" for a probe's); one in brackets was only
    held on to, inside its deadband.
    """

    start_ms: int
    time_ms: int
    seen: dict[str, float]
    beliefs: dict[str, float]
    found: tuple[str, ...]


class RecordingWatch(TankWatch):
    """A `TankWatch` that notes what was believed at each frame from `from_ms` on; it judges the same."""

    def __init__(self, name: str, settings: TankSettings, from_ms: int) -> None:
        super().__init__(name, settings)
        self.samples: list[Sample] = []
        self._from_ms = from_ms

    def _judge(self, frame: Frame) -> list[Event]:
        events = super()._judge(frame)
        moment = self.moment
        if frame.start_ms >= self._from_ms and moment is not None:
            seen = {}
            for name, series in frame.series.items():
                mean = series.mean()
                if mean is not None:
                    seen[name] = mean
            self.samples.append(
                Sample(
                    frame.start_ms,
                    frame.time_ms,
                    seen,
                    beliefs(self.state, self.tank, moment),
                    tuple(_name(finding) for finding in self.state.findings),
                )
            )
        return events


def _name(finding: Finding) -> str:
    name = f"{finding.alarm}/{finding.quantity}" if finding.quantity else finding.alarm
    return f"({name})" if finding.holding else name


def beliefs(state: WatchState, tank: Tank, moment: Moment) -> dict[str, float]:
    """What the detectors of one tank believe after the frame of `moment`; names as in `BELIEFS`."""
    found = {
        **_carbon_dioxide(state, tank, moment),
        **_heat(state, tank, moment),
        **_light(state, moment),
        **_power(moment),
    }
    known = {name: float(value) for name, value in found.items() if value is not None}
    known |= {f"doubts_{name}": 1.0 for name in moment.probes.faulty}
    return known


def _carbon_dioxide(state: WatchState, tank: Tank, moment: Moment) -> dict[str, float | None]:
    gas = state.carbon_dioxide
    curve = gas.curve
    out: dict[str, float | None] = {
        "ph_usual": curve.profile.at(moment.minute),
        "ph_usual_lowest": curve.usual_low,
    }
    ph = median(gas.block.values) if gas.block.values and moment.frame.ph is not None else None
    if ph is None or "ph" in moment.probes.faulty:
        return out
    slope = out["ph_slope_per_h"] = curve.window.slope_per_hour(_HALF_HOUR_MS)
    unstepped = ph - moment.current.ph_stepped if abs(moment.current.ph_stepped) > _STEPPED else ph
    kept = curve.kelvin_key, curve.factor
    estimate = gas.estimate(tank, unstepped, moment.frame.temperature)
    curve.kelvin_key, curve.factor = kept  # who looks on must change nothing
    if estimate is not None:
        mg_l, error = estimate
        out |= {
            "co2_mg_l": mg_l,
            "co2_low_mg_l": mg_l * math.exp(-error),
            "co2_high_mg_l": mg_l * math.exp(error),
            "ph_error": curve.ph_error,
        }
        if slope is not None:
            # CO2 goes as 10^-pH, and the detector looks an hour ahead along the slope
            out["co2_in_1_h_mg_l"] = mg_l * 10 ** -max(slope, -2.0)
    return out


def _heat(state: WatchState, tank: Tank, moment: Moment) -> dict[str, float | None]:
    heat = state.temperature
    frame = moment.frame
    usual = heat.profile.at(moment.minute)
    if frame.temperature is None or "temperature" in moment.probes.faulty:
        return {"temperature_usual_c": usual}
    room = heat.room_now(frame.start_ms)
    floor, ceiling = heat.heater_range(tank)
    return {
        "temperature_usual_c": usual,
        "heater_holds_from_c": floor,
        "heater_holds_to_c": ceiling,
        "temperature_slope_c_per_h": heat.window.slope_per_hour(_HALF_HOUR_MS),
        "unheated_slope_c_per_h": heat.explained(tank, moment, frame.temperature, room),
        "time_constant_h": heat.model.time_constant_h(tank.settings.volume_litres),
    }


def _light(state: WatchState, moment: Moment) -> dict[str, float | None]:
    lamp = state.lamp
    if not lamp.tracker.times:
        return {}  # no light is measured here
    return {
        "lamp_on": moment.lamp.on,
        "lamp_should_be_on": moment.lamp.should_be_on,
        "lamp_level_lx": lamp.tracker.level(),
        "lamp_late_min": lamp.drift.shift,
    }


def _power(moment: Moment) -> dict[str, float | None]:
    out = moment.lamp.out_since_ms
    return {
        "ph_stepped": moment.current.ph_stepped if abs(moment.current.ph_stepped) > _STEPPED else None,
        "lamp_out_min": (moment.frame.start_ms - out) / 60_000 if out >= 0 else None,
    }
