"""Quality flags on every reading, after the tests of IOOS QARTOD, streaming: O(1) each, none thrown away.

References: U.S. Integrated Ocean Observing System, *Manual for Real-Time Quality Control of In-situ
Temperature and Salinity Data* (QARTOD): gross range (test 4), spike (6), rate of change (7), flat line (8).
`tests/references/qartod.py` has the four tests exactly as `ioos_qc` computes them, for comparison.

Where a stream must differ from the manual:

- *Spike.* The manual judges point n-1 when n is there. A stream must flag the newest point now: one that
  leaves the last accepted value by more than the spike threshold is SUSPECT. If the next point stays with
  it, the change was true (a water change): it is accepted and the flag is PASS again. If the next point goes
  back, it was a spike. So a true step costs one SUSPECT, never a FAIL.
- *Spike threshold.* The manual leaves it to the operator, one number for each site. Where reports are rare
  (five minutes and more) the number is only the upper bound: the threshold follows the series' own
  liveliness, `step_factor` times the largest of its last changes (which fades by `step_memory` with each
  reading). A calm probe that jumps by little is seen, a lively one is left in peace. Closer reports need it
  not: the detectors see them minute by minute.
- *Rate of change* is measured from the last accepted value and only counts beyond a floor, so that the noise
  of a probe read every second is no "rate". Confirmed in the same way.
- *Flat line* counts from the first value of a run that stays within the tolerance of it. Freezing water is
  left out: water and ice together stay at 0 °C for days.

Thresholds are common practice for small tanks, no source, unless a comment names one.
"""

from __future__ import annotations

import math

import msgspec

from rushlight.collector.intake.limits import LIMITS, Limits
from rushlight.collector.readings import Reading

__all__ = ["QualityChecker", "SeriesQuality", "SeriesState"]

_PASS, _NOT_EVALUATED, _SUSPECT, _FAIL, _MISSING = 1, 2, 3, 4, 9
_GAP_MS = 2_700_000  # after so long without a value, neighbours say nothing about the next one
_RARE_MS = 300_000  # from here on each report is judged alone
_ON_GRID = 0.01  # in steps
_ONE_STEP = 1.1  # no smaller change than that of one step can be seen, whatever the water does
_LATE_MS = 900_000  # older by more is a clock put back, not a reading sent late


class SeriesState(msgspec.Struct, array_like=True):
    """What one series must keep over a restart; NaN where there is none yet."""

    last: float
    last_ms: int
    pending: float
    flat: float
    flat_ms: int
    spikes: int
    lively: float = math.nan
    step: float = math.inf


