"""Carbon dioxide and pH: overdose by level and by forecast, absence, and a pH that CO2 does not explain.

pH alone does not give CO2: a hardness test that is one degree off moves the estimate by a third. So the
estimate is used with its error, and beside it stands what this tank usually does: its lowest pH of the last
undisturbed days, and its pH at this time of day. Water chemistry can't step: a change within a minute is a
person, a probe or a current, never the gas.
"""

from __future__ import annotations

import math

import msgspec

from analysis.detectors.base import MINUTE_MS, Moment, Tank, oxygen_text
from analysis.trend import DailyExtremes, DailyProfile, Window, median, spread
from analysis.types import Finding
from analysis.water import air_equilibrium_mg_l, carbon_dioxide_mg_l
from collector.settings import CarbonDioxideSettings, parse_time_of_day

__all__ = ["CarbonDioxideDetector"]

HALF_HOUR = 30 * MINUTE_MS
HOUR = 60 * MINUTE_MS
PH_ERROR = 0.1  # standard error of a hobby electrode between calibrations; common practice, no source
KH_ERROR_DKH = 0.6  # drop tests count whole drops of one degree; common practice, no source
USUAL_PEAK_SHARE = 0.75  # of the limit: what an unknown tank's usual lowest pH is taken to mean
PRE_CO2_MG_L = 3.0  # common practice, no source: what "the usual pH before CO2 comes on" stands for
RULE_OUT = (
    "rule out: take a reading with a drop test, and one of KH: where KH has fallen the gas need not have "
    "risen; or put the electrode into a fresh buffer"
)


