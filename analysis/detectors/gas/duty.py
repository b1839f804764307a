"""How long a pH controller's valve is open: its saw-tooth falls while gas comes in and rises while none does.

A controller holds the reading, not the gas, so a steady pH proves nothing. What the valve does is proof: at
the same loss to air and plants the CO2 in the water goes as the share of time that the valve is open. It
opens for longer where the probe reads higher than before, where KH has risen, and where the supply is weaker.
"""

from __future__ import annotations

import math

import msgspec

from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.day_courses import course_mean_spread
from rushlight.analysis.detectors.gas.numbers import DUTY, ESTIMATE
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.detectors.valve_hours import valve_hours
from rushlight.analysis.estimators.daily import DailyProfile
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.findings import Finding
from rushlight.analysis.physics.carbon_dioxide import Gas, likely_text

__all__ = ["ValveDuty", "controlled"]


def controlled(tank: Tank) -> bool:
    """Whether a pH controller gives the gas."""
    return tank.settings.co2 is not None and tank.settings.co2.control == "ph-controller"


class ValveDuty(msgspec.Struct):
    """The last three hours of the valve, and its usual day.

    Attributes
    ----------
    falls : list of float
        1 for each five minutes in which pH fell, 0 where it rose.
    profile : DailyProfile
        The usual share by time of day.
    before : float
        The five-minute pH before, 0 for none.
    since : int
        It has looked wrong since (ms UTC), -1 while it doesn't.
    """

    falls: list[float] = msgspec.field(default_factory=list)
    profile: DailyProfile = msgspec.field(default_factory=lambda: DailyProfile(centre="median"))
    before: float = 0.0
    since: int = -1

    def add(self, tank: Tank, moment: Moment, ph: float, learn: bool) -> None:
        """One five-minute pH. Out of the valve's hours it falls for other reasons, and says nothing."""
        valve = valve_hours(tank.settings.co2, moment.minute)
        if valve is not None and not valve.is_open:
            self.reset()
            return
        if self.before:
            last = self.falls[-1] if self.falls else 0.0
            fell = 1.0 if ph < self.before else 0.0 if ph > self.before else last
            self.falls.append(fell)
            del self.falls[: -DUTY.values]
            self.profile.add(moment.minute, fell, learn)
        self.before = ph

    def reset(self) -> None:
        """What came before says nothing any more: a step, a gap."""
        self.falls.clear()
        self.before, self.since = 0.0, -1

    @property
    def now(self) -> float | None:
        """The share of the last three hours in which gas came in; None before there are as many."""
        return sum(self.falls) / len(self.falls) if len(self.falls) == DUTY.values else None

    def usual(self, minute: float) -> float | None:
        """The usual share of these three hours of the day; None before two days have shown it."""
        span = DUTY.values * DUTY.value_min
        at = [
            self.profile.at((minute - span * part / DUTY.parts) % 1440, DUTY.least_days)
            for part in range(DUTY.parts)
        ]
        known = [one for one in at if one is not None]
        return sum(known) / len(known) if len(known) == len(at) else None

    def error(self, minute: float) -> float:
        """Standard error of the share of three hours: by chance, and by how this valve's days differ.

        An opening may take hours where little gas is lost or pH is read in coarse steps: few make no mean.
        """
        return max(DUTY.error, course_mean_spread(self.profile, minute, DUTY.parts))

    def gas(self, tank: Tank, minute: float) -> Gas | None:
        """CO2 by the valve alone, against what this tank has lived with; None where it says nothing."""
        now, usual = self.now, self.usual(minute)
        if now is None or usual is None or usual < DUTY.least_usual or now <= 0:
            return None
        limit = tank.settings.livestock.co2_limit_mg_l
        share = self.error(minute)
        error = math.hypot(share / now, share / usual / math.sqrt(DUTY.least_days))
        return Gas(ESTIMATE.lived_share * limit * now / usual, math.hypot(ESTIMATE.lived_log, error))

    def judge(self, tank: Tank, moment: Moment, curve: PhCurve) -> Finding | None:
        """Every five minutes: gas that is more than usual at a pH that is as usual."""
        raised = "co2-overdose" in moment.active
        gas, now, usual = self.gas(tank, moment.minute), self.now, self.usual(moment.minute)
        if gas is None or now is None or usual is None or curve.expected is None:
            self.since = -1
            return None
        limit = tank.settings.livestock.co2_limit_mg_l
        # a valve that is open for so much more gives half as much gas again, at the very least: that is over
        # the limit likelier than not, so no probability is asked
        error = self.error(moment.minute)
        surely = now - usual > DUTY.errors * error
        # above what it holds, gas may be missing; that it is held there is what makes it odd
        wrong = surely and curve.ph < curve.expected + DUTY.held_ph
        still = raised and now - usual > DUTY.lets_go_errors * error
        start = moment.frame.start_ms
        self.since = -1 if not wrong else start if self.since < 0 else self.since
        waited = self.since >= 0 and start - self.since >= DUTY.patience_min * MINUTE_MS
        if not (waited or still):
            return None
        return Finding(
            alarm="co2-overdose",
            holding=not wrong,
            priority="critical" if gas.mg_l > limit else "high",
            value=round(gas.mg_l, 1),
            unit="mg/L",
            time_left_s=0.0 if gas.mg_l > limit else None,
            cause="the pH controller gives more gas than it used to for the same reading: its probe reads "
            "too high, or KH has risen",
            observations=[
                f"the valve was open for {100 * now:.0f} % of the last hours, usual at this time of day are "
                f"{100 * usual:.0f} %: about {gas.mg_l:.0f} mg/L CO2 ({likely_text(gas.low, gas.high)}); the "
                f"limit is {limit:.0f}",
                f"pH {curve.ph:.2f} is as usual, and no proof: the controller holds what its probe reads. "
                "Where the cylinder is nearly empty, the valve opens for longer, too",
            ],
        )
