"""What each detector believes, as plain numbers: for replay and explanation; the live service never asks.

Each family says what it judged a frame by (`TankWatch.beliefs`): what led to the judgement, and no second
opinion. Names carry their unit; what can't be said is left out.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import msgspec

from rushlight.analysis.alarms.rationale import Family
from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.findings import Finding
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import QUANTITIES
from rushlight.collector.settings import TankSettings

__all__ = ["BELIEFS", "Belief", "RecordingWatch", "Sample"]


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
    "co2_over_now_probability": Belief("carbon dioxide", "", 2, "P over"),
    "co2_over_soon_probability": Belief("carbon dioxide", "", 2, "P over in 1 h"),
    "kh_dkh": Belief("carbon dioxide", "dKH", 1, "KH"),
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
    "poured_in_c": Belief("heat", "°C", 1, "poured in: step"),
    "poured_in_ago_min": Belief("heat", "min", 0, "ago"),
    "poured_in_share": Belief("heat", "", 2, "its share"),
    "poured_in_share_low": Belief("heat", "", 2, "at least"),
    "poured_in_share_high": Belief("heat", "", 2, "at most"),
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

    `found` has a name for each finding that was active ("probe-fault/ph" for a probe's); one in brackets was
    only held on to, inside its deadband.
    """

    start_ms: int
    time_ms: int
    seen: dict[str, float]
    beliefs: dict[str, float]
    found: tuple[str, ...]


class RecordingWatch(TankWatch):
    """A `TankWatch` that notes what was believed at each frame from `from_ms` on; it judges the same.

    `keep` is given each; where there is none they are all in `samples`.
    """

    def __init__(
        self, name: str, settings: TankSettings, from_ms: int, keep: Callable[[Sample], None] | None = None
    ) -> None:
        super().__init__(name, settings)
        self.samples: list[Sample] = []
        self._keep = keep or self.samples.append
        self._from_ms = from_ms

    def judge(self, frame: Frame) -> list[Event]:
        """As `TankWatch.judge`."""
        events = super().judge(frame)
        moment = self.moment
        if frame.start_ms >= self._from_ms and moment is not None:
            seen = {}
            for name, series in frame.series.items():
                mean = series.mean()
                if mean is not None:
                    seen[name] = mean
            self._keep(
                Sample(
                    frame.start_ms,
                    frame.time_ms,
                    seen,
                    self.beliefs(),
                    tuple(_name(finding) for finding in self.state.findings),
                )
            )
        return events


def _name(finding: Finding) -> str:
    name = f"{finding.alarm}/{finding.quantity}" if finding.quantity else finding.alarm
    return f"({name})" if finding.holding else name
