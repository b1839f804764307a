"""CO2 overdose, by level and by forecast: the estimated CO2 with its error, and this tank's usual day."""

from __future__ import annotations

import math

import msgspec

from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.duty import controlled
from rushlight.analysis.detectors.gas.fresh_fall import falls_afresh
from rushlight.analysis.detectors.gas.numbers import CURVE, OVERDOSE
from rushlight.analysis.detectors.gas.overdose_words import SURGES, TOO_MUCH, overdose_words
from rushlight.analysis.detectors.gas.shaken_electrode import ShakenElectrode
from rushlight.analysis.detectors.gas.surge_numbers import SURGE
from rushlight.analysis.detectors.moment import Moment, Tank, minutes_text
from rushlight.analysis.detectors.patience import PATIENCE, patience_ms
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.findings import Finding
from rushlight.analysis.physics.carbon_dioxide import Gas, likely_text, probability_over

__all__ = ["OverdoseJudge"]


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
    shaken : ShakenElectrode
        The pH leapt there and shakes since: a current, as where it stepped with the lamp.
    """

    since: int = -1
    over: int = -1
    sudden: int = -1
    shaken: ShakenElectrode = msgspec.field(default_factory=ShakenElectrode)

    def look(
        self, tank: Tank, moment: Moment, curve: PhCurve, gas: Gas | None, ph: float, block: Window
    ) -> Finding | None:
        """Every five minutes, `gas` by the pH as read: what stepped, or came while someone was at the tank.

        `block` has the pH by the minute. No gas makes a step, so the likelier cause is the electrode; but
        where the reading says several times the limit and stays there, somebody has to look. What a current
        that is known makes by a step as it makes them is no gas.
        """
        now = moment.frame.start_ms
        limit = tank.settings.livestock.co2_limit_mg_l
        if gas is None or gas.mg_l <= limit:
            self.over = self.sudden = -1
            return None
        self.over = now if self.over < 0 else self.over
        # where a current is, one more of its steps may have been missed
        errors = Gas(gas.mg_l * 10**-moment.current.off_by, gas.error).errors_above(limit)
        usual_low = curve.usual_low
        told = self.sudden >= 0 and "co2-overdose" in moment.active
        if errors < (PATIENCE.from_errors if told else PATIENCE.sudden_errors) or (
            usual_low is not None and ph > usual_low - OVERDOSE.usual_ph
        ):
            self.sudden = -1
            return None
        self.shaken.look(block, moment.sensor("ph"))
        self.sudden = now if self.sudden < 0 else self.sudden
        patience = patience_ms(errors, PATIENCE.disturbed_ms, PATIENCE.gas_sudden_least_ms)
        current = self.shaken.shakes or moment.current.step_with_lamp
        if now - self.sudden < (PATIENCE.with_lamp_ms if current else patience):
            return None
        found = self._finding(tank, moment, curve, gas, holding=False)
        found.observations = [
            f"pH {ph:.2f}, about {gas.mg_l:.0f} mg/L CO2 ({likely_text(gas.low, gas.high)}); "
            f"the limit is {limit:.0f}{curve.doubted}",
            f"it has read so for {minutes_text((now - self.sudden) / 1000)}; it fell there faster than gas "
            "does, or while someone was at the tank",
        ]
        found.cause = (
            "the electrode is off, or acid or other water was poured in; or gas came while nothing could be "
            "judged"
        )
        return found

    def surged(
        self, tank: Tank, moment: Moment, curve: PhCurve, gas: Gas, supply: float, left_s: float | None
    ) -> Finding:
        """Several times the usual supply (`supply`), which is over the limit within the hour.

        `left_s` is what that supply leaves (s): a slope over half an hour has hardly seen it yet.
        """
        found = self._finding(tank, moment, curve, gas, holding=False)
        found.priority = "critical"
        found.time_left_s = min(SURGE.person_h * HOUR_MS / 1000, left_s if left_s is not None else math.inf)
        found.observations.append(
            f"the pH falls as if {supply:.1f} times the usual gas came in; going on like this it is over "
            f"the limit within {minutes_text(SURGE.person_h * HOUR_MS / 1000)}"
        )
        return found

    def judge(
        self,
        tank: Tank,
        moment: Moment,
        curve: PhCurve,
        gas: Gas,
        read: float | None = None,
        unusual: str = "",
        *,
        departs: bool = True,
    ) -> Finding | None:
        """Every five minutes. `read`: pH as read, steps and all; `unusual`: what else says that gas runs.

        `departs`: within hours pH has left the usual day by more than days do.
        """
        now = moment.frame.start_ms
        limit = tank.settings.livestock.co2_limit_mg_l
        raised = "co2-overdose" in moment.active
        usual_low = curve.usual_low
        falling = -curve.fall
        if usual_low is None:
            wrong = self._unknown_tank(limit, gas, falling)
        else:
            wrong = bool(unusual) or self._known_tank(tank, moment, curve, gas, usual_low, raised, departs)
        if self.shaken.shakes and not raised:
            # where it leapt to and how it shakes is of the electrode: only what falls from there may be gas
            wrong = wrong and self.shaken.falls(curve.ph if read is None else read)
        if wrong:
            if self.since < 0:
                self.since = now
        else:
            self.since = -1
        if usual_low is None:
            patience = patience_ms(gas.errors_above(limit), PATIENCE.gas_first_day_ms, PATIENCE.gas_least_ms)
        else:
            patience = 0 if falling < -OVERDOSE.at_once_ph_per_h else PATIENCE.gas_least_ms
        below = usual_low is None or curve.ph < usual_low - OVERDOSE.below_ph
        still = raised and gas.mg_l > OVERDOSE.lets_go_share * limit and below
        waited = self.since >= 0 and now - self.since >= patience
        if not (still or waited or (raised and wrong)):
            return None
        found = self._finding(tank, moment, curve, gas, holding=not wrong)
        if unusual:
            found.observations.append(unusual)
        return found

    @staticmethod
    def _unknown_tank(limit: float, gas: Gas, falling: float) -> bool:
        """The first day: the published limit, and the estimate's own error."""
        mg_l, error = gas.mg_l, gas.error
        # one hour on: the time a person needs to wake and act
        forecast = mg_l * 10 ** -max(falling, -CURVE.steepest_ph_per_h)
        rough = error >= OVERDOSE.rough_log
        chance = probability_over(gas, limit)
        sure = gas.errors_above(limit) > PATIENCE.from_errors
        level = chance > OVERDOSE.rough_probability if rough else sure
        fast = not rough and falling < -OVERDOSE.falling_ph_per_h
        ahead = probability_over(Gas(forecast, error), limit) > OVERDOSE.over_soon_probability
        soon = fast and ahead and mg_l > limit
        return level or soon

    @staticmethod
    def _known_tank(
        tank: Tank, moment: Moment, curve: PhCurve, gas: Gas, usual_low: float, raised: bool, departs: bool
    ) -> bool:
        """Over the limit and below the usual, or on its way there."""
        if curve.ph >= usual_low - OVERDOSE.below_ph and curve.fall <= OVERDOSE.soon_fall_ph_per_h:
            return False  # most of the time: neither below the usual lowest nor on its way there
        limit = tank.settings.livestock.co2_limit_mg_l
        # The hour after the first reading's time of day was seen but once, in a tank that may not have been
        # at rest; there the usual curve has a step that is no gas.
        later = curve.profile.at((moment.minute + HOUR_MS // MINUTE_MS) % 1440, OVERDOSE.least_days)
        # where the usual curve is steep, as when the valve opens, minutes make a large departure
        expected = curve.expected
        steep = expected is not None and later is not None and abs(later - expected) > OVERDOSE.steep_ph
        # nor does a curve that was seen but once say what runs at an hour when it should not
        once = curve.profile.at(moment.minute, OVERDOSE.least_days) is None
        below = usual_low - curve.ph > OVERDOSE.below_ph
        # what did not come within hours is a day's other level, as days have
        scatter = 0.0 if not below else curve.unsteady if departs else max(curve.unsteady, curve.days.levels)
        level = below and OverdoseJudge._level(limit, curve, gas, usual_low, steep, once, scatter)
        # within its saw-tooth a controller's valve shuts again: no fall goes on
        works = controlled(tank) and curve.ph > usual_low - OVERDOSE.below_ph
        soon = not works and (
            OverdoseJudge._through(limit, curve, gas, usual_low)
            or (later is not None and OverdoseJudge._soon(limit, curve, gas, usual_low, later, steep))
        )
        chance = probability_over(gas, limit)
        if curve.creeping and not raised:
            # what the whole curve has sunk by is hardness; only what came on top of it may be gas
            chance = probability_over(Gas(gas.mg_l * 10**-curve.creep, gas.error), limit)
            fresh = falls_afresh(tank, curve)
            level, soon = level and fresh, soon and fresh and gas.mg_l > OVERDOSE.creeping_share * limit
        sure = chance > OVERDOSE.over_now_probability and below
        return level or soon or sure

    @staticmethod
    def _level(
        limit: float, curve: PhCurve, gas: Gas, usual_low: float, steep: bool, once: bool, scatter: float
    ) -> bool:
        """The surer the estimate is, the less the departure from the usual has to be, and the other way.

        `steep`: the usual curve is just here; `once`: and was seen on one day only; `scatter`: of days, pH.
        """
        below = usual_low - curve.ph
        margin = OVERDOSE.scatters * scatter
        odd = 0.0 if curve.expected is None else curve.expected - curve.ph
        if (gas.mg_l > limit and below > OVERDOSE.over_below_ph + margin) or (
            gas.high > limit and below > OVERDOSE.may_below_ph + margin
        ):
            return True
        # far below the usual of this time of day, too: gas runs that should not, as when a valve sticks open
        strange = odd > OVERDOSE.strange_ph + margin and below > OVERDOSE.strange_below_ph and not once
        far = max(OVERDOSE.stranger_least_ph, OVERDOSE.stranger_ph + OVERDOSE.stranger_scatters * scatter)
        stranger = odd > far and below > OVERDOSE.below_ph and not (steep or once)
        likely = gas.mg_l * math.exp(OVERDOSE.strange_errors * gas.error)
        return (strange and likely > limit) or (stranger and gas.high > limit)

    @staticmethod
    def _through(limit: float, curve: PhCurve, gas: Gas, usual_low: float) -> bool:
        """At the limit, already below the usual lowest and falling on: no usual curve is needed to tell."""
        mg_l, fall = gas.mg_l, curve.fall
        slow = fall <= OVERDOSE.falling_ph_per_h
        if slow or curve.ph > usual_low - OVERDOSE.below_ph or gas.error >= OVERDOSE.rough_log:
            return False
        if fall <= curve.days.drifts:
            return False
        forecast = mg_l * 10 ** min(fall, CURVE.steepest_ph_per_h)
        ahead = probability_over(Gas(forecast, gas.error), limit)
        return mg_l > OVERDOSE.through_share * limit and ahead > OVERDOSE.over_soon_probability

    @staticmethod
    def _soon(limit: float, curve: PhCurve, gas: Gas, usual_low: float, later: float, steep: bool) -> bool:
        """Over the limit within the hour a person needs to wake and act; `later` is the usual pH then."""
        expected, ph, fall = curve.expected, curve.ph, curve.fall
        drift = curve.residuals.slope_per_hour(CURVE.slope_min * MINUTE_MS)
        if expected is None or drift is None:
            return False
        odd = expected - ph
        departs = (
            drift > OVERDOSE.soon_drift_ph_per_h
            and fall > OVERDOSE.soon_fall_ph_per_h
            and odd > OVERDOSE.soon_odd_ph
            and drift > curve.days.drifts
        )
        # and the curve itself must be on its way past the usual lowest: what is an hour off shows by now
        if not departs or ph - fall >= usual_low:
            return False
        scatter = curve.unsteady
        if steep and (ph >= usual_low + OVERDOSE.steep_above_ph or odd <= OVERDOSE.steep_odd_ph + scatter):
            return False
        # an estimate that is far below the limit and sure of itself is not an hour away from it
        fine = gas.error < OVERDOSE.rough_log
        if gas.mg_l <= OVERDOSE.soon_share * limit and not (
            fine and gas.high > OVERDOSE.soon_high_share * limit
        ):
            return False
        # The usual curve, less what departs from it, going on as it does now; and no faster than the pH falls
        # now, or usually does in that hour.
        ahead_ph = ph - min(
            expected - later + min(drift, CURVE.steepest_ph_per_h), max(fall, expected - later)
        )
        forecast = gas.mg_l * 10 ** (ph - ahead_ph)
        ahead = usual_low - ahead_ph
        margin = OVERDOSE.scatters * scatter
        return (forecast > limit and fine and ahead > OVERDOSE.ahead_ph + margin) or (
            forecast * math.exp(gas.error) > limit and ahead > OVERDOSE.ahead_may_ph + margin
        )

    @staticmethod
    def _finding(tank: Tank, moment: Moment, curve: PhCurve, gas: Gas, holding: bool) -> Finding:
        limit = tank.settings.livestock.co2_limit_mg_l
        mg_l, slope = gas.mg_l, curve.slope
        falling = min(slope or 0.0, 0.0)
        if mg_l > limit:
            left = 0.0
        elif falling < -OVERDOSE.least_fall_ph_per_h:
            left = math.log10(limit / mg_l) / -falling * 3600
        else:
            left = None
        celsius = moment.frame.temperature
        highest = tank.settings.livestock.temperature_high_c
        warm = celsius is not None and celsius > highest - OVERDOSE.warm_margin_c
        source = tank.settings.co2.source if tank.settings.co2 else "cylinder"
        soon = left is not None and left < OVERDOSE.urgent_s
        urgent = warm or mg_l > limit or soon or falling < -OVERDOSE.falling_ph_per_h
        return Finding(
            alarm="co2-overdose",
            holding=holding,
            priority="critical" if urgent else "high",
            value=round(mg_l, 1),
            unit="mg/L",
            time_left_s=left,
            cause=TOO_MUCH if source == "cylinder" else SURGES,
            observations=overdose_words(moment, curve, gas, limit, warm),
        )
