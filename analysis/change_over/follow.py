"""Following the plan with a probe in the container: what to do now, by what it shows. No clock is asked."""

from __future__ import annotations

from rushlight.analysis.change_over.mixing_plan import RATES, Solution, gaps, portion_share

__all__ = ["DayFollow", "Follow"]

_DAY_MS = 86_400_000
_AGAIN_MS = 3_600_000
_SETTLE_MS = 120_000  # a probe needs so long, after a portion or out of the air; common practice, no source


class Follow:
    """Takes the container's temperature and says what to do now.

    Parameters
    ----------
    water : Solution
        The carrying water, as it is measured at the beginning.
    tank : Solution
    container_litres : float
    """

    def __init__(self, water: Solution, tank: Solution, container_litres: float) -> None:
        self._water, self._first_litres = water, water.litres
        self._tank, self._container = tank, container_litres
        self._last_ms: int | None = None
        self._last_c = water.celsius
        self._close_ms: int | None = None
        self.done = False

    @property
    def begun(self) -> bool:
        """Whether anything was added."""
        return self._last_ms is not None

    def take(self, time_ms: int, celsius: float) -> str | None:
        """What to do at this moment; None when nothing new is to be said."""
        if self.done:
            return None
        water = self._water._replace(celsius=celsius)  # its hardness is known by what was poured in
        close = all(gap <= enough for gap, _, enough in gaps(water, self._tank))
        if not close:
            self._close_ms = None
        elif self._close_ms is None or time_ms - self._close_ms < _SETTLE_MS:
            # one reading may be of a probe that still hangs in the air
            self._close_ms = time_ms if self._close_ms is None else self._close_ms
            return None
        else:
            self.done = True
            return (
                f"{celsius:.1f} °C: as the tank, within {RATES.close_c:g} °C. Net them over now; don't pour "
                "the carrying water into the tank."
            )
        if self._last_ms is not None:
            passed = time_ms - self._last_ms
            if passed < _SETTLE_MS:
                return None
            hours = max(passed / 3_600_000, RATES.step_min / 60)
            if abs(celsius - self._last_c) > RATES.c_per_h * hours * 1.5:
                return (
                    f"{celsius:.1f} °C: it changed by {abs(celsius - self._last_c):.1f} °C since the last "
                    "portion, faster than planned. Add nothing; wait."
                )
            if passed < RATES.step_min * 60_000:
                return None
        return self._portion(time_ms, water)

    def _portion(self, time_ms: int, water: Solution) -> str:
        share, words = portion_share(water, self._tank), ""
        if water.litres / (1 - share) > self._container + 1e-9:
            out = water.litres - min(self._first_litres, self._container * (1 - share))
            water = water._replace(litres=water.litres - out)
            words = f"pour {out:.1f} L away, then "
        litres = water.litres * share / (1 - share)
        self._water = water.with_(litres, self._tank)
        self._last_ms, self._last_c = time_ms, water.celsius
        return (
            f"{water.celsius:.1f} °C: now {words}add {litres:.1f} L of the tank's water. Then wait "
            f"{RATES.step_min:g} min."
        )


class DayFollow:
    """The same over days, while the two waters are too far apart to be mixed.

    Parameters
    ----------
    tank_c : float
        Where it goes, °C.
    """

    def __init__(self, tank_c: float) -> None:
        self._tank_c = tank_c
        self._first: tuple[int, float] | None = None
        self._said_ms = 0
        self._close_ms: int | None = None
        self.done = False

    def take(self, time_ms: int, celsius: float) -> str | None:
        """What to do at this moment; None when nothing new is to be said."""
        if self.done:
            return None
        if abs(self._tank_c - celsius) > RATES.days_from_c:
            self._close_ms = None
        elif self._close_ms is None:
            self._close_ms = time_ms
        elif time_ms - self._close_ms >= _SETTLE_MS:
            self.done = True
            return (
                f"{celsius:.1f} °C: within {RATES.days_from_c:g} °C of the tank. Now mix the waters, in "
                "hours: start this again."
            )
        if self._first is None:
            self._first, self._said_ms = (time_ms, celsius), time_ms
            return f"{celsius:.1f} °C at the beginning; by {RATES.c_per_day:g} °C a day at most from here."
        began_ms, first_c = self._first
        days = (time_ms - began_ms) / _DAY_MS
        moved, allowed = abs(celsius - first_c), RATES.c_per_day * days
        if moved > allowed + RATES.close_c:
            if time_ms - self._said_ms < _AGAIN_MS:
                return None
            self._said_ms = time_ms
            return (
                f"{celsius:.1f} °C: it has changed by {moved:.1f} °C, and by {allowed:.1f} °C at most was "
                "meant so far. Bring the tub to a place more like the one it came from, and cover it."
            )
        if time_ms - self._said_ms < _DAY_MS:
            return None
        self._said_ms = time_ms
        return (
            f"{celsius:.1f} °C after {days:.0f} days: not too fast. It may change by {RATES.c_per_day:g} °C "
            "today."
        )
