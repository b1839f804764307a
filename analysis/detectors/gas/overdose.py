"""CO2 overdose, by level and by forecast: the reckoned CO2 with its error, and this tank's usual day."""

from __future__ import annotations

import math

import msgspec

from rushlight.analysis.detectors.gas.curve import HALF_HOUR, HOUR, Gas, PhCurve
from rushlight.analysis.detectors.moment import Moment, Tank, minutes_text, oxygen_text
from rushlight.analysis.detectors.patience import PATIENCE, patience_ms
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.findings import Finding

__all__ = ["OverdoseJudge"]

LEAST_DAYS = 2
USUAL_PH = 0.1  # no lower than the usual lowest by this: it reads so every day; common practice, no source


class OverdoseJudge(msgspec.Struct):
    """Since when (ms UTC) what holds, -1 while it doesn't.

    Attributes
    ----------
    since : int
        It looks wrong.
    over : int
        The estimate at the pH as read is over the limit, by however little and whatever the pH did before.
    sudden : int
        That is over it by so much that it is told although the pH stepped there.
    """

    since: int = -1
    over: int = -1
    sudden: int = -1

    def look(self, tank: Tank, moment: Moment, curve: PhCurve, gas: Gas | None, ph: float) -> Finding | None:
        """Every five minutes, `gas` by the pH as read: what stepped, or came while someone was at the tank.

        No gas makes a step, so the likelier cause is the electrode; but where the reading says several times
        the limit and stays there, somebody has to look.
        """
        now = moment.frame.start_ms
        limit = tank.settings.livestock.co2_limit_mg_l
        if gas is None or gas.mg_l <= limit:
            self.over = self.sudden = -1
            return None
        self.over = now if self.over < 0 else self.over
        errors = gas.errors_above(limit)
        usual_low = curve.usual_low
        told = self.sudden >= 0 and "co2-overdose" in moment.active
        if errors < (PATIENCE.from_errors if told else PATIENCE.sudden_errors) or (
            usual_low is not None and ph > usual_low - USUAL_PH
        ):
            self.sudden = -1
            return None
        self.sudden = now if self.sudden < 0 else self.sudden
        patience = patience_ms(errors, PATIENCE.disturbed_ms, PATIENCE.gas_sudden_least_ms)
        if now - self.sudden < (PATIENCE.with_lamp_ms if moment.current.step_with_lamp else patience):
            return None
        found = self._finding(tank, moment, curve, gas, holding=False)
        found.observations = [
            f"pH {ph:.2f}, about {gas.mg_l:.0f} mg/L CO2 (between {gas.low:.0f} and {gas.high:.0f}); "
            f"the limit is {limit:.0f}{curve.doubted}",
            f"it has read so for {minutes_text((now - self.sudden) / 1000)}; it fell there faster than gas "
            "does, or while someone was at the tank",
        ]
        found.cause = (
            "the electrode is off, or acid or other water was poured in; or gas came while nothing could be "
            "judged"
        )
        return found

    def judge(self, tank: Tank, moment: Moment, curve: PhCurve, gas: Gas) -> Finding | None:
        """Every five minutes."""
        now = moment.frame.start_ms
        limit = tank.settings.livestock.co2_limit_mg_l
        raised = "co2-overdose" in moment.active
        usual_low = curve.usual_low
        falling = -curve.fall
        if usual_low is None:
            wrong = self._unknown_tank(limit, gas, falling)
        else:
            wrong = self._known_tank(tank, moment, curve, gas, usual_low, raised)
        if wrong:
            if self.since < 0:
                self.since = now
        else:
            self.since = -1
        if usual_low is None:
            patience = patience_ms(gas.errors_above(limit), PATIENCE.gas_first_day_ms, PATIENCE.gas_least_ms)
        else:
            patience = 0 if falling < -0.25 else PATIENCE.gas_least_ms
        still = raised and (gas.mg_l > 0.9 * limit and (usual_low is None or curve.ph < usual_low - 0.03))
        waited = self.since >= 0 and now - self.since >= patience
        if not (still or waited or (raised and wrong)):
            return None
        return self._finding(tank, moment, curve, gas, holding=not wrong)

    @staticmethod
    def _unknown_tank(limit: float, gas: Gas, falling: float) -> bool:
        """The first day: the published limit, and the estimate's own error."""
        mg_l, error = gas.mg_l, gas.error
        forecast = mg_l * 10 ** -max(falling, -2.0)  # one hour on: the time a person needs to wake and act
        level = mg_l > limit * math.exp((PATIENCE.from_errors if error < 0.5 else 1.7) * error)
        soon = error < 0.5 and falling < -0.1 and forecast > limit * math.exp(error) and mg_l > limit
        return level or soon

    @staticmethod
    def _known_tank(
        tank: Tank, moment: Moment, curve: PhCurve, gas: Gas, usual_low: float, raised: bool
    ) -> bool:
        """Over the limit and below the usual, or on its way there."""
        limit = tank.settings.livestock.co2_limit_mg_l
        # The hour after the first reading's time of day was seen but once, in a tank that may not have been
        # at rest; there the usual curve has a step that is no gas.
        later = curve.profile.at((moment.minute + 60) % 1440, LEAST_DAYS)
        # where the usual curve is steep, as when the valve opens, minutes make a large departure
        steep = curve.expected is not None and later is not None and abs(later - curve.expected) > 0.25
        # nor does a curve that was seen but once say what runs at an hour when it should not
        doubtful = steep or curve.profile.at(moment.minute, LEAST_DAYS) is None
        level = OverdoseJudge._level(limit, curve, gas, usual_low, doubtful)
        soon = OverdoseJudge._through(limit, curve, gas, usual_low) or (
            later is not None and OverdoseJudge._soon(limit, curve, gas, usual_low, later, steep)
        )
        doubt = 1.6
        if curve.creeping() and not raised:
            doubt = 2.5  # hardness that runs out looks like gas to whoever reckons with the old hardness
            fresh = OverdoseJudge._fresh(tank, curve)
            level, soon = level and fresh, soon and fresh and gas.mg_l > 0.6 * limit
        sure = gas.mg_l > limit * math.exp(doubt * gas.error) and usual_low - curve.ph > 0.03
        return level or soon or sure

    @staticmethod
    def _level(limit: float, curve: PhCurve, gas: Gas, usual_low: float, doubtful: bool) -> bool:
        """The surer the estimate is, the less the departure from the usual has to be, and the other way."""
        scatter = curve.scatter
        below = usual_low - curve.ph
        odd = 0.0 if curve.expected is None else curve.expected - curve.ph
        if (gas.mg_l > limit and below > 0.07 + 1.5 * scatter) or (
            gas.high > limit and below > 0.18 + 1.5 * scatter
        ):
            return True
        # far below the usual of this time of day, too: gas runs that should not, as when a valve sticks open
        strange = odd > 0.1 + 1.5 * scatter and below > 0.05
        stranger = odd > max(0.25, 0.12 + 3.0 * scatter) and below > 0.03 and not doubtful
        return (strange and gas.mg_l * math.exp(0.35 * gas.error) > limit) or (stranger and gas.high > limit)

    @staticmethod
    def _through(limit: float, curve: PhCurve, gas: Gas, usual_low: float) -> bool:
        """At the limit, already below the usual lowest and falling on: no usual curve is needed to tell."""
        mg_l, fall = gas.mg_l, curve.fall
        if fall <= 0.1 or curve.ph > usual_low - 0.03 or gas.error >= 0.5:
            return False
        return mg_l > 0.9 * limit and mg_l * 10 ** min(fall, 2.0) > limit * math.exp(gas.error)

    @staticmethod
    def _soon(limit: float, curve: PhCurve, gas: Gas, usual_low: float, later: float, steep: bool) -> bool:
        """Over the limit within the hour a person needs to wake and act; `later` is the usual pH then."""
        expected, ph, fall = curve.expected, curve.ph, curve.fall
        drift = curve.residuals.slope_per_hour(HALF_HOUR)
        if expected is None or drift is None:
            return False
        odd = expected - ph
        # and the curve itself must be on its way past the usual lowest: what is an hour off shows by now
        if drift <= 0.08 or fall <= 0.05 or odd <= 0.05 or ph - fall >= usual_low:
            return False
        scatter = curve.scatter
        if steep and (ph >= usual_low + 0.05 or odd <= 0.15 + scatter):
            return False
        # an estimate that is far below the limit and sure of itself is not an hour away from it
        if gas.mg_l <= 0.5 * limit and not (gas.error < 0.5 and gas.high > 0.6 * limit):
            return False
        # The usual curve, less what departs from it, going on as it does now; and no faster than the pH falls
        # now, or usually does in that hour.
        ahead_ph = ph - min(expected - later + min(drift, 2.0), max(fall, expected - later))
        forecast = gas.mg_l * 10 ** (ph - ahead_ph)
        ahead = usual_low - ahead_ph
        return (forecast > limit and gas.error < 0.5 and ahead > 0.11 + 1.5 * scatter) or (
            forecast * math.exp(gas.error) > limit and ahead > 0.25 + 1.5 * scatter
        )

    @staticmethod
    def _fresh(tank: Tank, curve: PhCurve) -> bool:
        """Against a sinking curve only what falls faster than the usual day counts."""
        now = curve.residuals.values[-1] if curve.residuals.values else 0.0
        hour, morning = curve.residuals.ago(HOUR - 5 * MINUTE_MS), curve.residuals.ago(5 * HOUR + HALF_HOUR)
        co2 = tank.settings.co2
        valve = co2 is None or co2.on is not None
        # hardness hardly ever runs out by a quarter of a pH in six hours
        return (hour is not None and now - hour > (0.15 if valve else 0.07)) or (
            morning is not None and now - morning > 0.25
        )

    @staticmethod
    def _finding(tank: Tank, moment: Moment, curve: PhCurve, gas: Gas, holding: bool) -> Finding:
        limit = tank.settings.livestock.co2_limit_mg_l
        mg_l, slope = gas.mg_l, curve.slope
        falling = min(slope or 0.0, 0.0)
        if mg_l > limit:
            left = 0.0
        elif falling < -0.01:
            left = math.log10(limit / mg_l) / -falling * 3600
        else:
            left = None
        night = moment.lamp.on is False
        observations = [
            f"pH {curve.ph:.2f}, about {mg_l:.0f} mg/L CO2 (between {gas.low:.0f} and {gas.high:.0f}); "
            f"the limit is {limit:.0f}{curve.doubted}",
        ]
        usual = "" if curve.usual_low is None else f"this tank's usual lowest pH is {curve.usual_low:.2f}"
        if slope is not None:
            dark = " with the lamp off" if night else ""
            observations.append(f"pH changing {slope:+.2f} an hour{dark}{'; ' if usual else ''}{usual}")
        elif usual:
            observations.append(usual)
        if curve.expected is not None and curve.expected - curve.ph > 0.1:
            observations.append(f"usual at this time of day: pH {curve.expected:.2f}")
        celsius = moment.frame.temperature
        warm = celsius is not None and celsius > tank.settings.livestock.temperature_high_c - 1.0
        if celsius is not None and warm:
            # warm and gassed: less oxygen in the water, and the gas hinders its uptake
            observations.append(oxygen_text(celsius))
        source = tank.settings.co2.source if tank.settings.co2 else "cylinder"
        cause = (
            "the regulator or its valve lets too much gas through"
            if source == "cylinder"
            else "the reactor surges; it can't be turned off, only its hose taken out"
        )
        urgent = warm or mg_l > limit or (left is not None and left < 5400) or falling < -0.1
        return Finding(
            alarm="co2-overdose",
            holding=holding,
            priority="critical" if urgent else "high",
            value=round(mg_l, 1),
            unit="mg/L",
            time_left_s=left,
            cause=cause,
            observations=observations,
        )
