"""What each quantity can be in a small tank, for its quality flags."""

from __future__ import annotations

import math
from typing import NamedTuple

from rushlight.collector.readings import (
    HEATER_POWER,
    LIGHT,
    PH,
    PH_PROBE,
    ROOM_TEMPERATURE,
    SOURCE_PH,
    SOURCE_TEMPERATURE,
    TEMPERATURE,
)

__all__ = ["LIMITS", "Limits"]


_NONE = math.inf
_HOUR_MS = 3_600_000


class Limits(NamedTuple):
    """Thresholds for one quantity, in its unit.

    Attributes
    ----------
    fail_low, fail_high : float
        Outside is FAIL: the probe can't mean it.
    suspect_low, suspect_high : float
        Outside is SUSPECT: no tank should be there.
    spike : float
        A step from the last accepted value above this is SUSPECT until confirmed.
    rate_per_s, rate_floor : float
        A change faster than `rate_per_s` and greater than `rate_floor` is SUSPECT until confirmed.
    flat_tolerance, flat_suspect_ms, flat_fail_ms : float
        Within the tolerance for so long is SUSPECT, FAIL.
    broken : tuple of float
        Values by which a probe says that it has not measured; FAIL.
    step_floor, step_factor, step_memory : float
        A step of more than `step_factor` times the liveliness, and of more than the floor, is SUSPECT until
        confirmed, as one above `spike` is. Chosen on the Logan River series FranklinBasin2014 (bench/rivers).
    ice : float
        So near 0 a value may stay as it is.
    fine_step, coarse_step, flat_power : float
        The flat line test's spans are for probes whose own step is at most `fine_step`; water takes longer to
        move by a coarser one: by the power `flat_power` of its multiple, 1 for what has a course through each
        day, 2 for what wanders about a level as a random walk does. A value that is a multiple of
        `coarse_step` may be of so coarse a probe until it moves by less. A change of one step of the probe's
        own is never SUSPECT.
    """

    fail_low: float
    fail_high: float
    suspect_low: float
    suspect_high: float
    spike: float = _NONE
    rate_per_s: float = _NONE
    rate_floor: float = _NONE
    flat_tolerance: float = 0.0
    flat_suspect_ms: float = _NONE
    flat_fail_ms: float = _NONE
    broken: tuple[float, ...] = ()
    step_floor: float = _NONE
    step_factor: float = 1.0
    step_memory: float = 0.9
    ice: float = 0.0
    fine_step: float = _NONE
    coarse_step: float = _NONE
    flat_power: float = 1.0


# A DS18B20 reads 85.0 after power-on before its first conversion (its data sheet, from memory); -127.0 is
# what its common driver libraries return when nothing answers (common practice).
_DIGITAL_THERMOMETER = (85.0, -127.0)

# Lamps and heaters switch and stay: no spike, rate or flat-line test on `light` and `heater_power`.
# pH: plants that take bicarbonate bring closed water to pH 10 to 11 in the light (Maberly & Spence 1983, from
# memory): up to there a high pH is the water's fault, and reported as that.
# pH probe: 59.16 mV a pH unit at 25 °C (Nernst), so pH 0..14 is ±414 mV about the zero point at pH 7.
LIMITS: dict[str, Limits] = {
    TEMPERATURE: Limits(
        fail_low=-5,
        fail_high=60,
        suspect_low=-0.5,  # a tub outdoors freezes over at 0 °C, and a DS18B20 is good to 0.5 °C (data sheet)
        suspect_high=42,
        spike=1.0,
        rate_per_s=0.1,
        rate_floor=0.5,
        flat_tolerance=0.001,
        flat_suspect_ms=12 * _HOUR_MS,
        flat_fail_ms=48 * _HOUR_MS,
        broken=_DIGITAL_THERMOMETER,
        step_floor=0.5,
        step_factor=10,
        step_memory=0.95,
        ice=0.3,
        fine_step=0.0625,
        coarse_step=0.5,
        flat_power=2,
    ),
    ROOM_TEMPERATURE: Limits(
        fail_low=-30,
        fail_high=70,
        suspect_low=-15,
        suspect_high=50,
        spike=3.0,
        rate_per_s=0.3,
        rate_floor=1.0,
        flat_tolerance=0.001,
        flat_suspect_ms=24 * _HOUR_MS,
        flat_fail_ms=72 * _HOUR_MS,
        broken=_DIGITAL_THERMOMETER,
        fine_step=0.0625,
        coarse_step=0.5,
        flat_power=2,
    ),
    PH: Limits(
        fail_low=0,
        fail_high=14,
        suspect_low=3.5,
        suspect_high=11.0,
        spike=0.3,
        rate_per_s=0.02,
        rate_floor=0.15,
        flat_tolerance=0.0005,
        flat_suspect_ms=12 * _HOUR_MS,
        flat_fail_ms=48 * _HOUR_MS,
        step_floor=0.045,
        step_factor=4.5,
        step_memory=0.9,
        fine_step=0.01,
        coarse_step=0.1,
    ),
    PH_PROBE: Limits(
        fail_low=-600,
        fail_high=600,
        suspect_low=-250,
        suspect_high=250,
        spike=18,
        rate_per_s=1.2,
        rate_floor=9,
        flat_tolerance=0.005,
        flat_suspect_ms=12 * _HOUR_MS,
        flat_fail_ms=48 * _HOUR_MS,
    ),
    LIGHT: Limits(
        fail_low=-5,
        fail_high=250_000,
        suspect_low=-0.5,  # no light is negative; -1 is how drivers say that nothing answered (usual)
        suspect_high=150_000,
    ),
    HEATER_POWER: Limits(
        fail_low=-50,
        fail_high=20_000,
        suspect_low=-5,
        suspect_high=4_000,
    ),
    SOURCE_TEMPERATURE: Limits(
        fail_low=-5,
        fail_high=60,
        suspect_low=0,
        suspect_high=42,
        spike=2.0,
        rate_per_s=0.2,
        rate_floor=1.0,
        flat_tolerance=0.001,
        flat_suspect_ms=24 * _HOUR_MS,
        flat_fail_ms=72 * _HOUR_MS,
        broken=_DIGITAL_THERMOMETER,
    ),
    SOURCE_PH: Limits(
        fail_low=0,
        fail_high=14,
        suspect_low=3.5,
        suspect_high=10.5,
        spike=0.5,
        rate_per_s=0.05,
        rate_floor=0.3,
        flat_tolerance=0.0005,
        flat_suspect_ms=24 * _HOUR_MS,
        flat_fail_ms=72 * _HOUR_MS,
    ),
}
