"""The pH curve of one tank: what it does now, what it usually does, and the dissolved CO2 behind it.

pH alone does not give CO2: a hardness test that is one degree off moves the estimate by a third. So the
estimate carries its error, and beside it stands what this tank usually does: its lowest pH of the last
undisturbed days, and its pH at this time of day.
"""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import msgspec

from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.daily import DailyExtremes, DailyProfile
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.physics.electrode_trust import CALIBRATED_PH_ERROR, OLD_PH_ERROR
from rushlight.analysis.physics.water import air_equilibrium_mg_l, carbon_dioxide_mg_l
from rushlight.collector.readings import PH_PROBE

__all__ = ["HALF_HOUR", "HOUR", "Gas", "PhCurve"]

HALF_HOUR = 30 * MINUTE_MS
HOUR = 60 * MINUTE_MS
STEP_PH = 0.05  # within five minutes; common practice, no source
GAP_MS = 9 * MINUTE_MS
UNSETTLED_PH = 0.06  # between the first days' lowest pH; common practice, no source
EVEN_PH = 0.04
AFTER_STEP = 5  # five-minute values from which it shows whether a step was one
KH_ERROR_DKH = 0.6  # drop tests count whole drops of one degree; common practice, no source
# Of the limit: gas is set to about that in a tank whose fish do well. Common practice, no source.
LIVED_SHARE = 0.7
LIVED_ERROR = 0.35  # standard error of its logarithm: from half of the limit to just under it
PRE_CO2_MG_L = 3.0  # common practice, no source: what "the usual pH before CO2 comes on" stands for


class Gas(NamedTuple):
    """Dissolved CO2, mg/L, and the standard error of its logarithm."""

    mg_l: float
    error: float

    @property
    def low(self) -> float:
        """One standard error below, mg/L."""
        return self.mg_l * math.exp(-self.error)

    @property
    def high(self) -> float:
        """One standard error above, mg/L."""
        return self.mg_l * math.exp(self.error)

    def errors_above(self, limit: float) -> float:
        """How many standard errors it is above a limit (mg/L); negative below."""
        return math.log(max(self.mg_l, 1e-9) / limit) / self.error


