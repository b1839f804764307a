"""A made-up tank's gas, dC/dt = k (supply - C), watched to see when too much of it is told."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from rushlight.analysis.physics.water import carbon_dioxide_mg_l
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import Reading
from rushlight.collector.settings import parse_settings

DAYS = 5
LIMIT_MG_L = 30.0


def told_and_over(
    text: str, kh: float, supply: Callable[[int], float], loss_per_h: float, gas: float, seed: int
) -> tuple[int | None, int | None]:
    """Minutes at which the overdose is told, and at which CO2 truly passes the limit; None for never.

    `supply` is the mg/L it would come to, by the minute; `gas` what it begins with. Another alarm fails.
    """
    watch = TankWatch("shelf", parse_settings(text).tanks["shelf"])
    at_7, rng = carbon_dioxide_mg_l(7.0, kh, 24.0), random.Random(seed)
    told, over = None, None
    for minute in range(DAYS * 1440):
        gas += loss_per_h * (supply(minute) - gas) / 60
        over = minute if over is None and gas > LIMIT_MG_L else over
        ph = 7.0 + math.log10(at_7 / gas) + rng.gauss(0, 0.008)
        for quantity, value in (("ph", ph), ("temperature", 24 + rng.gauss(0, 0.03))):
            for event in watch.feed(Reading("shelf", quantity, minute * 60_000, round(value, 2), 1)):
                assert event.alarm == "co2-overdose", event
                told = minute if told is None and event.event == "raised" else told
    return told, over
