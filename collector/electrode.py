"""pH electrode: millivolts to pH by a stored calibration, and the electrode's state of health.

Pure functions without state. An ideal electrode gives 0 mV at pH 7 and falls by the Nernst slope for each
pH unit up; that slope grows with temperature (54.2 mV at 0 °C, 59.2 mV at 25 °C). Each buffer of the
calibration says which millivolts the real electrode gave where the ideal one would have given
-slope(T) · (pH - 7). Between these pairs real millivolts are turned into ideal ones by straight lines, and
ideal ones into pH with the slope at the water's temperature:

    real mV --straight lines through the buffers--> ideal mV --Nernst slope at the water's T--> pH

So temperature needs no second calibration, each buffer is met exactly (the bracketing procedure of Buck et
al. 2002, Pure Appl. Chem. 74:2169-2200), and the curve has no step at the middle buffer.

That pH 7 is the point where temperature does not matter (the isopotential point) is the usual design of
combined electrodes, not a law: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Literal, NamedTuple

if TYPE_CHECKING:  # so that settings.py may import this module for calibration_fault
    from rushlight.collector.settings.tables import CalibrationPoint, TankSettings

__all__ = [
    "ElectrodeHealth",
    "calibration_fault",
    "doubtful_electrodes",
    "electrode_health",
    "nernst_slope_mv",
    "ph_from_millivolts",
]

# All common practice, no source.
SLOPE_GOOD_PERCENT = 95.0
SLOPE_WORN_PERCENT = 85.0
SLOPE_TOO_STEEP_PERCENT = 103.0
SLOPE_TOO_FLAT_PERCENT = 50.0
OFFSET_LARGE_MV = 30.0
SEGMENTS_APART_PERCENT = 10.0
LEAST_BUFFER_STEP_PH = 0.5

_NERNST_MV_PER_K = 8.314462618 / 96485.33212 * math.log(10.0) * 1e3

_REDO = "rinse the electrode, take fresh buffers, wait until each reading is steady, and calibrate again"


class ElectrodeHealth(NamedTuple):
    """What a calibration says of its electrode.

    Attributes
    ----------
    slope_percent : float or None
        Least-squares slope over all buffers in % of Nernst; None for fewer than two buffers.
    offset_mv : float or None
        mV the electrode gives at pH 7; None without a buffer. By one buffer only if its slope is ideal.
    verdict : str
        "good", "ageing", "worn", "suspect" (the calibration itself can't be right) or "unknown".
    words : str
        The same for a person: what it means and what to do.
    """

    slope_percent: float | None
    offset_mv: float | None
    verdict: Literal["good", "ageing", "worn", "suspect", "unknown"]
    words: str


def nernst_slope_mv(temperature_c: float) -> float:
    """Millivolts per pH unit of an ideal electrode, RT ln 10 / F (CODATA 2018): 59.159 at 25 °C.

    Raises ValueError outside −5–60 °C.
    """
    if not -5.0 <= temperature_c <= 60.0:  # NaN fails too
        raise ValueError(f"temperature_c: {temperature_c!r} °C is no tank water; give −5 to 60 °C")
    return _NERNST_MV_PER_K * (temperature_c + 273.15)


def _ideal_mv(point: CalibrationPoint) -> float:
    return -nernst_slope_mv(point.temperature_c) * (point.ph - 7.0)


def _pairs(points: Sequence[CalibrationPoint]) -> list[tuple[float, float]]:
    """(real mV, ideal mV) of each buffer, by falling pH."""
    return sorted(((point.mv, _ideal_mv(point)) for point in points), key=lambda pair: pair[1])


def calibration_fault(points: Sequence[CalibrationPoint]) -> str | None:
    """What makes a calibration unusable, in one line with what to do; None where it can be used.

    For checking settings once; `ph_from_millivolts` relies on it.
    """
    for number, point in enumerate(points, 1):
        if not 0.0 < point.ph < 14.0:
            return (
                f"buffer {number}: pH {point.ph:g} is no buffer; give the value on its bottle, such as 7.00"
            )
        if not 0.0 <= point.temperature_c <= 50.0:
            return f"buffer {number}: {point.temperature_c:g} °C is no water; give 0 to 50 °C"
        if not -1000.0 <= point.mv <= 1000.0:
            return (
                f"buffer {number}: {point.mv:g} mV is not what an electrode gives; give the electrode's own "
                "mV, with 0 mV near pH 7, not the amplifier's output"
            )
    ordered = sorted(points, key=_ideal_mv, reverse=True)
    for low, high in pairwise(ordered):
        if high.ph - low.ph < LEAST_BUFFER_STEP_PH:
            return f"buffers pH {low.ph:g} and {high.ph:g} are too close; take buffers such as 4.00 and 7.00"
        if high.mv >= low.mv:
            return (
                f"buffers pH {low.ph:g} ({low.mv:g} mV) and {high.ph:g} ({high.mv:g} mV): millivolts must "
                "fall as pH rises; look for a lost minus sign, swapped buffers or swapped leads"
            )
    return None


def ph_from_millivolts(mv: float, temperature_c: float, points: Sequence[CalibrationPoint] = ()) -> float:
    """pH from the electrode's millivolts.

    Parameters
    ----------
    mv : float
        Raw electrode, mV.
    temperature_c : float
        Of the water the electrode is in.
    points : sequence of CalibrationPoint
        None: an ideal electrode (0 mV at pH 7, Nernst slope). One: the offset only. Two or more: offset and
        slope between neighbours, the outer lines carried on beyond the last buffers.

    Returns
    -------
    float
        pH; not held inside 0–14, so that an electrode out of the water is seen for what it is.

    Raises
    ------
    ValueError
        mv not finite, a temperature outside −5–60 °C, or buffers whose millivolts do not fall with pH.
    """
    if not math.isfinite(mv):
        raise ValueError(f"mv: {mv!r} is no electrode reading; it must be finite")
    slope = nernst_slope_mv(temperature_c)
    if not points:
        return 7.0 - mv / slope
    pairs = _pairs(points)
    if len(pairs) == 1:
        real, ideal = pairs[0]
        return 7.0 - (mv - real + ideal) / slope
    if not all(b[0] > a[0] and b[1] > a[1] for a, b in pairwise(pairs)):
        raise ValueError(f"calibration: {calibration_fault(points) or 'two buffers are the same'}")
    line = next((pair for pair in pairwise(pairs) if mv <= pair[1][0]), (pairs[-2], pairs[-1]))
    (real_1, ideal_1), (real_2, ideal_2) = line
    return 7.0 - (ideal_1 + (mv - real_1) * (ideal_2 - ideal_1) / (real_2 - real_1)) / slope


def electrode_health(points: Sequence[CalibrationPoint]) -> ElectrodeHealth:
    """Slope in % of Nernst, offset at pH 7, and a verdict in words.

    Limits (all common practice, no source): a slope of 95–103 % is good, below 85 % the electrode is worn,
    above 103 % or below 50 % the calibration is suspect; an offset of more than 30 mV, or two halves of a
    three-buffer calibration more than 10 % of Nernst apart, is suspect too.
    """
    fault = calibration_fault(points)
    if fault:
        return ElectrodeHealth(None, None, "suspect", f"the calibration can't be used: {fault}")
    if not points:
        return ElectrodeHealth(
            None, None, "unknown", "not calibrated: pH may be a whole unit off; calibrate with two buffers"
        )
    pairs = _pairs(points)
    if len(pairs) == 1:
        offset = pairs[0][0] - pairs[0][1]
        if abs(offset) > OFFSET_LARGE_MV:
            return ElectrodeHealth(None, offset, "suspect", f"{_offset_words(offset)}; {_REDO}")
        return ElectrodeHealth(
            None, offset, "unknown", "one buffer shows the offset only; a second buffer shows the slope"
        )
    count = len(pairs)
    mean_real = sum(real for real, _ in pairs) / count
    mean_ideal = sum(ideal for _, ideal in pairs) / count
    slope = sum((ideal - mean_ideal) * (real - mean_real) for real, ideal in pairs) / sum(
        (ideal - mean_ideal) ** 2 for _, ideal in pairs
    )
    offset = mean_real - slope * mean_ideal
    percent = 100.0 * slope
    segments = [
        100.0 * (b_real - a_real) / (b_ideal - a_ideal)
        for (a_real, a_ideal), (b_real, b_ideal) in pairwise(pairs)
    ]
    said = f"slope {percent:.1f} % of Nernst, {offset:+.0f} mV at pH 7"
    if percent > SLOPE_TOO_STEEP_PERCENT:
        why = f"{said}: steeper than an electrode can be, so a buffer or a temperature is wrong; {_REDO}"
        return ElectrodeHealth(percent, offset, "suspect", why)
    if max(segments) - min(segments) > SEGMENTS_APART_PERCENT:
        parts = " and ".join(f"{segment:.0f} %" for segment in segments)
        why = f"{said}: the slopes between the buffers differ ({parts}), so one buffer is off; {_REDO}"
        return ElectrodeHealth(percent, offset, "suspect", why)
    if percent < SLOPE_TOO_FLAT_PERCENT:
        why = f"{said}: flatter than a worn electrode; are these mV, and not volts? If they are, it is broken"
        return ElectrodeHealth(percent, offset, "suspect", f"{why}; {_REDO}")
    if percent < SLOPE_WORN_PERCENT:
        return ElectrodeHealth(percent, offset, "worn", f"{said}: worn; replace the electrode")
    if abs(offset) > OFFSET_LARGE_MV:
        return ElectrodeHealth(percent, offset, "suspect", f"{said}: {_offset_words(offset)}; {_REDO}")
    if percent < SLOPE_GOOD_PERCENT:
        why = f"{said}: ageing; clean the electrode, keep its tip wet and calibrate every two weeks"
        return ElectrodeHealth(percent, offset, "ageing", why)
    return ElectrodeHealth(percent, offset, "good", f"{said}: good")


def doubtful_electrodes(tanks: Mapping[str, TankSettings]) -> Iterator[tuple[str, ElectrodeHealth]]:
    """Tanks whose calibration shows an electrode that is ageing or worn, or can't be right itself."""
    for name, tank in tanks.items():
        health = electrode_health(tank.ph_calibration.points)
        if health.verdict not in ("good", "unknown"):
            yield name, health


def _offset_words(offset_mv: float) -> str:
    return f"{offset_mv:+.0f} mV at pH 7 is a lot, the reference side may be fouled or dry"