class CarbonDioxideDetector(msgspec.Struct):
    """State of the carbon dioxide family of one tank."""

    block: Window = msgspec.field(default_factory=lambda: Window(5))
    window: Window = msgspec.field(default_factory=lambda: Window(37))
    extremes: DailyExtremes = msgspec.field(default_factory=DailyExtremes)
    profile: DailyProfile = msgspec.field(default_factory=DailyProfile)
    kelvin_key: int = -1
    factor: float = 0.0
    over_since: int = -1
    absent_since: int = -1
    low_since: int = -1
    high_since: int = -1
    quiet_until: int = -1
    mg_l: float | None = None
    residuals: Window = msgspec.field(default_factory=lambda: Window(73))
    hold: dict[str, Finding] = msgspec.field(default_factory=dict)

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; the findings that stand after it. O(1)."""
        frame = moment.frame
        ph = frame.ph
        now = frame.start_ms
        if ph is None or "ph" in moment.faulty:
            if self.window.times and now - self.window.times[-1] > HALF_HOUR:
                self.hold.clear()
                self._restart()
            return list(self.hold.values())
        block = self.block
        if block.times and abs(now - block.times[-1]) > 20 * MINUTE_MS:
            self._restart()
        block.add(now, ph)
        values = block.values
        if moment.ph_step_seen:
            # Not chemistry: look again when the new level has stood for a while.
            self.quiet_until = now + 15 * MINUTE_MS
            self.window.clear()
            self.over_since = self.low_since = self.high_since = -1
        if moment.fifth:
            self._slow(tank, moment, median(values))
        return list(self.hold.values())

    def _restart(self) -> None:
        self.block.clear()
        self.window.clear()
        self.over_since = self.absent_since = self.low_since = self.high_since = -1

    # -- the estimate -------------------------------------------------------------------------------

    def estimate(self, tank: Tank, ph: float, temperature: float | None) -> tuple[float, float] | None:
        """(mg/L, standard error of its logarithm), None where nothing ties pH to CO2."""
        water = tank.settings.water
        celsius = 24.0 if temperature is None else temperature
        kh = water.carbonate_hardness_dkh
        usual_low = self._usual_low()
        if kh is not None:
            key = int(celsius * 4)
            if key != self.kelvin_key:
                # below pH 8 CO2 goes as 10^-pH: one full solution a quarter-degree will do
                self.kelvin_key = key
                self.factor = carbon_dioxide_mg_l(7.0, kh, min(max(celsius, 1.0), 40.0))
            error = math.hypot(math.log(10) * PH_ERROR, KH_ERROR_DKH / max(kh, 0.8))
            return self.factor * 10 ** (7.0 - ph), error
        if water.degassed_ph is not None:
            # "Left standing for a day" holds the air's CO2, "before CO2 comes on" several times that. If the
            # tank's own highest pH comes near the figure it must be the latter.
            highs = self.extremes.highs
            base = PRE_CO2_MG_L
            if len(highs) >= 2 and water.degassed_ph - median(highs) > 0.45:
                base = 1.5 * air_equilibrium_mg_l(min(max(celsius, 1.0), 40.0))
            return base * 10 ** (water.degassed_ph - ph), 0.6
        if usual_low is not None:
            limit = tank.settings.livestock.co2_limit_mg_l
            return USUAL_PEAK_SHARE * limit * 10 ** (usual_low - ph), 0.45
        return None

    def _usual_low(self) -> float | None:
        """The usual lowest pH: of three undisturbed days only, to follow a creeping electrode."""
        lows = self.extremes.lows
        return median(lows[-3:]) if lows else None

    # -- every five minutes -------------------------------------------------------------------------

    def _slow(self, tank: Tank, moment: Moment, ph: float) -> None:
        now = moment.frame.start_ms
        quiet = now < self.quiet_until or moment.disturbed
        # what stepped was not chemistry: gas is judged by what is left of the curve without the steps
        stepped = ph
        if abs(moment.ph_stepped) > 0.06:
            ph -= moment.ph_stepped
        ph_alarm = bool(moment.active & {"co2-overdose", "co2-absent", "ph-out-of-range"})
        usable = not ph_alarm and "stray-current-suspected" not in moment.active
        self.extremes.add(now, ph, usable and not quiet, 190)
        self.profile.add(moment.minute, ph, usable and not quiet)
        estimate = self.estimate(tank, ph, moment.frame.temperature)
        self.mg_l = estimate[0] if estimate else None
        self.window.add(now, ph)
        expected = self.profile.at(moment.minute)
        if expected is not None:
            self.residuals.add(now, expected - ph)
        findings: dict[str, Finding] = {}
        if quiet:
            # judge nothing new, let go of nothing
            for name, finding in self.hold.items():
                finding.holding = True
                findings[name] = finding
        else:
            slope = self.window.slope_per_hour(HALF_HOUR)
            if slope is None:
                slope = self.window.slope_per_hour(15 * MINUTE_MS)
            water = tank.settings.water
            known = water.carbonate_hardness_dkh is not None or water.degassed_ph is not None
            if estimate is not None and (known or tank.settings.co2 is not None):
                self._overdose(tank, moment, ph, estimate, slope, findings)
            if estimate is not None and self._injected(tank):
                self._absent(tank, moment, ph, estimate, slope, findings)
            self._out_of_range(tank, moment, stepped, slope, findings)
        self.hold = findings

    def _overdose(
        self,
        tank: Tank,
        moment: Moment,
        ph: float,
        estimate: tuple[float, float],
        slope: float | None,
        out: dict[str, Finding],
    ) -> None:
        now = moment.frame.start_ms
        limit = tank.settings.livestock.co2_limit_mg_l
        mg_l, error = estimate
        raised = "co2-overdose" in moment.active
        usual_low = self._usual_low()
        lows = self.extremes.lows
        falling = min(slope or 0.0, 0.0)
        forecast_ph = ph + max(falling, -2.0)  # one hour on: the time a person needs to wake and act
        forecast = mg_l * 10 ** (ph - forecast_ph)
        if usual_low is not None:
            scatter = min(0.2, max(spread(lows), 0.03))
            below = usual_low - ph
            expected = self.profile.at(moment.minute)
            odd = 0.0 if expected is None else expected - ph
            need = 0.09 + 1.5 * scatter
            # the surer the estimate is, the less the departure from the usual has to be
            level = (mg_l > limit and below > need) or (
                mg_l * math.exp(error) > limit and below > 0.18 + 1.5 * scatter
            )
            soon = False
            later = self.profile.at((moment.minute + 60) % 1440)
            drift = self.residuals.slope_per_hour(HALF_HOUR)
            if later is not None and drift is not None and drift > 0.08 and falling < -0.05 and odd > 0.05:
                # an hour on: the usual curve, less what departs from it, going on as it does now
                forecast_ph = later - odd - min(drift, 2.0)
                forecast = mg_l * 10 ** (ph - forecast_ph)
                ahead = usual_low - forecast_ph
                soon = (forecast > limit and error < 0.5 and ahead > need + 0.04) or (
                    forecast * math.exp(error) > limit and ahead > 0.25 + 1.5 * scatter
                )
            # an estimate that is far below the limit and sure of itself is not an hour away from it
            near = mg_l > 0.5 * limit or (error < 0.5 and mg_l * math.exp(error) > 0.6 * limit)
            if expected is not None and later is not None and abs(later - expected) > 0.25:
                # where the usual curve is steep, as when the valve opens, minutes make a large departure
                near = near and ph < usual_low + 0.05 and odd > 0.15 + scatter
            soon = soon and near
            sure = mg_l > limit * math.exp(1.6 * error) and below > 0.03
            if self._creeping() and not raised:
                # against a sinking curve only what falls faster than the usual day counts
                before = self.residuals.ago(HOUR - 5 * MINUTE_MS)
                co2 = tank.settings.co2
                valve = co2 is None or co2.on is not None
                fresh = before is not None and self.residuals.values[-1] - before > (0.15 if valve else 0.07)
                level, soon, sure = level and fresh, soon and fresh and mg_l > 0.6 * limit, sure
        else:
            below = odd = 0.0
            level = mg_l > limit * math.exp((1.2 if error < 0.5 else 1.7) * error)
            soon = error < 0.5 and falling < -0.1 and forecast > limit * math.exp(error) and mg_l > limit
            sure = False
        wrong = level or soon or sure
        if wrong:
            if self.over_since < 0:
                self.over_since = now
        else:
            self.over_since = -1
        patience = 20 if usual_low is None else 0 if falling < -0.25 else 5
        still = raised and (mg_l > 0.9 * limit and (usual_low is None or ph < usual_low - 0.03))
        waited = self.over_since >= 0 and now - self.over_since >= patience * MINUTE_MS
        if not (still or waited or (raised and wrong)):
            return
        if mg_l > limit:
            left = 0.0
        elif falling < -0.01:
            left = math.log10(limit / mg_l) / -falling * 3600
        else:
            left = None
        night = moment.lamp_on is False
        observations = [
            f"pH {ph:.2f}, about {mg_l:.0f} mg/L CO2 (between {mg_l * math.exp(-error):.0f} and "
            f"{mg_l * math.exp(error):.0f}); the limit is {limit:.0f}",
        ]
        if slope is not None:
            observations.append(f"pH changing {slope:+.2f} an hour" + (" with the lamp off" if night else ""))
        if usual_low is not None:
            observations.append(f"this tank's usual lowest pH is {usual_low:.2f}")
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
        out["co2-overdose"] = Finding(
            alarm="co2-overdose",
            holding=not wrong,
            priority="critical"
            if warm or mg_l > limit or (left is not None and left < 5400) or falling < -0.1
            else "high",
            value=round(mg_l, 1),
            unit="mg/L",
            time_left_s=left,
            cause=cause,
            observations=observations,
            rule_out=RULE_OUT,
        )

    def _creeping(self) -> bool:
        """The whole curve sinks over days: hardness running out, or the electrode. Gas takes hours."""
        lows, highs = self.extremes.lows, self.extremes.highs
        if len(lows) >= 3 and lows[-1] < lows[-3] - 0.08 and highs[-1] < highs[-3] - 0.08:
            return True
        now = self.residuals.values[-1] if self.residuals.values else 0.0
        before = self.residuals.ago(6 * HOUR - 10 * MINUTE_MS)
        return before is not None and now > 0.15 and before > 0.55 * now

    def _injected(self, tank: Tank) -> bool:
        """CO2 is fed: the settings say so, or a daily swing of pH that plants alone hardly make."""
        if tank.settings.co2 is not None:
            return True
        highs, lows = self.extremes.highs, self.extremes.lows
        return len(lows) >= 2 and median(highs) - median(lows) > 0.5

    def _absent(
        self,
        tank: Tank,
        moment: Moment,
        ph: float,
        estimate: tuple[float, float],
        slope: float | None,
        out: dict[str, Finding],
    ) -> None:
        co2 = tank.settings.co2 or CarbonDioxideSettings()
        now = moment.frame.start_ms
        raised = "co2-absent" in moment.active
        mg_l, _ = estimate
        limit = tank.settings.livestock.co2_limit_mg_l
        if co2.on is not None and co2.off is not None:
            on, off = parse_time_of_day(co2.on), parse_time_of_day(co2.off)
            since_on = (moment.minute - on) % 1440
            length = (off - on) % 1440
            if not 150 <= since_on <= length:
                self.absent_since = -1
                if raised and since_on > length and "co2-absent" in self.hold:
                    # nothing can be seen out of hours: keep what was found until the valve opens again
                    kept = self.hold["co2-absent"]
                    kept.holding = True
                    out["co2-absent"] = kept
                elif raised and since_on < 150 and "co2-absent" in self.hold:
                    kept = self.hold["co2-absent"]
                    kept.holding = True
                    out["co2-absent"] = kept
                return
        expected = self.profile.at(moment.minute)
        highs, lows = self.extremes.highs, self.extremes.lows
        if expected is not None and len(highs) >= 1:
            swing = max(0.0, median(highs) - median(lows))
            odd = ph - expected
            need = max(0.22, 0.45 * swing) if co2.on is not None else max(0.3, 0.6 * swing)
            gone = odd > need and (slope is None or slope > -0.08) and mg_l < 0.8 * limit
            if co2.on is None:
                gone = gone and ph > median(highs[-3:]) + 0.05
        else:
            gone = False
        if gone:
            if self.absent_since < 0:
                self.absent_since = now
        elif raised:
            if expected is not None and ph - expected < 0.12:
                return
        else:
            self.absent_since = -1
        if not raised and (self.absent_since < 0 or now - self.absent_since < 60 * MINUTE_MS):
            return
        observations = [f"pH {ph:.2f}, about {mg_l:.0f} mg/L CO2"]
        if expected is not None:
            observations.append(f"usual at this time of day: pH {expected:.2f}")
        out["co2-absent"] = Finding(
            alarm="co2-absent",
            holding=not gone,
            priority="low",
            value=round(mg_l, 1),
            unit="mg/L",
            cause="the cylinder is empty, its valve has stuck shut or the hose is off"
            if co2.source == "cylinder"
            else "the reactor is spent, or its hose is off or blocked",
            observations=observations,
            rule_out=RULE_OUT,
        )

    def _out_of_range(
        self, tank: Tank, moment: Moment, ph: float, slope: float | None, out: dict[str, Finding]
    ) -> None:
        now = moment.frame.start_ms
        water = tank.settings.water
        low = 5.8 if water.ph_low is None else water.ph_low
        high = 8.6 if water.ph_high is None else water.ph_high
        lows, highs = self.extremes.lows, self.extremes.highs
        raised = "ph-out-of-range" in moment.active
        slow_fall = 0.0
        before = self.residuals.ago(6 * HOUR - 10 * MINUTE_MS)
        if self._creeping() and before is not None:
            slow_fall = 4 * (self.residuals.values[-1] - before)
            if len(lows) >= 3:
                slow_fall = min(lows[-3] - lows[-1], highs[-3] - highs[-1]) / 2
        below = low - ph
        above = ph - high
        fast = slope is not None and slope < -0.08
        gas_low = "co2-overdose" in out or (tank.settings.co2 is not None and fast and not self._creeping())
        gas_high = "co2-absent" in out and (water.degassed_ph is None or ph < water.degassed_ph + 0.3)
        # a swing that has always gone this far is this tank's own
        usual_low = min(lows) if len(lows) >= 2 else None
        usual_high = max(highs) if len(highs) >= 2 else None
        too_low = below > 0 and not gas_low and (usual_low is None or ph < max(usual_low, low - 0.2) - 0.03)
        soon_low = slow_fall > 0.08 and below < 0 and -below < slow_fall and not gas_low
        too_high = above > 0 and not gas_high and (usual_high is None or ph > usual_high + 0.05)
        soon_high = (
            above < 0
            and not gas_high
            and usual_high is not None
            and ph > usual_high + 0.15
            and slope is not None
            and above + slope > 0
            and (
                water.degassed_ph is None
                or tank.settings.co2 is None
                or ph > water.degassed_ph + 0.05
                or slope > 0.4
            )
        )
        for wrong, name in ((too_low or soon_low, "low_since"), (too_high or soon_high, "high_since")):
            since = getattr(self, name)
            if not wrong:
                setattr(self, name, -1)
            elif since < 0:
                setattr(self, name, now)
        since = max(self.low_since, self.high_since)
        wrong = since >= 0
        near = below > -0.3 and slow_fall > 0.0
        if not wrong and not (raised and (below > -0.1 or above > -0.1 or near)):
            return
        far = max(below, above)
        steep = slope is not None and abs(slope) > 0.3
        patience = 0 if far > 0.3 or steep else 10 if far > 0.15 else 30
        if not raised and now - since < patience * MINUTE_MS:
            return
        down = below > above
        out["ph-out-of-range"] = Finding(
            alarm="ph-out-of-range",
            holding=not wrong,
            priority="high" if max(below, above) > 0.4 else "medium",
            value=round(ph, 2),
            unit="pH",
            time_left_s=0.0
            if max(below, above) > 0
            else (-below / slow_fall * 86400 if slow_fall > 0 else None),
            cause="carbonate hardness is running out, so little acid moves pH far"
            if down
            else "something makes the water alkaline: a stone, substrate, tap water, or the electrode is off",
            observations=[
                f"pH {ph:.2f}, limits {low:.1f} to {high:.1f}",
                f"lowest and highest of the days before: {', '.join(f'{v:.2f}' for v in lows[-3:])}; "
                f"{', '.join(f'{v:.2f}' for v in highs[-3:])}"
                if lows
                else "no earlier day to compare with",
            ],
            rule_out="rule out: measure KH and pH with drop tests, or put the electrode into a fresh buffer",
        )
