"""What the families are given besides the frame: the tank's settings, and what the others have found out."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from typing import NamedTuple

import msgspec

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.estimators.local_clock import LocalClock
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.physics.electrode_trust import PhTrust, old_ph_error, ph_trust
from rushlight.analysis.physics.water import oxygen_saturation_mg_l
from rushlight.collector.settings import CalibrationPoint, PhCalibration, TankSettings

__all__ = [
    "CurrentFacts",
    "DoubtFacts",
    "GasFacts",
    "HeatFacts",
    "KeptHeat",
    "LampFacts",
    "Moment",
    "ProbeFacts",
    "Tank",
    "minutes_text",
    "oxygen_text",
]

_EPOCH = datetime.date.fromisoformat("1970-01-01")


class KeptHeat(NamedTuple):
    """What the heat family worked out last, between the frames on which it may change; °C and °C/h.

    `ceiling` is the warmest that the heater holds, the others are as in `HeatFacts`. `of` is the state that
    it is of: after a restart or a clock's step it is another.
    """

    of: object
    floor: float | None
    ceiling: float | None
    cooling_rate: float | None
    slope: float | None


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
        self.kept_heat: KeptHeat | None = None
        self._trust: tuple[tuple[bool, int], PhTrust] | None = None
        self._calibrated: datetime.date | None = None
        self._points: Sequence[CalibrationPoint] = ()

    def calibrated_by_log(self, time_ms: int, points: Sequence[CalibrationPoint] = ()) -> None:
        """When the keeper has last calibrated the pH electrode (ms UTC), -1 where it was not noted.

        `points`: what it gave in its buffers, where that was kept.
        """
        before = self._calibrated
        if list(points) != list(self._points):
            self._points, self._trust = points, None
        if time_ms < 0:
            self._calibrated = None
        else:
            self._calibrated = _EPOCH + datetime.timedelta(days=self.clock.local(time_ms)[0])
        if self._calibrated != before:
            self._trust = None

    def age_days(self, day: int) -> int | None:
        """Days since it was started by the settings; None where they don't say. `day`: local, since 1970."""
        began = self.settings.started
        return None if began is None else day - (began.toordinal() - _EPOCH.toordinal())

    def ph_trust(self, raw: bool, day: int) -> PhTrust:
        """How far its pH is to be trusted; `raw`: the device sends millivolts. `day`: local, since 1970."""
        if self._trust is None or self._trust[0] != (raw, day):
            calibration = self.settings.ph_calibration
            noted = self._calibrated
            # of a raw electrode the points count, and the day that stands beside them
            if noted is not None and self._points:
                calibration = PhCalibration(points=list(self._points), calibrated=noted)
            elif noted is not None and not calibration.points:
                known = calibration.calibrated
                calibration = PhCalibration(calibrated=noted if known is None else max(known, noted))
            self._trust = (raw, day), ph_trust(calibration, raw, day)
        return self._trust[1]


class ProbeFacts(msgspec.Struct, gc=False):
    """What the probe family says of this frame.

    Attributes
    ----------
    faulty : set of str
        Quantities whose probe can't be relied on.
    restless : set of str
        Those of them that only jitter: their level can still be seen.
    ph_jitter : float
        By how much pH jumps from minute to minute, level and slope aside.
    leapt : dict of str to float
        Where a probe's level leapt as no water can: what it was before. Quantities in it are faulty, too.
    """

    faulty: set[str] = msgspec.field(default_factory=set)
    restless: set[str] = msgspec.field(default_factory=set)
    ph_jitter: float = 0.0
    leapt: dict[str, float] = msgspec.field(default_factory=dict)


class LampFacts(msgspec.Struct, gc=False):
    """What the lamp family says of this frame.

    Attributes
    ----------
    on : bool or None
        As it is seen; None where that is not known.
    should_be_on : bool or None
        By the schedule (None: no schedule known).
    out_since_ms : int
        When it went out in its photoperiod (ms UTC), -1 otherwise.
    absent : bool
        It has not come on although it is well past its time.
    due_ms : int
        When it should have been half lit, by the schedule and its ramp; -1 outside its photoperiod.
    edge, edge_ms : int
        +1 came on, -1 went out: found in this frame, happened at `edge_ms`.
    clear : bool
        That edge was surely the lamp's, and no cloud's.
    level_lx : float or None
        The lamp's own level; None before it is known.
    """

    on: bool | None = None
    should_be_on: bool | None = None
    out_since_ms: int = -1
    absent: bool = False
    due_ms: int = -1
    edge: int = 0
    edge_ms: int = -1
    clear: bool = False
    level_lx: float | None = None


