"""Gas by a pH controller: its saw-tooth is no surge, and a steady pH is no proof.

The tank is made up (common practice, no source): gas in while the valve is open, lost in proportion to what
is there. CO2 becomes pH by `rushlight.analysis.physics.water`, which test_water.py checks.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from rushlight.analysis.physics.water import carbon_dioxide_mg_l
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import Reading
from rushlight.collector.settings import parse_settings

DAY_S = 86_400
HOUR_S = 3600
KH, HELD, LIMIT = 4.0, 18.0, 30.0
SETPOINT = 7.0 + math.log10(carbon_dioxide_mg_l(7.0, KH, 24.0) / HELD)
SETTINGS = f"""
[tanks.shelf]
volume_litres = 60
timezone = "UTC"
report_every_s = 60
[tanks.shelf.water]
carbonate_hardness_dkh = {KH}
[tanks.shelf.livestock]
temperature_low_c = 18.0
temperature_high_c = 30.0
co2_limit_mg_l = {LIMIT}
[tanks.shelf.co2]
control = "ph-controller"
ph_setpoint = {SETPOINT:.2f}
"""
Raised = tuple[Event, float, float]
"""An event, its day, and the true CO2 then (mg/L)."""


def watched(
    days: float, too_high: Callable[[float], float], settings: str = SETTINGS, loss: float = 0.4
) -> list[Raised]:
    """What is raised; `too_high`: by how much the one probe reads too high on a day."""
    rng = random.Random(7)
    watch = TankWatch("shelf", parse_settings(settings).tanks["shelf"])
    at_7 = carbon_dioxide_mg_l(7.0, KH, 24.0)
    gas, is_open = HELD, False
    found: list[Raised] = []
    for second in range(0, round(days * DAY_S), 30):
        day = second / DAY_S
        seen = 7.0 + math.log10(at_7 / gas) + too_high(day)
        is_open = seen > SETPOINT - 0.025 if is_open else seen > SETPOINT + 0.025
        gas += loss * ((2.2 * HELD if is_open else 1.0) - gas) * 30 / HOUR_S
        if second % 60:
            continue
        for quantity, value in (
            ("ph", round(seen + rng.gauss(0, 0.005), 2)),
            ("temperature", round(24 + rng.gauss(0, 0.03), 2)),
        ):
            events = watch.feed(Reading("shelf", quantity, second * 1000, value, 1))
            found += [(event, day, gas) for event in events if event.event == "raised"]
    return found


def test_a_saw_tooth_is_no_surge_and_a_probe_that_creeps_high_is_an_overdose_by_its_valve() -> None:
    assert watched(4, lambda day: 0.0) == []
    crept = watched(7, lambda day: 0.12 * max(0.0, day - 3.5))
    assert {event.alarm for event, _, _ in crept} == {"co2-overdose"} and len(crept) < 3
    event, _, gas = crept[0]
    # its own pH, and the pH of all days before, are as usual: the valve alone shows it, near the limit
    assert gas < 1.05 * LIMIT
    assert "probe reads too high, or KH has risen" in event.detail
    assert "no proof" in event.detail
