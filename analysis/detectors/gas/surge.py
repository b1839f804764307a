"""A surge: several times the usual supply of gas, seen in minutes, before its level is anything unusual.

In a tank that loses gas at a rate k towards air and plants, CO2 follows dC/dt = k (m P - C), where P is the
usual peak and m the supply as a multiple of the usual one. So a fall of pH by f an hour means

    m = (1 + ln 10 * f / k) * C / P,  with C / P = 10^(usual lowest pH - pH),

whatever KH and the electrode's offset are, and at any time of day: a valve that opens as usual gives 1.
"""

from __future__ import annotations

import bisect
import math
from operator import sub
from typing import NamedTuple

import msgspec

from rushlight.analysis.detectors.gas.bared import shake, wandering_slope
from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.step_or_fall import falls_on
from rushlight.analysis.detectors.gas.surge_numbers import SURGE
from rushlight.analysis.detectors.moment import Moment
from rushlight.analysis.estimators.numbers import WINDOW
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.physics.carbon_dioxide import Gas, probability_over

__all__ = ["SurgeWatch"]

_LN10 = math.log(10)


class _Fall(NamedTuple):
    """Over so many minutes: pH/h, of how many frames, over how many hours, and how much each shakes (pH)."""

    span: int
    slope: float
    frames: int
    hours: float
    shakes: float