class PhCurve(msgspec.Struct):
    """The last three hours in five-minute values, the usual day, and the departure from it.

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
    untold : bool
        What the settings say of the water is in doubt, and not to be reckoned with.
    ph_error, doubt : float, str
        Standard error of the pH as read, and what is not known of its electrode ("" for nothing).
    """

    window: Window = msgspec.field(default_factory=lambda: Window(37))
    extremes: DailyExtremes = msgspec.field(default_factory=DailyExtremes)
    profile: DailyProfile = msgspec.field(default_factory=lambda: DailyProfile(centre="median"))
    residuals: Window = msgspec.field(default_factory=lambda: Window(73))
    ph: float = 7.0
    fall: float = 0.0
    rise: float = 0.0
    slope: float | None = None
    expected: float | None = None
    untold: bool = False
    factor_for: tuple[float, int] = (-1.0, -1)
    ph_error: float = OLD_PH_ERROR
    doubt: str = ""
    factor: float = 0.0

    def trust(self, tank: Tank, moment: Moment) -> None:
        """How far the electrode's pH is to be trusted today."""
        self.ph_error, self.doubt = tank.ph_trust(PH_PROBE in moment.frame.series, moment.day)[1:]

    def add(self, moment: Moment, ph: float, learn: bool) -> None:
        """One five-minute value; `learn` False where it isn't the tank's own usual water."""
        now = moment.frame.start_ms
        self.ph = ph
        self.extremes.add(now, ph, learn, 190)
        self.profile.add(moment.minute, ph, learn)
        self.window.add(now, ph)
        self.expected = self.profile.at(moment.minute)
        if self.expected is not None:
            self.residuals.add(now, self.expected - ph)
            self._set_right()
        slope = self.window.slope_per_hour(HALF_HOUR)
        self.slope = self.window.slope_per_hour(15 * MINUTE_MS) if slope is None else slope
        self.fall = self._steady(1)
        self.rise = self._steady(-1)

    def _steady(self, way: int) -> float:
        """pH an hour that it goes on falling (`way` 1) or rising (-1) for half an hour; 0 where not.

        A fall that is one step within five minutes or over a gap (an electrode set right, other water) is no
        gas: chemistry goes on falling. So where one step is most of it, what counts is what comes after.
        """
        values, times = self.window.values[-7:], self.window.times[-7:]
        if self.slope is None or self.slope * way >= 0.0:
            return 0.0
        largest, after = 0.0, 0
        for i in range(len(values) - 1):
            end = i + 1
            settles = end + 1 < len(values) and (values[end] - values[end + 1]) * way > 0.0
            if times[end] - times[i] > GAP_MS and settles:
                end += 1
            if (values[i] - values[end]) * way > largest:
                largest, after = (values[i] - values[end]) * way, end
        if largest < STEP_PH or largest < 0.6 * (values[0] - values[-1]) * way:
            return -self.slope * way
        rest = len(values) - after
        if rest < AFTER_STEP:
            return 0.0
        return max(0.0, (values[after] - values[-1]) * way / ((times[-1] - times[after]) / HOUR))

    def _set_right(self) -> None:
        """A lower level since a gap, even before and after: the electrode was out, and read too high before.

        A level that was above the usual one only came back: then nothing is to be moved.
        """
        times, odd = self.residuals.times, self.residuals.values
        settled = AFTER_STEP + 1
        if len(odd) < settled + 3 or times[-settled] - times[-settled - 1] <= GAP_MS:
            return
        before, after = odd[:-settled][-4:], odd[-AFTER_STEP:]
        even = max(before) - min(before) < EVEN_PH and max(after) - min(after) < EVEN_PH
        size = median(before) - median(after)
        if even and size <= -STEP_PH and abs(before[-1]) < 2 * EVEN_PH:
            self._rebase(size)

    def _rebase(self, size: float) -> None:
        """All that was learnt, moved: the same water reads otherwise."""
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
        self.residuals.clear()
        if self.expected is not None:
            self.expected += size

    @property
    def usual_low(self) -> float | None:
        """The usual lowest pH: of three undisturbed days only, to follow a creeping electrode.

        Gas that grows from day to day lowers the lows alone; what lowers the highs as well is hardness or
        the electrode. Only that is followed.
        """
        lows, highs = self.extremes.lows, self.extremes.highs
        if not lows:
            return None
        low = median(lows[-3:])
        if len(lows) >= 5:
            sunk = median(highs[:3]) - median(highs[-3:])
            low = max(low, median(lows[:3]) - max(0.0, sunk))
        return low

    @property
    def scatter(self) -> float:
        """How much the lowest pH differs from one day to the next (a standard deviation; growth is none)."""
        lows = self.extremes.lows
        jumps = [abs(b - a) for a, b in itertools.pairwise(lows)]
        if len(jumps) < 2:
            return UNSETTLED_PH
        return min(0.2, max(1.4826 * median(jumps) / math.sqrt(2), 0.03))

    @property
    def doubted(self) -> str:
        """What is not known of the electrode, to stand behind a figure: "; …", "" for nothing."""
        return f"; {self.doubt}" if self.doubt else ""

    def swing(self) -> float:
        """The usual difference between a day's highest and lowest pH; 0 before the first day."""
        highs, lows = self.extremes.highs, self.extremes.lows
        return max(0.0, median(highs) - median(lows)) if lows else 0.0

    def creeping(self) -> bool:
        """The whole curve sinks over days: hardness running out, or the electrode. Gas takes hours."""
        lows, highs = self.extremes.lows, self.extremes.highs
        if len(lows) >= 3 and lows[-1] < lows[-3] - 0.08 and highs[-1] < highs[-3] - 0.08:
            return True
        now = self.residuals.values[-1] if self.residuals.values else 0.0
        before = self.residuals.ago(6 * HOUR - 10 * MINUTE_MS)
        return before is not None and now > 0.15 and before > 0.55 * now

    def injected(self, tank: Tank) -> bool:
        """CO2 is fed: the settings say so, or a daily swing of pH that plants alone hardly make."""
        if tank.settings.co2 is not None:
            return True
        return len(self.extremes.lows) >= 2 and self.swing() > 0.5

    def gas(self, tank: Tank, ph: float, temperature: float | None) -> Gas | None:
        """CO2 at this pH; None where nothing ties pH to CO2.

        Once the tank is known, what the settings say is weighed against what its fish have lived with: a KH
        of the settings that is far off would have killed them, or never have shown gas at all. Both are
        logarithms with a standard error, weighted by the inverse of their variances (least squares).
        """
        told = self._told(tank, ph, temperature)
        lived = self._lived(tank, ph)
        if told is None or lived is None:
            return told or lived
        w_told, w_lived = told.error**-2, lived.error**-2
        mean = (w_told * math.log(told.mg_l) + w_lived * math.log(lived.mg_l)) / (w_told + w_lived)
        return Gas(math.exp(mean), (w_told + w_lived) ** -0.5)

    def _lived(self, tank: Tank, ph: float) -> Gas | None:
        """By the usual lowest pH, with which the fish live."""
        usual_low = self.usual_low
        if usual_low is None or (self._has_reference(tank) and not self.injected(tank)):
            return None
        limit = tank.settings.livestock.co2_limit_mg_l
        error = (
            LIVED_ERROR
            if len(self.extremes.lows) > 1
            else math.hypot(LIVED_ERROR, math.log(10) * CALIBRATED_PH_ERROR)  # the same electrode: no offset
        )
        return Gas(LIVED_SHARE * limit * 10 ** (usual_low - ph), error)

    @staticmethod
    def _has_reference(tank: Tank) -> bool:
        water = tank.settings.water
        return water.carbonate_hardness_dkh is not None or water.degassed_ph is not None

    def _told(self, tank: Tank, ph: float, temperature: float | None) -> Gas | None:
        """By what the settings say of the water."""
        if self.untold:
            return None
        water = tank.settings.water
        celsius = 24.0 if temperature is None else temperature
        kh = water.carbonate_hardness_dkh
        if kh is not None:
            key = (kh, int(celsius * 4))
            if key != self.factor_for:
                # below pH 8 CO2 goes as 10^-pH: one full solution a quarter-degree will do
                self.factor_for = key
                self.factor = carbon_dioxide_mg_l(7.0, kh, min(max(celsius, 1.0), 40.0))
            error = math.hypot(math.log(10) * self.ph_error, KH_ERROR_DKH / max(kh, 0.8))
            return Gas(max(self.factor, 1e-3) * 10 ** (7.0 - ph), error)
        if water.degassed_ph is not None:
            # "Left standing for a day" holds the air's CO2, "before CO2 comes on" several times that. If the
            # tank's own highest pH comes near the figure it must be the latter.
            highs = self.extremes.highs
            aired = 1.5 * air_equilibrium_mg_l(min(max(celsius, 1.0), 40.0))
            share = 10 ** (water.degassed_ph - ph)
            if len(highs) < 2:
                return Gas(math.sqrt(aired * PRE_CO2_MG_L) * share, 0.8)  # either, as yet
            near = water.degassed_ph - median(highs) <= 0.45
            return Gas((PRE_CO2_MG_L if near else aired) * share, 0.6)
        return None
