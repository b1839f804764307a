"""What the detectors are told besides the frame: the tank's settings, and the moment's shared facts."""

from __future__ import annotations

import msgspec

from analysis.electrode import PhTrust, ph_trust
from analysis.frames import Frame
from analysis.trend import LocalClock
from analysis.water import oxygen_saturation_mg_l
from collector.settings import TankSettings

__all__ = ["MINUTE_MS", "Moment", "Tank", "minutes_text", "oxygen_text"]

MINUTE_MS = 60_000


class Tank:
    """A tank's fixed facts, from the settings."""

    def __init__(self, name: str, settings: TankSettings) -> None:
        self.name = name
        self.settings = settings
        self.clock = LocalClock(settings.timezone)
        # 4186 J/(kg K), glass and gravel taken as a tenth more
        self.heat_capacity_j_per_k = 4186 * settings.volume_litres * 1.1
        heater = settings.heater
        # 1 W/L is common practice for heaters, no source; used until the data say better
        watts = (heater.watts if heater else None) or settings.volume_litres
        self.heating_rate_c_per_h = watts * 3600 / self.heat_capacity_j_per_k
        self._trust: tuple[tuple[bool, int], PhTrust] | None = None

    def ph_trust(self, raw: bool, day: int) -> PhTrust:
        """How far its pH is to be trusted; `raw`: the device sends millivolts. `day`: local, since 1970."""
        if self._trust is None or self._trust[0] != (raw, day):
            self._trust = (raw, day), ph_trust(self.settings.ph_calibration, raw, day)
        return self._trust[1]


class Moment(msgspec.Struct):
    """One frame and what the detectors before have found out about it.

    Attributes
    ----------
    frame : Frame
    day, minute : int, float
        Local day number and minutes after local midnight.
    fifth : bool
        True on the frames that end a five-minute block: the slow estimators run then.
    lamp_on : bool or None
        As the lamp detector sees it.
    lamp_should_be_on : bool or None
        By the schedule (None: no schedule known).
    lamp_out_since_ms : int
        When the lamp went out in its photoperiod, -1 otherwise.
    lamp_absent : bool
        It has not come on although it is well past its time.
    lamp_due_ms : int
        When it should have been half lit, by the schedule and its ramp; -1 outside its photoperiod.
    disturbed : bool
        Someone is at the tank (water change, hands), or the reports have only just come back.
    active, faulty : set of str
        Alarms that stand since the frame before; quantities whose probe can't be relied on.
    heater_floor, cooling_rate, temperature_slope : float or None
        What the heater holds (°C), and the usual and present slopes (°C/h).
    ph_stepped : float
        Sum of the pH steps of the last hours that were too sudden for chemistry.
    ph_step_seen : bool
        One of them was just now.
    restless : set of str
        Quantities that are among the faulty only because they jitter: their level can still be seen.
    ph_step_with_lamp : bool
        The last pH step of these hours came as the lamp switched.
    leapt : dict of str to float
        Where a probe's level leapt as no water can: what it was before. Quantities in it are faulty, too.
    ph_jitter : float
        By how much pH jumps from minute to minute, level and slope aside.
    """

    frame: Frame
    day: int
    minute: float
    fifth: bool
    active: set[str]
    faulty: set[str]
    lamp_on: bool | None = None
    lamp_should_be_on: bool | None = None
    lamp_out_since_ms: int = -1
    lamp_absent: bool = False
    lamp_due_ms: int = -1
    lamp_edge: int = 0  # +1 came on, -1 went out: found in this frame, happened at lamp_edge_ms
    lamp_edge_ms: int = -1
    disturbed: bool = False
    heater_floor: float | None = None
    cooling_rate: float | None = None
    temperature_slope: float | None = None
    ph_stepped: float = 0.0
    ph_step_seen: bool = False
    restless: set[str] = msgspec.field(default_factory=set)
    ph_jitter: float = 0.0
    ph_step_with_lamp: bool = False
    leapt: dict[str, float] = msgspec.field(default_factory=dict)

    def beyond(self, quantity: str) -> bool:
        """Its readings come, past what is sensible: the water walked there, and what stood still stands."""
        series = self.frame.series.get(quantity)
        return series is not None and series.suspect > 0 and quantity not in self.faulty


def minutes_text(seconds: float) -> str:
    """A span as a person says it."""
    minutes = seconds / 60
    if minutes < 90:
        return f"{max(1, round(minutes)):d} min"
    if minutes < 48 * 60:
        return f"{minutes / 60:.1f} h".replace(".0 h", " h")
    return f"{minutes / 1440:.0f} days"


def oxygen_text(celsius: float) -> str:
    """What warm water can hold of oxygen at sea level (Benson & Krause 1984): warm and gassed is worse."""
    saturation = oxygen_saturation_mg_l(min(max(celsius, 0.0), 40.0))
    return f"water of {celsius:.1f} °C holds at most {saturation:.1f} mg/L of oxygen"
