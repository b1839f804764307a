"""What was seen of an overdose, in words."""

from __future__ import annotations

from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.numbers import OVERDOSE
from rushlight.analysis.detectors.moment import Moment, oxygen_text
from rushlight.analysis.physics.carbon_dioxide import Gas, likely_text

__all__ = ["RISES_ON", "RUNS_WHEN_NEVER", "STILL_RUNS", "SURGES", "TOO_MUCH", "overdose_words"]

TOO_MUCH = "the regulator or its valve lets too much gas through"
SURGES = "the reactor surges; it can't be turned off, only its hose taken out"
STILL_RUNS = "its valve should be shut, and pH does not rise as usual: gas still runs"
RUNS_WHEN_NEVER = "at this time of day pH rises here, as the gas is off; now it does not: gas still runs"
RISES_ON = "for hours pH has gone as on no day here; going on so, CO2 passes its limit within a night"


def overdose_words(moment: Moment, curve: PhCurve, gas: Gas, limit: float, warm: bool) -> list[str]:
    """pH, CO2 and its limit (mg/L), what is usual; of `warm` water also what oxygen it holds."""
    slope, night = curve.slope, moment.lamp.on is False
    observations = [
        f"pH {curve.ph:.2f}, about {gas.mg_l:.0f} mg/L CO2 ({likely_text(gas.low, gas.high)}); "
        f"the limit is {limit:.0f}{curve.doubted}",
    ]
    usual = "" if curve.usual_low is None else f"this tank's usual lowest pH is {curve.usual_low:.2f}"
    if slope is not None:
        dark = " with the lamp off" if night else ""
        observations.append(f"pH changing {slope:+.2f} an hour{dark}{'; ' if usual else ''}{usual}")
    elif usual:
        observations.append(usual)
    if curve.expected is not None and curve.expected - curve.ph > OVERDOSE.said_odd_ph:
        observations.append(f"usual at this time of day: pH {curve.expected:.2f}")
    if moment.frame.temperature is not None and warm:
        # warm and gassed: less oxygen in the water, and the gas hinders its uptake
        observations.append(oxygen_text(moment.frame.temperature))
    return observations
