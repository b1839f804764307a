"""A planted tank as a handful of balances: heat, dissolved carbon, and what light and plants do to them.

The one tank of the demo, the tests and the benches. It shares nothing with `analysis/`. What surrounds it,
what its devices do and what goes wrong is given to it step by step as `Conditions`; probes look at it from
outside. Its constants are plausible values (common practice, no source) unless a line says otherwise.
"""

from __future__ import annotations

from rushlight.simulator.conditions import Conditions, Poured
from rushlight.simulator.design import TankDesign
from rushlight.simulator.gas import Gas
from rushlight.simulator.heat import Heat

__all__ = ["Tank"]


class Tank:
    """The state of one tank, advanced by `step`.

    Parameters
    ----------
    design : TankDesign
    temperature_c : float
        Water temperature at the start.
    co2_mg_l : float
        Dissolved CO2 at the start, mg/L.
    """

    def __init__(self, design: TankDesign, temperature_c: float, co2_mg_l: float) -> None:
        self.design = design
        self.heat = Heat(design, temperature_c)
        self.gas = Gas(design, temperature_c, co2_mg_l)

    @property
    def temperature_c(self) -> float:
        """Where the probe hangs, °C."""
        return self.heat.far_c

    @property
    def co2_mg_l(self) -> float:
        """Dissolved CO2, mg/L."""
        return self.gas.co2_mg_l

    @property
    def ph(self) -> float:
        """Of the water itself, whatever an electrode makes of it."""
        return self.gas.ph

    def pour(self, new: Poured) -> None:
        """Replace a share of the water at once."""
        self.heat.pour(new.fraction, new.temperature)
        self.gas.pour(new.fraction, new.kh, new.co2)

    def step(self, dt_s: float, now: Conditions) -> None:
        """Advance by `dt_s` seconds (at most about 60: switching happens once a step)."""
        self.heat.step(dt_s, now)
        self.gas.step(dt_s, now, self.heat.far_c, self.heat.watts > 0)