class SeriesQuality:
    """Flags of one series (one quantity of one tank).

    Attributes
    ----------
    quiet : float
        A change that is no larger needs no test.
    spikes : int
        Points that proved to be spikes.
    """

    __slots__ = (
        "_flat",
        "_flat_ms",
        "_flat_suspect_ms",
        "_high",
        "_last",
        "_last_ms",
        "_lively",
        "_low",
        "_memory",
        "_pending",
        "_step",
        "_tolerance",
        "limits",
        "quiet",
        "spikes",
    )

    def __init__(self, limits: Limits, state: SeriesState | None = None) -> None:
        self.limits = limits
        self._low = limits.suspect_low
        self._high = limits.suspect_high
        self.quiet = min(limits.spike, limits.rate_floor, limits.step_floor)
        self._memory = limits.step_memory
        self._tolerance = limits.flat_tolerance
        self._flat_suspect_ms = limits.flat_suspect_ms
        self.resume(state or SeriesState(math.nan, 0, math.nan, math.nan, 0, 0))

    def resume(self, state: SeriesState) -> None:
        """Go on from what `state` gave."""
        self._last = state.last
        self._last_ms = state.last_ms
        self._pending = state.pending
        self._flat = state.flat
        self._flat_ms = state.flat_ms
        self.spikes = state.spikes
        self._step = state.step  # the smallest change seen
        # nothing known yet: as lively as this allows
        fixed = min(self.limits.spike / self.limits.step_factor, 1e9)
        self._lively = state.lively if state.lively == state.lively else fixed

    def state(self) -> SeriesState:
        """For `SeriesQuality(limits, state)` after a restart."""
        now = self._last, self._last_ms, self._pending, self._flat, self._flat_ms
        return SeriesState(*now, self.spikes, self._lively, self._step)

    def flag(self, time_ms: int, value: float | None) -> int:
        """Flag of the newest value: 1 pass, 3 suspect, 4 fail, 9 missing.

        Parameters
        ----------
        time_ms : int
            Its own time. One that is older than the newest (sent late) is only tested for its range.
        value : float or None
            None: the device could not read the probe.
        """
        if value is None:
            return _MISSING
        if not self._low <= value <= self._high:  # NaN too
            return self._out_of_range(value)
        change = value - self._last
        quiet = self.quiet
        if not -quiet <= change <= quiet or time_ms <= self._last_ms:
            flag = self._neighbours(time_ms, value, change)
            if flag:
                return flag
        else:
            if self._pending == self._pending:
                self._pending = math.nan
                self.spikes += 1
            self._lively *= self._memory
            if change > self._lively or -change > self._lively:
                self._lively = abs(change)
        self._last = value
        self._last_ms = time_ms
        tolerance = self._tolerance
        moved = value - self._flat
        if not -tolerance <= moved <= tolerance:
            step = self._step
            if -step < moved < step:
                self._step = abs(moved)
            self._flat = value
            self._flat_ms = time_ms
        elif time_ms - self._flat_ms >= self._flat_suspect_ms:
            return self._flat_flag(value, time_ms - self._flat_ms)
        return _PASS

    def passing(self, times_ms: list[int], values: list[float]) -> int:
        """How many of the first of these pass as nearly all do: within range, near the one before, not flat.

        The state has moved on over them as by `flag`; the next one, if there is one, is for that to judge.
        """
        if self._pending == self._pending:
            return 0
        low, high, quiet, memory = self._low, self._high, self.quiet, self._memory
        tolerance, flat_suspect_ms = self._tolerance, self._flat_suspect_ms
        last, last_ms, lively = self._last, self._last_ms, self._lively
        flat, flat_ms, step = self._flat, self._flat_ms, self._step
        begin_ms, flat_end_ms = last_ms, flat_ms + flat_suspect_ms
        for time_ms, value in zip(times_ms, values, strict=True):
            if value == last and last_ms < time_ms < flat_end_ms:  # as before
                lively *= memory
                last_ms = time_ms
                continue
            change = value - last
            if not (low <= value <= high and -quiet <= change <= quiet) or time_ms <= last_ms:
                break
            moved = value - flat
            if not -tolerance <= moved <= tolerance:
                if -step < moved < step:
                    step = abs(moved)
                flat, flat_ms, flat_end_ms = value, time_ms, time_ms + flat_suspect_ms
            elif time_ms >= flat_end_ms:
                break
            lively *= memory
            if change > lively or -change > lively:
                lively = abs(change)
            last, last_ms = value, time_ms
        self._last, self._last_ms, self._lively = last, last_ms, lively
        self._flat, self._flat_ms, self._step = flat, flat_ms, step
        return 0 if last_ms == begin_ms else times_ms.index(last_ms) + 1

    def _flat_flag(self, value: float, span_ms: int) -> int:
        limits = self.limits
        if -limits.ice < value < limits.ice:
            return _PASS
        coarse, step = limits.coarse_step, self._step
        if step == math.inf:  # it has not moved: it may be as coarse as its value looks
            on_grid = abs(value / coarse - round(value / coarse)) < _ON_GRID
            step = coarse if on_grid and coarse < math.inf else 0.0
        times = max(1.0, min(step, coarse) / limits.fine_step) ** limits.flat_power
        if span_ms < times * limits.flat_suspect_ms:
            return _PASS
        return _FAIL if span_ms >= times * limits.flat_fail_ms else _SUSPECT

    def _out_of_range(self, value: float) -> int:
        limits = self.limits
        if limits.fail_low <= value <= limits.fail_high and value not in limits.broken:
            return _SUSPECT
        return _FAIL

    def _neighbours(self, time_ms: int, value: float, change: float) -> int:
        """0 where the value is to be accepted, its flag where it is not."""
        elapsed = time_ms - self._last_ms
        if -_LATE_MS < elapsed <= 0:
            return _PASS  # sent late, or twice in one millisecond: what came since is kept
        if elapsed <= -_LATE_MS or elapsed > _GAP_MS or change != change:
            self._pending = math.nan  # a new start
            self._flat = math.nan
            return 0
        limits = self.limits
        size = abs(change)
        fixed = min(limits.spike, max(limits.rate_floor, limits.rate_per_s * elapsed / 1000))
        allowed = fixed
        if elapsed >= _RARE_MS:
            allowed = min(fixed, max(limits.step_floor, limits.step_factor * self._lively))
        if self._step <= _ONE_STEP * limits.coarse_step < math.inf:
            # of two readings in steps one may be rounded up and one down: the least that the water did counts
            allowed = max(allowed + max(0.0, self._step - limits.fine_step), _ONE_STEP * self._step)
        pending, self._pending = self._pending, value
        if size <= allowed:
            self._pending = math.nan
            if pending == pending:
                self.spikes += 1
        elif abs(value - pending) <= fixed:
            self._pending = math.nan  # a second one like it: the step was true
        else:
            return _SUSPECT
        # a step counts for no more than it might have been, or one would hide the next
        self._lively = max(self._memory * self._lively, min(size, allowed))
        return 0


