"""pH outside its limits, or on its way there, where CO2 does not explain it."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.gas.acid_numbers import ALKALINE, FAST_ACID, PH_PACE, STEPPED
from rushlight.analysis.detectors.gas.alkaline import alkaline_probability
from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.limit_pace import climbs_past, limits, moves_by, poured_in
from rushlight.analysis.detectors.gas.limit_words import cause_of, drop_test, own_words
from rushlight.analysis.detectors.gas.numbers import CURVE, PH_RANGE
from rushlight.analysis.detectors.gas.sinking import Sinking, in_the_dark
from rushlight.analysis.detectors.gas.surge_numbers import SURGE
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.detectors.patience import PATIENCE
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.findings import Finding
from rushlight.analysis.physics.carbon_dioxide import Gas

__all__ = ["RangeJudge"]


HOUR_S = 60 * 60
DAY_S = 24 * HOUR_S


class RangeJudge(msgspec.Struct):
    """Since when it is too low and too high, or soon going to be (ms UTC); -1 while it isn't.

    `gas_since`: since when there is too much gas: who is told of it has time to act before it is told of its
    pH. `own`: what was found has a cause of its own, whatever CO2 explains. `sinking` is what tells hardness
    that runs out from gas.
    """

    low_since: int = -1
    high_since: int = -1
    gas_since: int = -1
    own: bool = False
    sinking: Sinking = msgspec.field(default_factory=Sinking)

    def reset(self) -> None:
        """What came before says nothing any more: a step, a gap."""
        self.low_since = self.high_since = -1

    def climbs(
        self, tank: Tank, moment: Moment, curve: PhCurve, block: Window, hold: dict[str, Finding]
    ) -> None:
        """Every frame that is far above the last: what climbs on past the upper limit is no step.

        `block` has the pH by the minute; what is found goes into `hold`.
        """
        ph, high = block.values[-1], limits(tank.settings.water)[1]
        if "ph-out-of-range" in hold or moment.heat.disturbed:
            return
        if climbs_past(block, moment.sensor("ph"), ph, high):
            found = self.judge(tank, moment, curve, ph, hold, climbs=True)
            if found is not None:
                hold[found.alarm] = found

    def judge(
        self,
        tank: Tank,
        moment: Moment,
        curve: PhCurve,
        ph: float,
        found: dict[str, Finding],
        shakes: bool = False,
        gas: Gas | None = None,
        climbs: bool = False,
    ) -> Finding | None:
        """Every five minutes. `ph` is as read, steps and all; `found` is what CO2 explains already.

        `shakes`: it leapt down and shakes since, which is no water. `gas`: CO2 as estimated. `climbs`: it
        goes on past its upper limit by the minute.
        """
        now = moment.frame.start_ms
        low, high = limits(tank.settings.water)
        slope = curve.slope
        raised = "ph-out-of-range" in moment.active
        overdose, gassed = "co2-overdose" in found, tank.settings.co2 is not None
        self.gas_since = -1 if not overdose else self.gas_since if self.gas_since >= 0 else now
        self.sinking.add(now, curve, moment.current.ph_stepped)
        pace = 0.0 if shakes else self.sinking.pace(tank, moment, curve, low)
        moves = moves_by(curve, moment.sensor("ph"), ph, low, high)
        falls = min(FAST_ACID.ahead_h * (slope or 0.0), moves, 0.0)
        rises = max(SURGE.person_h * curve.rise, moves)
        if not (raised or curve.creeping or pace) and low < ph + falls and ph + rises < high:
            self.reset()  # most of the time: within its limits now and in the time a person needs
            return None
        below, above = low - ph, ph - high
        slow_fall = self._slow_fall(moment, curve, ph)
        absent = "co2-absent" in found
        unclear = shakes or (overdose and gassed and now - self.gas_since < PH_PACE.gas_h * HOUR_MS)
        too_low = pace > 0 or (
            not unclear and self._too_low(tank, curve, ph, low, slow_fall, overdose, moves)
        )
        poured = poured_in(tank, moment) or 0 <= now - curve.lifted_ms <= CURVE.lift_poured_min * MINUTE_MS
        chance = alkaline_probability(tank, curve, gas, moment.frame.temperature)
        alkaline = chance > ALKALINE.probability
        too_high = self._too_high(tank, curve, ph, high, absent and not alkaline, poured, alkaline, moves)
        # past its limit, or soon past it, whatever moves it: the limit is the animals'
        self.own = (
            pace > 0 or (too_low and overdose) or (too_high and (alkaline or absent)) or (self.own and raised)
        )
        self.low_since = -1 if not too_low else self.low_since if self.low_since >= 0 else now
        self.high_since = -1 if not too_high else self.high_since if self.high_since >= 0 else now
        since = max(self.low_since, self.high_since)
        wrong = since >= 0
        near = below > -PH_RANGE.near_ph and (slow_fall > 0.0 or self.own)
        if not wrong and not (raised and (max(below, above) > -PH_RANGE.lets_go_ph or near)):
            return None
        far = max(below, above)
        steep = slope is not None and abs(slope) > PH_RANGE.steep_ph_per_h
        lows, highs = curve.extremes.lows, curve.extremes.highs
        strange = (
            len(lows) >= PH_RANGE.known_days
            and not min(lows) - PH_RANGE.strange_ph <= ph <= max(highs) + PH_RANGE.strange_ph
        )
        to_low = -below if not lows else min(-below, max(0.0, lows[-1] - low))  # of the day's lowest
        patience_ms = PH_RANGE.patience_min * MINUTE_MS
        if climbs:
            patience_ms = 0
        elif self._only_stepped(moment, curve, ph, low, high):
            # a current or the electrode, likelier than water: what switched switches back
            patience_ms = PATIENCE.with_lamp_ms if moment.current.step_with_lamp else STEPPED.patience_ms
        elif far > PH_RANGE.far_ph or (steep and (far > 0 or too_high)):
            patience_ms = 0
        elif (
            far > PH_RANGE.further_ph
            or (strange and (far > 0 or too_high))
            or (too_high and alkaline)
            or (moves < -PH_PACE.rests_ph and ph + moves < low)
            or (moves > PH_PACE.rests_ph and ph + moves > high)
        ):
            patience_ms = PH_RANGE.soon_min * MINUTE_MS
        if not raised and now - since < patience_ms:
            return None
        left_s = to_low / slow_fall * DAY_S if slow_fall > 0 else None
        if pace > 0:
            left_s = -below / pace * HOUR_S
        acid = too_low or (not too_high and below > above)
        return Finding(
            alarm="ph-out-of-range",
            holding=not wrong,
            priority="high" if far > PH_RANGE.high_priority_ph else "medium",
            value=round(ph, 2),
            unit="pH",
            time_left_s=0.0 if far > 0 else left_s,
            beside=self.own,
            cause=cause_of(acid, pace > 0, (overdose and gassed) if acid else (absent and not alkaline)),
            observations=[
                f"pH {ph:.2f}, limits {low:.1f} to {high:.1f}{curve.doubted}",
                f"lowest and highest of the days before: {_listed(lows)}; {_listed(highs)}"
                if lows
                else "no earlier day to compare with",
                *(own_words(curve, acid, pace, chance) if self.own else []),
            ],
            rule_out=drop_test(acid, absent) if self.own else "",
        )

    @staticmethod
    def _only_stepped(moment: Moment, curve: PhCurve, ph: float, low: float, high: float) -> bool:
        """Whether the pH is past a limit by what stepped within minutes, as no water does, and not by far."""
        stepped = moment.current.ph_stepped
        if low <= ph <= high or abs(stepped) < CURVE.stepped_guess_ph:
            return False
        # in a current what it stepped to shakes: without the step, water that goes on is not at its usual
        rest = ph - stepped
        usual = curve.expected is not None and abs(rest - curve.expected) < PH_RANGE.unusual_ph
        goes_on = not usual and (curve.fall if ph < low else curve.rise) > STEPPED.goes_on_ph_per_h
        far = max(low - ph, ph - high) > STEPPED.far_ph
        return low <= rest <= high and not (goes_on or far)

    @staticmethod
    def _slow_fall(moment: Moment, curve: PhCurve, ph: float) -> float:
        """pH a day by which the whole curve sinks; 0 where it doesn't."""
        if in_the_dark(moment):
            return 0.0  # the pH sinks by that, and no further
        before = curve.residuals.ago(CURVE.creep_span_min * MINUTE_MS)
        if before is None or not curve.creeping:
            return 0.0
        lows, highs = curve.extremes.lows, curve.extremes.highs
        days = CURVE.recent_days
        if len(lows) >= days:
            # as little hardness is left, it sinks faster from day to day
            return max(min(lows[-days] - lows[-1], highs[-days] - highs[-1]) / (days - 1), lows[-1] - ph)
        return PH_RANGE.spans_a_day * (curve.residuals.values[-1] - before)

    @staticmethod
    def _too_low(
        tank: Tank, curve: PhCurve, ph: float, low: float, slow_fall: float, overdose: bool, moves: float
    ) -> bool:
        gas = tank.settings.co2 is not None
        fast = curve.slope is not None and curve.slope < -PH_RANGE.gas_ph_per_h
        if gas and fast and not (overdose or curve.creeping):
            return False  # gas lowers it, and it is told as that
        below = low - ph
        # a swing that has always gone this far is this tank's own
        lows = curve.extremes.lows
        usual = min(lows) if len(lows) >= PH_RANGE.known_days else None
        own = low if usual is None else max(usual, low - PH_RANGE.own_swing_ph) - PH_RANGE.past_lowest_ph
        unusual = usual is not None and ph < median(lows) - PH_RANGE.unusual_ph
        if ph < min(own, low) or (unusual and 0 < -below < -moves):
            return True
        if gas and overdose:
            return False  # it is told as that, and far from its limit
        if slow_fall > PH_RANGE.sinks_ph_per_day and 0 < -below < slow_fall:
            return True
        if _sinks_to(curve, low):
            return True
        # where no gas is given, a fall of an hour is acid, or the last of the hardness
        free = not gas and unusual
        lately = curve.window.slope_per_hour(CURVE.first_slope_min * MINUTE_MS)
        over = lately is not None and -lately < PH_RANGE.slows_share * curve.fall
        return free and not over and 0 < -below < FAST_ACID.ahead_h * curve.fall

    @staticmethod
    def _too_high(
        tank: Tank,
        curve: PhCurve,
        ph: float,
        high: float,
        absent: bool,
        poured: bool,
        alkaline: bool,
        moves: float,
    ) -> bool:
        degassed = tank.settings.water.degassed_ph
        above = ph - high
        highs = curve.extremes.highs
        known = PH_RANGE.known_days
        seen = curve.loss_per_h is not None or tank.settings.co2 is None
        if alkaline and above <= 0 and (seen or above + moves > 0):
            known = 1  # no day of gas goes so fast, nor for so long
        usual = max(highs) if len(highs) >= known else None
        if above > 0:
            # where gaps spoil the days, what it usually reads at this time of day
            own = curve.expected if usual is None else usual
            return own is None or ph > min(own, high + PH_RANGE.own_swing_ph) + PH_RANGE.past_highest_ph
        if usual is None or above == 0 or poured:
            return False  # water that was changed lifts it at once and no further
        # the highest of each day: the day on which the rise began is not this tank's usual
        unusual = ph - median(highs) > PH_RANGE.unusual_ph
        if unusual and above + moves > 0 and (degassed is None or degassed >= high):
            return True  # with gas that is gone, too
        if absent and (degassed is None or ph < degassed + PH_RANGE.gone_above_ph):
            return False  # no more gas in it
        lately = curve.window.slope_per_hour(CURVE.first_slope_min * MINUTE_MS)
        if lately is not None and lately < PH_RANGE.slows_share * curve.rise:
            return False
        if alkaline:
            # nor need it be past all days where gas should keep it low at this hour
            odd = curve.expected is not None and ph - curve.expected > ALKALINE.odd_ph
            unusual = unusual or (tank.settings.co2 is not None and odd)
            return unusual and above + SURGE.person_h * curve.rise > 0
        beyond_air = degassed is None or tank.settings.co2 is None or ph > degassed + PH_RANGE.beyond_air_ph
        sure = beyond_air or curve.rise > PH_RANGE.sure_rise_ph_per_h or ph > usual + PH_RANGE.strange_ph
        return unusual and above + curve.rise > 0 and sure


def _sinks_to(curve: PhCurve, low: float) -> bool:
    """Whether the days' lowest pH comes to the limit before somebody has had a day to act."""
    lows, highs, days = curve.extremes.lows, curve.extremes.highs, CURVE.recent_days
    if len(lows) < days or not curve.creeping:
        return False
    if lows[-1] >= lows[-2] or highs[-1] >= highs[-2]:
        return False  # a tank that was not at rest on its first day has sunk since, and goes no further
    pace = min(lows[-days] - lows[-1], highs[-days] - highs[-1]) / (days - 1)
    return pace > PH_RANGE.sinks_ph_per_day and 0 < lows[-1] - low < PH_RANGE.ahead_days * pace


def _listed(values: list[float]) -> str:
    return ", ".join(f"{value:.2f}" for value in values[-CURVE.recent_days :])
