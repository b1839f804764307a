"""How a heater lets go, as its meter shows it: from how many W, and at how many °C.

A thermostat knows on and off. A strip with two heaters knows a part, too: each of them by itself. A heater
that has half failed draws a part from then on; so a part is usual where the strip has often let go from it or
gone from it to its full power.
"""

from __future__ import annotations

from typing import Annotated

import msgspec

from rushlight.analysis.estimators.robust import median, spread
from rushlight.analysis.numbers import Numbers, Of

__all__ = ["METER", "MeterNumbers", "MeterOffs"]


class MeterNumbers(Numbers, frozen=True, kw_only=True):
    """What a meter shows of several heaters on one strip."""

    off_share: Annotated[
        float, Of("", "less than that share of its full power is off: the meter's own draw")
    ] = 0.1
    before_values: Annotated[int, Of("", "readings before it let go that show what it drew")] = 3
    kept: Annotated[int, Of("", "times it let go, or drew more, that are kept")] = 12
    often: Annotated[int, Of("", "so often it has left a part as thermostats do: the part is usual")] = 3
    part_share: Annotated[
        float, Of("", "less than that share of full power is a part: mains voltage varies by a tenth")
    ] = 0.8
    works_share: Annotated[
        float, Of("", "a strip that draws that share of its usual part, at least, heats as usual")
    ] = 0.8
    rests_h: Annotated[
        float, Of("h", "one that was seen at work in cold water rests so long, and is not dead yet")
    ] = 6.0
    lone_c: Annotated[
        float,
        Of("°C", "so far below where the strip comes on a part is not enough: the other's dial, off by that"),
    ] = 1.0


METER = MeterNumbers()


class MeterOffs(msgspec.Struct, dict=True):
    """State.

    Attributes
    ----------
    celsius : list of float
        The water when it let go, the last times.
    watts : list of float
        What it drew before it let go, or before it drew more. What follows from them is kept beside.
    """

    celsius: list[float] = msgspec.field(default_factory=list)
    watts: list[float] = msgspec.field(default_factory=list)

    def look(self, values: list[float], newest: int, celsius: float, full: float) -> None:
        """The meter's readings (W), of which the `newest` are the last minutes'; the water in °C."""
        off, part = METER.off_share * full, METER.part_share * full
        before, last = values[:-newest][-METER.before_values :], values[-newest:]
        if len(before) < METER.before_values or min(before) <= off:
            return
        if max(last) < off:
            _keep(self.celsius, celsius)
        elif max(before) >= part or min(last) < part:
            return
        _keep(self.watts, median(before))
        self.__dict__.clear()

    def part(self, full: float) -> float | None:
        """The least that it usually draws when it heats, W; None where it knows on and off only."""
        if len(self.watts) < METER.often:
            return None
        least: float | None = self.__dict__.get("kept_least")
        if least is None:
            least = self.__dict__["kept_least"] = sorted(self.watts)[METER.often - 1]
        return least if least < METER.part_share * full else None

    def top(self, full: float) -> tuple[float, float, float] | None:
        """Where the last of several lets go: (lowest, highest, spread) in °C; None where it is one."""
        if len(self.celsius) < METER.often or self.part(full) is None:
            return None
        return min(self.celsius), max(self.celsius), spread(self.celsius)


def _keep(values: list[float], value: float) -> None:
    values.append(value)
    del values[: -METER.kept]