class QualityChecker:
    """A `SeriesQuality` for each (tank, quantity), made when first asked for.

    Parameters
    ----------
    limits : dict, optional
        Thresholds by quantity; `LIMITS` by default.
    states : dict, optional
        What `states` gave before a restart.
    """

    def __init__(
        self,
        limits: dict[str, Limits] | None = None,
        states: dict[str, dict[str, SeriesState]] | None = None,
    ) -> None:
        self._limits = LIMITS if limits is None else limits
        self._tanks: dict[str, dict[str, SeriesQuality]] = {}
        for tank, by_quantity in (states or {}).items():
            self._tanks[tank] = {
                quantity: SeriesQuality(self._limits[quantity], state)
                for quantity, state in by_quantity.items()
                if quantity in self._limits
            }

    def series(self, tank: str, quantity: str) -> SeriesQuality:
        """The checker of one series, to be kept by a caller in a hurry; KeyError for an unknown quantity."""
        by_quantity = self._tanks.get(tank)
        if by_quantity is None:
            by_quantity = self._tanks[tank] = {}
        series = by_quantity.get(quantity)
        if series is None:
            series = by_quantity[quantity] = SeriesQuality(self._limits[quantity])
        return series

    def known(self, tank: str) -> dict[str, SeriesQuality]:
        """The checkers that a tank has so far, by quantity, for a caller in a hurry; not to be changed."""
        return self._tanks.get(tank, {})

    def flag(self, reading: Reading) -> int:
        """Set and return `reading.flag`; 2 (not evaluated) for a quantity without thresholds."""
        tank, quantity = reading.tank, reading.quantity
        by_quantity = self._tanks.get(tank)
        series = None if by_quantity is None else by_quantity.get(quantity)
        if series is None:
            if quantity not in self._limits:
                reading.flag = _NOT_EVALUATED
                return _NOT_EVALUATED
            series = self.series(tank, quantity)
        reading.flag = flag = series.flag(reading.time_ms, reading.value)
        return flag

    def states(self) -> dict[str, dict[str, SeriesState]]:
        """State of every series by tank and quantity, for msgspec and the store."""
        return {tank: self.states_of(tank) for tank in self._tanks}

    def states_of(self, tank: str) -> dict[str, SeriesState]:
        """State of one tank's series by quantity; empty where it has none."""
        return {quantity: series.state() for quantity, series in self._tanks.get(tank, {}).items()}