class CurrentFacts(msgspec.Struct, gc=False):
    """What the stray current family says: pH steps too sudden for chemistry.

    Attributes
    ----------
    ph_stepped, off_by : float
        Sum of the steps of the last hours; how large one is as a rule, while a current is said to be there.
    step_seen, step_with_lamp : bool
        One of them was just now; the last of them came as the lamp switched.
    step_ms, step_size, lamp_ms : sequence
        The last steps: when (ms UTC) and how large (pH); when the lamp switched (ms UTC).
    """

    ph_stepped: float = 0.0
    off_by: float = 0.0
    step_seen: bool = False
    step_with_lamp: bool = False
    step_ms: Sequence[int] = ()
    step_size: Sequence[float] = ()
    lamp_ms: Sequence[int] = ()


class HeatFacts(msgspec.Struct, gc=False):
    """What the heat family says of this frame.

    Attributes
    ----------
    disturbed : bool
        Someone is at the tank (water change, hands), or the reports have only just come back.
    floor, comes_on : float or None
        Where the heater holds the water from, and where it was surely seen to come on (°C).
    cooling_rate, slope : float or None
        The usual slope without heat, and the present one (°C/h).
    """

    disturbed: bool = False
    floor: float | None = None
    comes_on: float | None = None
    cooling_rate: float | None = None
    slope: float | None = None


class GasFacts(msgspec.Struct, frozen=True, gc=False):
    """What the carbon dioxide family says of the pH curve; `shaken`: as `ShakenElectrode.facts`.

    Attributes
    ----------
    ph : float
        The newest five-minute value, less what stepped.
    swing : float
        Usual difference between a day's highest and lowest pH, 0 before the first day.
    slope_2h : float or None
        pH an hour over the last two hours; None where it is not known, or the lamp is on.
    injected : bool
        CO2 is fed.
    ph_error : float
        Standard error of the electrode's pH.
    """

    ph: float = 7.0
    swing: float = 0.0
    slope_2h: float | None = None
    injected: bool = False
    ph_error: float = msgspec.field(default_factory=old_ph_error)
    shaken: tuple[int, float, float] | None = None


class DoubtFacts(msgspec.Struct, frozen=True, gc=False):
    """What is in doubt of the settings.

    Attributes
    ----------
    lamp_hours : sequence of float
        The lamp's own on, off, on, off … (minutes of the day) where those of the settings are in doubt; else
        empty.
    reference : bool
        The KH or degassed pH of the settings.
    lived : sequence of (lowest, highest) pH
        Days that an alarm out of a wrong KH has kept from being learnt.
    """

    lamp_hours: Sequence[float] = ()
    reference: bool = False
    lived: Sequence[tuple[float, float]] = ()


class Moment(msgspec.Struct, gc=False):
    """One frame and what families say of it: each writes its own place, reads what it declares (`registry`).

    Attributes
    ----------
    frame : Frame
    day, minute : int, float
        Local day number and minutes after local midnight.
    fifth : bool
        True on the frames that end a five-minute block: the slow estimators run then.
    active : set of str
        Alarms that are active since the frame before.
    probes, lamp, current, heat, gas; current_before, gas_before, doubts_before
        What each family says of this frame; what three of them said of the frame before.
    sensors : dict of str to Sensor
        Step, interval and noise of each series so far; ask `sensor`.
    """

    frame: Frame
    day: int
    minute: float
    fifth: bool
    active: set[str]
    probes: ProbeFacts = msgspec.field(default_factory=ProbeFacts)
    lamp: LampFacts = msgspec.field(default_factory=LampFacts)
    current: CurrentFacts = msgspec.field(default_factory=CurrentFacts)
    heat: HeatFacts = msgspec.field(default_factory=HeatFacts)
    gas: GasFacts = msgspec.field(default_factory=GasFacts)
    current_before: CurrentFacts = msgspec.field(default_factory=CurrentFacts)
    gas_before: GasFacts | None = None
    doubts_before: DoubtFacts = DoubtFacts()
    sensors: dict[str, Sensor] = msgspec.field(default_factory=dict)

    def sensor(self, quantity: str) -> Sensor:
        """Its step, interval and noise as learnt so far, all 0 where nothing is known. Read only."""
        return self.sensors.get(quantity) or Sensor()

    def beyond(self, quantity: str) -> bool:
        """Its readings come, past what is sensible: the water walked there, and what stood still stands."""
        series = self.frame.series.get(quantity)
        return series is not None and series.suspect > 0 and quantity not in self.probes.faulty


def minutes_text(seconds: float) -> str:
    """A span as a person says it."""
    minutes = seconds / 60
    if minutes < 90:
        return f"{max(1, round(minutes)):d} min"
    if minutes < 48 * 60:
        return f"{minutes / 60:.1f} h".replace(".0 h", " h")
    return f"{minutes / 1440:.0f} days"


def oxygen_text(celsius: float) -> str:
    """The water's oxygen saturation at sea level (Benson & Krause 1984): warm and gassed is worse."""
    saturation = oxygen_saturation_mg_l(min(max(celsius, 0.0), 40.0))
    return f"oxygen saturation in water of {celsius:.1f} °C is {saturation:.1f} mg/L"