class SurgeWatch(msgspec.Struct, dict=True):
    """What the pH of the last half-hour, minute by minute, says of the supply.

    Beside the saved fields it keeps `below`: only under that pH can one be odd within these five minutes, and
    `soil`: whether active soil takes up hardness.

    Attributes
    ----------
    clear_ms : int
        What came up to then says nothing: a step, a hand in the tank (ms UTC).
    seen : int
        Frames in a row that looked like a surge.
    supply : float
        The supply as a multiple of the usual one, as last seen; 0 where nothing can be said.
    wanders : list of float
        Variance of a slope over the short and the long span by which this electrode wanders, (pH/h)²: half of
        what two neighbouring slopes differ by, squared. 0 until it is known.
    """

    clear_ms: int = -1
    seen: int = 0
    supply: float = 0.0
    wanders: list[float] = msgspec.field(default_factory=lambda: [0.0, 0.0])

    def clear(self, now_ms: int) -> None:
        """What came up to now says nothing any more."""
        self.clear_ms, self.seen, self.supply = now_ms, 0, 0.0

    def prepare(self, moment: Moment, window: Window, curve: PhCurve | None, soil: bool = False) -> None:
        """Every five minutes; no `curve` where no surge is to be looked for; `soil` takes up hardness."""
        below, self.__dict__["soil"] = 0.0, soil
        if curve is not None:
            if moment.minute % SURGE.learns_every_min < SURGE.block_min:
                self._learn(window)
            now, soon = (
                curve.profile.at(moment.minute),
                curve.profile.at((moment.minute + SURGE.block_min) % 1440),
            )
            if curve.usual_low is not None and now is not None and soon is not None:
                below = max(now, soon) - min(SURGE.odd_ph, SURGE.far_odd_ph) - curve.creep
        self.__dict__["below"] = below

    def add(self, moment: Moment, window: Window, ph: float, curve: PhCurve) -> bool:
        """One frame's pH, less what stepped; True where a surge is on. O(1).

        `window` has the pH of the last frames, this one too.
        """
        if ph >= self.__dict__["below"]:  # most frames
            if self.seen:
                self.seen = 0
            return False
        self.supply = 0.0
        return self._surges(moment, window, ph, curve)

    def _surges(self, moment: Moment, window: Window, ph: float, curve: PhCurve) -> bool:
        """The same where the pH is odd."""
        sensor = moment.sensor("ph")
        # a frame is the mean of its readings, but no finer than a step (uniform distribution)
        readings = sensor.readings_a_frame
        noise = max(sensor.noise / math.sqrt(readings), sensor.step / math.sqrt(SURGE.regression))
        spans = (SURGE.short_min, SURGE.long_min) if readings >= SURGE.often else (SURGE.long_min,)
        falls = [fall for span in spans if (fall := self._falls(window, span, noise)) is not None]
        usual_low, loss = curve.usual_low, curve.loss_per_h
        if not falls or usual_low is None or loss is None:
            self.seen = 0
            return False
        ph += curve.creep  # what it has sunk by over days is no gas
        best = max([self._least(ph, fall, noise, usual_low, loss) for fall in falls])
        if best <= SURGE.least_supply:
            self.seen = 0
            return False
        usual = self._usual(moment.minute, usual_low, loss, curve)
        if self.__dict__["soil"]:
            # what it takes up lowers the whole curve, and that counts as gas in this sum
            usual *= 10 ** (SURGE.soil_scatters * curve.scatter)
        most = max(SURGE.least_supply, SURGE.beyond_usual + usual)
        expected = curve.profile.at(moment.minute)
        odd = expected is not None and min(expected, usual_low + SURGE.near_low_ph) - ph > SURGE.odd_ph
        odd = odd or (expected is not None and expected - ph > SURGE.far_odd_ph)
        odd = odd and best > most and self._goes_on(window, noise)
        self.seen = self.seen + 1 if odd else 0
        return self.seen >= SURGE.frames_in_a_row

    @staticmethod
    def _usual(minute: float, usual_low: float, loss: float, curve: PhCurve) -> float:
        """The most that the same sum makes of the usual day within an hour of this time."""
        most, at = 0.0, curve.profile.at
        for part in range(-SURGE.around_parts, SURGE.around_parts + 1):
            begin = (minute + part * SURGE.part_min) % 1440
            first, later = at(begin), at((begin + SURGE.part_min) % 1440)
            if first is not None and later is not None:
                fall = (first - later) * HOUR_MS / (SURGE.part_min * MINUTE_MS)
                most = max(most, (1 + _LN10 * fall / loss) * 10 ** (usual_low - later))
        return most

    def _falls(self, window: Window, span: int, noise: float) -> _Fall | None:
        """The fall of pH over the last `span` min; None where there is none, or no chemistry falls so."""
        times, values = window.times, window.values
        first = self._first(window, times[-1] - span * MINUTE_MS)
        count, length = len(times) - first, times[-1] - times[first] if first < len(times) else 0
        if count < SURGE.least_frames or length < WINDOW.full_share * span * MINUTE_MS:
            return None
        total = values[first] - values[-1]
        if total <= 0:
            return None
        drops = map(sub, values[first:-1], values[first + 1 :])
        if max(drops) > max(SURGE.step_share * total, SURGE.noises * noise):
            return None  # one step is no chemistry
        slope = window.slope_between(first, len(times))
        return _Fall(span, slope, count, length / HOUR_MS, shake(values[first:]))

    def _goes_on(self, window: Window, noise: float) -> bool:
        first = self._first(window, window.times[-1] - SURGE.fit_min * MINUTE_MS)
        return falls_on(window.times[first:], window.values[first:], max(noise, SURGE.least_noise_ph))

    def _first(self, window: Window, from_ms: int) -> int:
        """The first value that counts from a time on (ms UTC)."""
        return bisect.bisect_left(window.times, max(from_ms, self.clear_ms + 1))

    def _least(self, ph: float, fall: _Fall, noise: float, usual_low: float, loss: float) -> float:
        """The supply that is at least there, by a fall."""
        span, slope, count, hours, shakes = fall
        # a regression's slope error by that of its values (ordinary least squares)
        noise = max(noise, SURGE.least_noise_ph)
        error = noise * math.sqrt(SURGE.regression / count) / hours
        error = max(error, wandering_slope(shakes, noise, hours * 60))
        error = max(error, math.sqrt(self.wanders[span != SURGE.short_min]))
        share = 10 ** (usual_low - ph)
        supply = (1 - _LN10 * slope / loss) * share
        self.supply = max(self.supply, supply)
        return supply - SURGE.errors(span) * _LN10 * error / loss * share

    def _learn(self, window: Window) -> None:
        """How far two neighbouring slopes differ where nothing happens: electrodes wander, in minutes too."""
        times = window.times
        for place, span in enumerate((SURGE.short_min, SURGE.long_min)):
            middle = self._first(window, times[-1] - span * MINUTE_MS)
            first = self._first(window, times[-1] - 2 * span * MINUTE_MS)
            if min(middle - first, len(times) - middle) < SURGE.least_frames:
                continue
            now, before = window.slope_between(middle, len(times)), window.slope_between(first, middle)
            known = self.wanders[place]
            # the first look may be at an electrode that still settles: then no more than of a quiet one
            quiet = SURGE.least_noise_ph**2 * SURGE.regression / SURGE.least_frames / (span / 60) ** 2
            seen = min((now - before) ** 2 / 2, SURGE.clipped * (known or quiet))
            self.wanders[place] = known + (seen - known) / SURGE.learns_in if known > 0 else seen

    def left_s(self, gas: Gas, ph: float, curve: PhCurve, limit: float) -> float | None:
        """Seconds until the likeliest CO2 is at `limit` (mg/L) with this supply; None where it never is."""
        usual_low, loss = curve.usual_low, curve.loss_per_h
        if gas.mg_l >= limit:
            return 0.0
        if usual_low is None or loss is None:
            return None
        level = self.supply * gas.mg_l * 10 ** (ph - usual_low)
        if level <= limit:
            return None
        return math.log((level - gas.mg_l) / (level - limit)) / loss * HOUR_MS / 1000

    def ahead(self, gas: Gas, ph: float, curve: PhCurve, limit: float, hours: float) -> float:
        """Probability that CO2 is over `limit` (mg/L) in so many hours, if the supply goes on as it is."""
        usual_low, loss = curve.usual_low, curve.loss_per_h
        if usual_low is None or loss is None or self.supply <= 0:
            return 0.0
        peak = gas.mg_l * 10 ** (ph - usual_low)
        level = self.supply * peak
        later = level + (gas.mg_l - level) * math.exp(-loss * hours)
        return probability_over(Gas(later, math.hypot(gas.error, SURGE.forecast_log)), limit)
