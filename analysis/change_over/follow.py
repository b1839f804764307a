"""Following the plan with a probe in the container: what to do now, by what it shows. No clock is asked."""

from __future__ import annotations

from rushlight.analysis.change_over.mixing_plan import RATES, Solution

__all__ = ["Follow"]

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
        self._litres, self._first = water.litres, water.litres
        self._tank_c, self._container = tank.celsius, container_litres
        self._last_ms: int | None = None
        self._last_c = water.celsius
        self._close_ms: int | None = None
        self.done = False

    @property
    def begun(self) -> bool:
        """Whether anything was added."""
        return self._last_ms is not None

    def take(self, time_ms: int, celsius: float) -> str | None:
        """What to do at this moment, "" for wait; None when nothing new is to be said."""
        if self.done:
            return None
        gap = self._tank_c - celsius
        if abs(gap) > RATES.close_c:
            self._close_ms = None
        elif self._close_ms is None or time_ms - self._close_ms < _SETTLE_MS:
            # one reading may be of a probe that still hangs in the air
            self._close_ms = time_ms if self._close_ms is None else self._close_ms
            return None
        else:
            self.done = True
            return (
                f"{celsius:.1f} °C: as the tank, within {RATES.close_c:g} °C. Net them over now; "
                f"don't pour the "
                "carrying water into the tank."
            )
        if self._last_ms is not None:
            passed = time_ms - self._last_ms
            if passed < _SETTLE_MS:
                return None
            hours = max(passed / 3_600_000, RATES.step_min / 60)
            if abs(celsius - self._last_c) > RATES.c_per_h * hours * 1.5:
                return (
                    f"{celsius:.1f} °C: it changed by {abs(celsius - self._last_c):.1f} °C since "
                    f"the last portion, "
                    "faster than planned. Add nothing; wait."
                )
            if passed < RATES.step_min * 60_000:
                return None
        share = min(0.5, RATES.c_per_h * RATES.step_min / 60 / abs(gap))
        words = ""
        if self._litres / (1 - share) > self._container + 1e-9:
            out = self._litres - min(self._first, self._container * (1 - share))
            self._litres -= out
            words = f"pour {out:.1f} L away, then "
        litres = self._litres * share / (1 - share)
        self._litres += litres
        self._last_ms, self._last_c = time_ms, celsius
        return (
            f"{celsius:.1f} °C: now {words}add {litres:.1f} L of the tank's water. Then wait "
            f"{RATES.step_min:g} min."
        )
