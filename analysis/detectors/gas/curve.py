"""The pH curve of one tank: what it does now, and what it usually does: its lowest pH of the last undisturbed
days, and its pH at this time of day.
"""

from __future__ import annotations

import functools
import itertools
import math
from operator import sub

import msgspec

from rushlight.analysis.detectors.gas.day_courses import DaySpreads
from rushlight.analysis.detectors.gas.numbers import CURVE, OVERDOSE
from rushlight.analysis.detectors.gas.slope_noise import slope_noise_ph_per_h
from rushlight.analysis.detectors.gas.surge_numbers import SURGE
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.daily import DailyExtremes, DailyProfile
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import DAY_MS, HOUR_MS, MINUTE_MS
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.physics.electrode_trust import old_ph_error
from rushlight.collector.readings import PH, PH_PROBE

__all__ = ["PhCurve"]

_OF_DAYS = ("usual_low", "scatter", "swing", "loss_per_h", "days", "unsteady")
"""What is kept of the usual days."""


class PhCurve(msgspec.Struct, dict=True):
    """The last three hours in five-minute values, the usual day, and the departure from it.

    What follows from the days before is worked out once, beside the saved fields, until one of them changes
    (`changed`); what follows from the last hours, once in five minutes.

    Attributes
    ----------
    ph : float
        The newest five-minute value, less what stepped.
    slope : float or None
        pH an hour over the last half-hour, or quarter-hour at the beginning.
    fall, rise : float
        pH an hour by which it steadily falls or rises, 0 where it doesn't or only stepped.
    expected : float or None
        The usual pH at this time of day.
    residuals : Window
        The usual pH less the pH, six hours of it: grows with gas, and with hardness that runs out.
    moved : float
        By how much pH all that was learnt was moved with the newest value: the electrode was set right.
    creeping, creep : bool, float
        The whole curve sinks over days, and by how much (pH), less what came in the last hours.
    lately : Window
        The last quarter of an hour, steps and all.
    lifted, lifted_ms, lift_from : float, int, float
        What pH rose by faster than a tank can lose its gas, when that began (ms UTC), and the pH before.
    ceaseless : bool
        Gas comes night and day: by a reactor, or by a valve that is never shut.
    ph_error, doubt : float, str
        Standard error of the pH as read, and what is not known of its electrode ("" for nothing).
    """

    window: Window = msgspec.field(default_factory=lambda: Window(CURVE.window_values))
    extremes: DailyExtremes = msgspec.field(default_factory=DailyExtremes)
    profile: DailyProfile = msgspec.field(default_factory=lambda: DailyProfile(centre="median"))
    residuals: Window = msgspec.field(default_factory=lambda: Window(CURVE.residual_values))
    ph: float = msgspec.field(default_factory=lambda: CURVE.unread_ph)
    fall: float = 0.0
    rise: float = 0.0
    slope: float | None = None
    expected: float | None = None
    moved: float = 0.0
    creeping: bool = False
    creep: float = 0.0
    lately: Window = msgspec.field(default_factory=lambda: Window(CURVE.lift_values))
    lifted: float = 0.0
    lifted_ms: int = -1
    lift_from: float = 0.0
    ceaseless: bool = False
    ph_error: float = msgspec.field(default_factory=old_ph_error)
    doubt: str = ""

    def trust(self, tank: Tank, moment: Moment) -> None:
        """How far the electrode's pH is to be trusted today, and whether the gas ever stops."""
        co2 = tank.settings.co2
        self.ceaseless = (
            co2 is not None and co2.on is None and (co2.source != "cylinder" or co2.control == "always")
        )
        self.ph_error, self.doubt = tank.ph_trust(PH_PROBE in moment.frame.series, moment.day)[1:]

    def add(self, moment: Moment, ph: float, usual: bool, quiet: bool = False) -> None:
        """One five-minute value.

        `usual`: it is the tank's own usual water. `quiet`: someone is at the tank, or something just stepped.
        That is not learnt from; but it doesn't spoil the day, as days of unusual water do.
        """
        now = moment.frame.start_ms
        self.ph, self.moved = ph, 0.0
        extremes, profile = self.extremes, self.profile
        days = extremes.day, profile.bin
        if not (usual and quiet):
            extremes.add(now, ph, usual, CURVE.day_values)
        profile.add(moment.minute, ph, usual and not quiet)
        if days != (extremes.day, profile.bin):
            self.changed()
        self.window.add(now, ph)
        self.expected = self.profile.at(moment.minute)
        if self.expected is not None:
            self.residuals.add(now, self.expected - ph)
            self._set_right()
        self._creeps()
        slope = self.window.slope_per_hour(CURVE.slope_min * MINUTE_MS)
        if slope is None:
            slope = self.window.slope_per_hour(CURVE.first_slope_min * MINUTE_MS)
        self.slope = slope
        unsure = slope_noise_ph_per_h(moment.sensor(PH))
        self.fall = max(0.0, self._steady(1) - unsure)
        self.rise = max(0.0, self._steady(-1) - unsure)
        self._lift(now)

    def changed(self) -> None:
        """The usual days are others: what was worked out of them holds no more."""
        for name in _OF_DAYS:
            self.__dict__.pop(name, None)

    def _lift(self, now: int) -> None:
        """Fresh, harder water lifts pH in minutes; gas that is missing leaves by the tank's own pace."""
        self.lately.add(now, self.ph)
        since = now - self.lifted_ms
        if self.lifted_ms >= 0 and 0 <= since <= CURVE.lift_settles_min * MINUTE_MS:
            self.lifted = max(self.lifted, self.ph - self.lift_from)
            return
        if self.lifted_ms >= 0 and not 0 <= since <= CURVE.lift_lasts_h * HOUR_MS:
            self.lifted, self.lifted_ms = 0.0, -1
        before, times = self.lately.ago(CURVE.lift_min * MINUTE_MS), self.lately.times
        gap = times[-1] - times[0] > CURVE.lift_gap_min * MINUTE_MS
        if before is None or gap or (rise := self.ph - before) <= CURVE.lift_ph:
            return  # most of the time; or a gap
        pace = min(self.loss_per_h or SURGE.most_loss_per_h, SURGE.most_loss_per_h) / math.log(10)
        if rise > CURVE.lift_ph + CURVE.lift_scale * (pace * CURVE.lift_min * MINUTE_MS / HOUR_MS):
            self.lift_from = before - self.lifted  # one water change may follow another
            self.lifted, self.lifted_ms = self.ph - self.lift_from, now

    def _steady(self, way: int) -> float:
        """pH an hour that it goes on falling (`way` 1) or rising (-1) for half an hour; 0 where not.

        A fall that is one step within five minutes or over a gap (an electrode set right, other water) is no
        gas: chemistry goes on falling. So where one step is most of it, what counts is what comes after.
        """
        if self.slope is None or self.slope * way >= 0.0:
            return 0.0
        kept = CURVE.steady_values
        values, times = self.window.values[-kept:], self.window.times[-kept:]
        if max(values) - min(values) < CURVE.step_ph:
            return -self.slope * way  # most of the time: so little is no step
        largest, after = 0.0, 0
        for i in range(len(values) - 1):
            end = i + 1
            settles = end + 1 < len(values) and (values[end] - values[end + 1]) * way > 0.0
            if times[end] - times[i] > CURVE.gap_min * MINUTE_MS and settles:
                end += 1
            if (values[i] - values[end]) * way > largest:
                largest, after = (values[i] - values[end]) * way, end
        if largest < CURVE.step_ph or largest < CURVE.step_share * (values[0] - values[-1]) * way:
            return -self.slope * way
        rest = len(values) - after
        if rest < CURVE.after_step_values:
            return 0.0
        return max(0.0, (values[after] - values[-1]) * way / ((times[-1] - times[after]) / HOUR_MS))

    def _set_right(self) -> None:
        """A lower level since a gap, even before and after: the electrode was out, and read too high before.

        A level that was above the usual one only came back: then nothing is to be moved. Nor is what a fall
        that was there before the gap has come to since: that may be gas.
        """
        times, odd = self.residuals.times, self.residuals.values
        settled, level = CURVE.after_step_values + 1, CURVE.before_gap_values
        gap_ms = CURVE.gap_min * MINUTE_MS
        if len(odd) < settled + level - 1 or times[-settled] - times[-settled - 1] <= gap_ms:
            return
        before, after = odd[:-settled][-level:], odd[-CURVE.after_step_values :]
        even = max(max(before) - min(before), max(after) - min(after)) < CURVE.even_ph
        size = median(before) - median(after)
        last = len(odd) - settled
        pace = self.residuals.slope_between(max(0, last - CURVE.steady_values), last)
        first = max(0, last - level)
        between_ms = (times[-1] + times[-settled + 1] - times[last - 1] - times[first]) / 2
        size += max(0.0, pace) * between_ms / HOUR_MS
        if even and size <= -CURVE.step_ph and abs(before[-1]) < 2 * CURVE.even_ph:
            self._rebase(size)

    def _rebase(self, size: float) -> None:
        """All that was learnt, moved: the same water reads otherwise."""
        self.moved = size
        extremes = self.extremes
        for values in (
            extremes.lows,
            extremes.highs,
            extremes.means,
            self.profile.usual,
            *self.profile.kept.values(),
        ):
            values[:] = [value + size for value in values]
        extremes.low += size
        extremes.high += size
        extremes.total += extremes.count * size
        self.changed()
        self.residuals.clear()
        if self.expected is not None:
            self.expected += size

    @functools.cached_property
    def usual_low(self) -> float | None:
        """The usual lowest pH: of three undisturbed days only, to follow a creeping electrode.

        Gas that grows from day to day lowers the lows alone; what lowers the highs as well is hardness or
        the electrode. Only that is followed.
        """
        lows, highs = self.extremes.lows, self.extremes.highs
        if not lows:
            return None
        days = CURVE.recent_days
        low = median(lows[-days:])
        if len(lows) >= CURVE.anchored_days:
            sunk = median(highs[:days]) - median(highs[-days:])
            low = max(low, median(lows[:days]) - max(0.0, sunk))
        return low

    @functools.cached_property
    def scatter(self) -> float:
        """How much the lowest pH differs from one day to the next (a standard deviation; growth is none)."""
        lows = self.extremes.lows
        jumps = [abs(b - a) for a, b in itertools.pairwise(lows)]
        if not jumps:
            return CURVE.unsettled_ph
        if len(jumps) == 1:
            # what is likely of any tank counts as much as the one jump (a conjugate prior of the variance)
            spread = math.hypot(CURVE.unsettled_ph, jumps[0] / math.sqrt(2)) / math.sqrt(2)
        else:
            spread = CURVE.mad_to_sigma * median(jumps) / math.sqrt(2)  # of a difference of two
        return min(CURVE.most_scatter_ph, max(spread, CURVE.least_scatter_ph))

    @property
    def doubted(self) -> str:
        """What is not known of the electrode, to stand behind a figure: "; …", "" for nothing."""
        return f"; {self.doubt}" if self.doubt else ""

    @functools.cached_property
    def swing(self) -> float:
        """The usual difference between a day's highest and lowest pH; 0 before the first day."""
        highs, lows = self.extremes.highs, self.extremes.lows
        return max(0.0, median(highs) - median(lows)) if lows else 0.0

    @functools.cached_property
    def loss_per_h(self) -> float | None:
        """By which share of it the tank loses its gas in an hour: the usual day's steepest rise of pH (1/h).

        With the gas off, CO2 goes as exp(-k t), so pH rises by k / ln 10. None until two days are known.
        Where gas comes night and day no hour shows it. Then it is anywhere between the bounds of all tanks
        (log-uniform); the lower quartile is taken, and no less than the day's rise.
        """
        usual, days, apart = self.profile.usual, self.profile.days, SURGE.rise_bins
        bins = len(usual)
        if min(days) < OVERDOSE.least_days:
            return None  # the hours in which the gas leaves may be among those not seen
        steepest: float = max(map(sub, usual[apart:] + usual[:apart], usual))
        hours = apart * DAY_MS / HOUR_MS / bins
        least, most = SURGE.least_loss_per_h, SURGE.most_loss_per_h
        if self.ceaseless:
            least *= (most / least) ** SURGE.ceaseless_share
        return min(max(math.log(10) * steepest / hours, least), most)

    @functools.cached_property
    def days(self) -> DaySpreads:
        """By how much its days differ."""
        return DaySpreads.of(self.profile)

    @functools.cached_property
    def unsteady(self) -> float:
        """Scatter of the lowest pH together with how this electrode wanders within hours (pH)."""
        return math.hypot(self.scatter, (self.days.course or 0.0) / math.sqrt(2))

    def _creeps(self) -> None:
        """Whether the whole curve sinks over days: hardness or the electrode. Gas takes hours."""
        lows, highs = self.extremes.lows, self.extremes.highs
        days, sinks = CURVE.recent_days, CURVE.creep_days_ph
        odd = self.residuals.values
        now, before = odd[-1] if odd else 0.0, self.residuals.ago(CURVE.creep_span_min * MINUTE_MS)
        self.creeping = (
            len(lows) >= days and lows[-1] < lows[-days] - sinks and highs[-1] < highs[-days] - sinks
        ) or (before is not None and now > CURVE.creep_now_ph and before > CURVE.creep_before_share * now)
        self.creep = max(0.0, min(before, now)) if self.creeping and before is not None else 0.0

    def injected(self, tank: Tank) -> bool:
        """CO2 is fed: the settings say so, or a daily swing of pH that plants alone hardly make."""
        if tank.settings.co2 is not None:
            return True
        return len(self.extremes.lows) >= 2 and self.swing > CURVE.injected_ph
