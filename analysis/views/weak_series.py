"""Which alarms suffer from a probe's coarse steps or noise or from rare reports, in a keeper's words.

By how much is said, too.

`check` asks it by the settings, `status` and the page by what the series have shown.
"""

from __future__ import annotations

from rushlight.analysis.alarms.wording import duration_text
from rushlight.analysis.detectors.lamp.numbers import TRACKER
from rushlight.analysis.detectors.power.numbers import MAINS
from rushlight.analysis.detectors.probes.numbers import LEAP, STILL
from rushlight.analysis.detectors.probes.still import new_limit_min
from rushlight.analysis.detectors.stray_current.numbers import STEPS
from rushlight.analysis.estimators.numbers import JITTER
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.collector.readings import PH, TEMPERATURE

__all__ = ["rare_lines", "weak_lines"]

COARSE_STEPS = 2.5
"""Steps up to so many times a fine probe's make no alarm later by more than a few minutes."""
LARGER_OF_TWO = 1.596
"""Mean of the larger of two differences of neighbours, in standard deviations: √2 · 2/√π."""


def rare_lines(report_every_s: float) -> list[str]:
    """What reports that come so rarely cost; empty where they are dense enough."""
    every_ms = 1000 * report_every_s
    if every_ms <= STEPS.dense_ms:
        return []
    every = duration_text(report_every_s)
    lines = [
        f"a report only every {every}: whatever shows within minutes (a surge of CO2, a stray current, a "
        f"welded heater, a lamp) is noticed up to {duration_text(3 * report_every_s)} later; report once a "
        "minute or oftener"
    ]
    if every_ms > LEAP.gap_ms:
        lines.append(f"a report only every {every}: a probe that is lifted out of the water is not noticed")
    if report_every_s > TRACKER.gap_min * 60 / TRACKER.least_share:
        # its own level is learnt of a day that was seen for the most part
        lines.append(f"a report only every {every}: a lamp that stays on, or fades, is not noticed")
    if every_ms > JITTER.stale_ms:
        lines.append(f"a report only every {every}: a probe that jitters is not noticed")
    return lines


def weak_lines(sensors: dict[str, Sensor]) -> list[str]:
    """What coarse steps and rare reports cost, of series as they have shown themselves."""
    lines = rare_lines(max((one.interval_ms for one in sensors.values()), default=0) / 1000)
    water, ph = sensors.get(TEMPERATURE), sensors.get(PH)
    if water is not None and water.step > COARSE_STEPS * STILL.fine_temperature_c:
        late = duration_text(water.step / MAINS.gap_cooling_c_per_h * 3600)
        lines.append(
            f"the thermometer shows steps of {water.step:.2g} °C: heater, cooling and power alarms come up "
            f"to {late} later, and {_frozen(TEMPERATURE, water)}"
        )
    if ph is not None and ph.step > COARSE_STEPS * STILL.fine_ph:
        # pH is the logarithm of CO2: half a step either way
        share = 100 * (10 ** (ph.step / 2) - 1)
        lines.append(
            f"the pH electrode shows steps of {ph.step:.2g}: CO2 is known to {share:.0f} % at best, a stray "
            f"current that moves pH by less than {2 * ph.step:.2g} is not noticed, and {_frozen(PH, ph)}"
        )
    elif ph is not None and ph.noise > JITTER.floor_ph:
        lines.append(_noisy(ph))
    return lines


def _noisy(ph: Sensor) -> str:
    """What an electrode that jumps by nature costs."""
    noise = ph.noise
    share = 100 * (10 ** ph.in_five_minutes(noise) - 1)
    step = max(STEPS.least_ph, STEPS.noise_times * min(LARGER_OF_TWO * noise, STEPS.least_ph))
    return (
        f"the pH electrode jumps by {noise:.2f} from one reading to the next: CO2 moves by {share:.0f} % "
        f"within minutes for that alone, a stray current that moves pH by less than {step:.2g} "
        "is not noticed, nor an electrode in air that jumps no further; a new electrode, or its plug and "
        "cable dried, may be calmer; before a hand goes in, unplug at the wall with dry hands"
    )


def _frozen(quantity: str, sensor: Sensor) -> str:
    limit_min = new_limit_min(quantity, 0.0, sensor.step)
    return f"a frozen probe is noticed after {duration_text(60 * limit_min)} instead of {_fine(quantity)}"


def _fine(quantity: str) -> str:
    return duration_text(60 * (STILL.start_min(quantity) or 0.0))
